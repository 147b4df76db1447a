/* Works without the map: choose a circuit, find an asset, read what its loss cuts. */
(function () {
  "use strict";
  var ways = window.waysapart, data = ways.data;
  var select = document.getElementById("plan-circuit");
  var card = document.getElementById("plan-card");
  var find = document.getElementById("plan-find");
  var foundList = document.getElementById("plan-found");
  var tables = [data.points, data.plant, data.hazards, data.others];
  var MOST_FOUND = 12, MOST_LISTED = 24;

  /* The map fills these in; a page without a map does without. */
  ways.view = {
    redraw: function () {}, showCircuit: function () {}, showAsset: function () {}, showFindings: function () {},
    showPlace: function () {}, showPoint: function () {}, showNear: function () {}, showIds: function () {},
    focus: function () { find.focus(); }, kept: function () { return null; }, restore: function () {},
    placesFor: function () { return []; }, coordinates: function () { return []; }, pointOf: function () { return null; }
  };

  function element(tag, text, className) {
    var made = document.createElement(tag);
    if (text !== undefined) made.textContent = text;
    if (className) made.className = className;
    return made;
  }

  /* Where to scroll a table to so that its head, which stays, covers no row by half. */
  function wholeRows(box, at) {
    var table = box.querySelector("table"), head = table.tHead.offsetHeight;
    var first = Array.from(table.tBodies[0].rows).find(function (row) {
      return !row.hidden && row.offsetTop - head >= at;
    });
    return first ? first.offsetTop - head : at;
  }

  document.addEventListener("circuit", function (event) {
    var index = event.detail.circuit;
    if (select) select.value = index === null ? "" : String(index);
    document.querySelectorAll("[data-circuit]").forEach(function (row) {
      var on = Number(row.dataset.circuit) === index;
      row.classList.toggle("chosen", on);
      var button = row.querySelector("button.pick");
      if (button) button.setAttribute("aria-pressed", String(on));
    });
    if (event.detail.from !== "table" && index !== null) {
      var row = document.querySelector("tr[data-circuit='" + index + "']");
      var box = row && row.closest(".scroll");
      if (box) box.scrollTop = wholeRows(box, row.offsetTop - box.clientHeight / 2);
    }
    ways.view.showCircuit(index);
    ways.view.redraw();
  });

  if (select) select.addEventListener("change", function () {
    ways.choose(select.value === "" ? null : Number(select.value), "list");
  });

  document.addEventListener("click", function (event) {
    var target = event.target;
    var layers = document.getElementById("plan-layers");
    if (layers && !target.closest("#plan-layers")) layers.open = false;
    var button = target.closest("button.pick");
    if (button) {
      var index = Number(button.closest("[data-circuit]").dataset.circuit);
      if (button.closest(".ledger")) ways.choose(ways.chosen() === index ? null : index, "table");
      else {
        ways.toMap("#map:" + encodeURIComponent(data.circuits[index].id), function () {
          ways.choose(index, "detail");
          ways.view.showFindings(index);
        });
      }
      return;
    }
    var near = target.closest("button.show-near"), all = target.closest("button.show-all");
    if (near || all) {
      ways.toMap("#map", function () {
        chooseOwner(near || all);
        if (near) ways.view.showNear(near.value.split(" ").map(Number));
        else ways.view.showIds(idsIn(all.closest("li")));
      });
      return;
    }
    var asset = target.closest("button.asset");
    if (asset) {
      ways.toMap(ways.hashOf("asset", asset.value), function () {
        chooseOwner(asset);
        pick(asset.value, true);
      });
      return;
    }
    var place = target.closest("button.place");
    if (place) ways.toMap("#map", function () { ways.view.showPlace(Number(place.value)); });
  });

  function chooseOwner(button) {
    var owner = button.closest("[data-circuit]");
    if (owner) ways.choose(Number(owner.dataset.circuit), "detail");
  }

  /* Ids of the assets that an entry names: of a row of ids only the ends stand there. */
  function idsIn(entry) {
    return [].concat.apply([], Array.from(entry.querySelectorAll("button.asset")).map(function (button) {
      return button.dataset.from === undefined ? [button.value] : ways.idsFrom(button.dataset.from, button.value, Number(button.dataset.count));
    }));
  }

  function line(term, dd) {
    var made = element("div");
    made.appendChild(element("dt", term));
    made.appendChild(dd);
    return made;
  }

  function fact(term, text) { return line(term, element("dd", text)); }

  function listOf(term, items, make) {
    var dd = element("dd");
    if (!items.length) dd.textContent = "none";
    items.slice(0, MOST_LISTED).forEach(function (item) {
      dd.appendChild(make(item));
      dd.appendChild(document.createTextNode(" "));
    });
    if (items.length > MOST_LISTED) dd.appendChild(document.createTextNode("and " + (items.length - MOST_LISTED) + " more"));
    return line(term, dd);
  }

  function circuitButton(index) {
    var button = element("button", data.circuits[index].id, "chip");
    button.type = "button";
    button.addEventListener("click", function () { ways.choose(index, "card"); });
    return button;
  }

  function assetButton(id) {
    var button = element("button", id, "chip");
    button.type = "button";
    button.addEventListener("click", function () { pick(id, true); });
    return button;
  }

  /* Circuits by their places, in the order of their ids. */
  function byId(indices) {
    return indices.slice().sort(function (a, b) { return ways.natural(data.circuits[a].id, data.circuits[b].id); });
  }

  function plainId(id) { return element("span", id, "id"); }

  /* Circuits that lose every path, circuits left with one, groups lost, cables in or on the asset. */
  function consequences(id) {
    var at = ways.effectOf(id);
    if (!at) return null;
    var loss = at[0] < 0 ? [[], [], []] : data.losses[at[0]];
    return { lost: loss[0], left: loss[1], groups: loss[2], cables: at[1] < 0 ? [] : data.cables[at[1]] };
  }

  function describe(id) {
    for (var t = 0; t < tables.length; t++) {
      var index = ways.rowOf(tables[t], id);
      if (index === undefined) continue;
      return {
        id: id, name: tables[t].name[index], kind: tables[t].kinds[tables[t].kind[index]],
        role: tables[t] === data.hazards ? "hazards" : tables[t].roles[tables[t].role[index]]
      };
    }
    return { id: id, name: "", kind: "", role: "" };
  }

  function heldBy(id) {
    return Object.keys(data.inside).filter(function (one) { return data.inside[one].indexOf(id) >= 0; });
  }

  function headOf(text) {
    var head = element("div", undefined, "card-head");
    head.appendChild(element("strong", text, "id"));
    var close = element("button", "Close", "quiet");
    close.type = "button";
    close.addEventListener("click", function () { pick(null, false); ways.view.focus(); });
    head.appendChild(close);
    return head;
  }

  /* Near approaches and crossings of a segment, or of the segments that a cable follows. */
  function approachesOf(id) {
    var own = new Set([id]), found = new Map();
    (Object.hasOwn(data.runs, id) ? data.runs[id] : []).forEach(function (s) { own.add(data.plant.id[s]); });
    function add(mark, other, distance) {
      var key = mark.circuit + " " + mark.what + " " + other, known = found.get(key);
      if (!known || distance < known.distance) found.set(key, { mark: mark, other: other, distance: distance });
    }
    data.marks.forEach(function (mark) {
      if (own.has(mark.main)) add(mark, mark.alternate, mark.distance_m);
      if (own.has(mark.alternate)) add(mark, mark.main, mark.distance_m);
      for (var k = 0; mark.pairs && k < mark.pairs.length; k += 3) {
        var one = data.plant.id[mark.pairs[k]], two = data.plant.id[mark.pairs[k + 1]];
        if (own.has(one)) add(mark, two, mark.pairs[k + 2] / 100);
        if (own.has(two)) add(mark, one, mark.pairs[k + 2] / 100);
      }
    });
    return Array.from(found.values()).sort(function (a, b) {
      return (a.mark.what === "cross") - (b.mark.what === "cross") || a.distance - b.distance || ways.natural(a.other, b.other);
    });
  }

  function approachLine(one) {
    var row = element("div", undefined, "found-line"), near = one.mark.what === "near";
    row.appendChild(document.createTextNode(near ? "near " : "crossing "));
    row.appendChild(assetButton(one.other));
    var far = near && one.distance !== null ? ", " + ways.lengthSaid(one.distance) : "";
    if (near && one.mark.pairs && one.mark.pairs.length && one.mark.length_m) far += " in a stretch of " + ways.lengthSaid(one.mark.length_m);
    row.appendChild(document.createTextNode(far + ", "));
    row.appendChild(circuitButton(one.mark.circuit));
    if (one.mark.waived) row.appendChild(document.createTextNode(", accepted"));
    return row;
  }

  function linesOf(term, rows) {
    var dd = element("dd");
    rows.slice(0, MOST_LISTED).forEach(function (row) { dd.appendChild(row); });
    if (rows.length > MOST_LISTED) dd.appendChild(element("div", "and " + (rows.length - MOST_LISTED) + " more"));
    return line(term, dd);
  }

  /* What was found of an asset: near and crossing, shared by circuits and groups, gaps of its records. */
  function findingsOf(id, facts) {
    var approaches = approachesOf(id), shared = [];
    if (approaches.length) facts.appendChild(linesOf("Found", approaches.map(approachLine)));
    if (data.marks.some(function (mark) { return mark.whole === false; })) {
      facts.appendChild(fact("Near", "only the closest pair of each stretch is on this map; the text lists all"));
    }
    data.circuits.forEach(function (circuit, index) {
      if (circuit.shared.some(function (s) { return s.asset === id; })) shared.push(index);
    });
    if (shared.length) facts.appendChild(listOf("Shared by both paths of", byId(shared), circuitButton));
    var groups = data.groups.filter(function (group) { return group.shared.has(id); }).map(function (group) { return group.id; });
    if (groups.length) facts.appendChild(listOf("Shared within groups", groups.sort(ways.natural), plainId));
    var gaps = ways.gapsOf(id).map(function (gap) {
      return element("div", gap[0] + (gap[1] ? " (bears on " + (gap[1] === "both" ? "separation and limits" : gap[1]) + ")" : ""), "found-line");
    });
    if (gaps.length) facts.appendChild(linesOf("Record gaps", gaps));
    return shared;
  }

  /* Coordinates with a button each that copies them. */
  function coordinatesOf(at, term, facts) {
    ways.view.coordinates(at).forEach(function (one) {
      var dd = element("dd", one.said + " "), button = element("button", "Copy " + one.order, "quiet copy");
      button.type = "button";
      button.addEventListener("click", function () { copy(one.copy, button); });
      dd.appendChild(button);
      facts.appendChild(line(term, dd));
      term = "";
    });
    if (data.moved_m && facts.lastChild) facts.appendChild(fact("", "to the nodes of a grid of " + ways.lengthSaid(data.moved_m)));
  }

  function copy(text, button) {
    var before = button.textContent;
    function said(done) {
      button.textContent = done ? "Copied" : "Copy by hand: " + text;
      if (done) setTimeout(function () { button.textContent = before; }, 1600);
    }
    function byHand() {
      var box = document.createElement("textarea");
      box.value = text;
      box.setAttribute("aria-hidden", "true");
      box.className = "unseen";
      document.body.appendChild(box);
      box.select();
      var done = false;
      try { done = document.execCommand("copy"); } catch (error) { done = false; }
      box.remove();
      button.focus();
      said(done);
    }
    if (navigator.clipboard && navigator.clipboard.writeText) navigator.clipboard.writeText(text).then(function () { said(true); }, byHand);
    else byHand();
  }

  /* A place that was typed or pressed, where no asset is. */
  function pickPlace(at, move) {
    pick(null, false);
    ways.place = at;
    var facts = element("dl");
    card.hidden = false;
    card.appendChild(headOf("Place"));
    coordinatesOf(at, "Position", facts);
    card.appendChild(facts);
    if (move) ways.view.showPoint(at);
    ways.view.redraw();
  }

  function pick(id, move, at) {
    if (!card) return;
    ways.picked = id;
    ways.place = at || null;
    card.hidden = id === null;
    card.replaceChildren();
    markRows(null);
    if (id === null) { ways.view.redraw(); return; }
    var told = describe(id), facts = element("dl");
    card.appendChild(headOf(told.id));
    if (told.name) facts.appendChild(fact("Name", told.name));
    if (told.kind) facts.appendChild(fact("Kind", told.kind));
    if (told.role) facts.appendChild(fact("Listed under", told.role));
    if (data.told) facts.appendChild(fact(data.told.term, Object.hasOwn(data.told.of, id) ? data.told.of[id] : data.told.others));
    var shared = findingsOf(id, facts);
    var cut = consequences(id);
    var ifSo = told.role === "hazards" ? "If this happens" : "If this is lost";
    if (cut) {
      facts.appendChild(listOf(ifSo + ", circuits lost", byId(cut.lost), circuitButton));
      facts.appendChild(listOf("Circuits left with one path", byId(cut.left), circuitButton));
      if (cut.groups.length) facts.appendChild(listOf("Groups lost", cut.groups.slice().sort(ways.natural), plainId));
    } else if (told.role && !data.told) {
      facts.appendChild(fact(ifSo, "no path of any circuit lost"));
    }
    var cables = cut ? cut.cables.filter(function (one) { return one !== id; }).sort(ways.natural) : [];
    if (cables.length) facts.appendChild(listOf("Cables that need it", cables, assetButton));
    if (Object.hasOwn(data.inside, id)) facts.appendChild(listOf("Lies in, on or at", data.inside[id].slice().sort(ways.natural), assetButton));
    var held = heldBy(id).sort(ways.natural);
    if (held.length) facts.appendChild(listOf("Holds", held, assetButton));
    var placed = ways.placeOf(id);
    if (placed && placed !== id) facts.appendChild(fact("On the map", "no place of its own; shown at " + placed));
    var own = ways.view.pointOf(id);
    if (own || at) coordinatesOf(own || at, own ? "Position" : "Where pressed", facts);
    card.appendChild(facts);
    markRows(cut ? cut.lost.concat(cut.left) : shared);
    if (move) ways.view.showAsset(id);
    ways.view.redraw();
  }

  function markRows(indices) {
    document.querySelectorAll("tr[data-circuit]").forEach(function (row) {
      row.classList.toggle("relies", indices !== null && indices.indexOf(Number(row.dataset.circuit)) >= 0);
    });
  }

  /* Ids that are what was typed come first, then those that begin with it, then the rest. */
  function rank(id, wanted) {
    var low = id.toLowerCase();
    return low === wanted ? 0 : low.indexOf(wanted) === 0 ? 1 : 2;
  }

  /* Of each rank so many at most are put in order: nobody reads on so far. */
  var MOST_RANKED = 500;

  function hitsFor(wanted) {
    var ranks = [[], [], []];
    function look(link, id, name, said, act) {
      if (id.toLowerCase().indexOf(wanted) < 0 && name.toLowerCase().indexOf(wanted) < 0) return;
      var mine = ranks[rank(id, wanted)];
      if (mine.length < MOST_RANKED) mine.push({ id: id, said: said, link: [link, id], act: act });
    }
    data.circuits.forEach(function (circuit, index) {
      look("map", circuit.id, circuit.name, ["circuit", circuit.name].filter(Boolean).join(" "), function () {
        if (ways.chosen() === index) ways.view.showCircuit(index);
        ways.choose(index, "search");
      });
    });
    tables.forEach(function (table) {
      for (var i = 0; i < table.id.length; i++) {
        look("asset", table.id[i], table.name[i], table.name[i] || table.kinds[table.kind[i]], null);
      }
    });
    ranks.forEach(function (rank) { rank.sort(function (a, b) { return ways.natural(a.id, b.id); }); });
    return ways.view.placesFor(find.value).map(function (one) {
      return { id: one.said, said: one.note, act: function () { pickPlace(one.at, true); } };
    }).concat(ranks[0], ranks[1], ranks[2]);
  }

  if (find) find.addEventListener("input", function () {
    var wanted = find.value.trim().toLowerCase();
    foundList.replaceChildren();
    if (!wanted) return;
    var hits = hitsFor(wanted);
    hits.slice(0, MOST_FOUND).forEach(function (hit) {
      var item = element("li"), button = element("button", undefined, "hit");
      button.type = "button";
      button.appendChild(element("span", hit.id, "id"));
      if (hit.said) button.appendChild(element("span", hit.said));
      button.addEventListener("click", function () {
        ways.visit(hit.link ? ways.hashOf(hit.link[0], hit.link[1]) : "#map", hit.act || pick.bind(null, hit.id, true));
        foundList.replaceChildren();
      });
      item.appendChild(button);
      foundList.appendChild(item);
    });
    if (!hits.length) foundList.appendChild(element("li", "Nothing in the study has this id or name."));
  });

  if (find) find.addEventListener("keydown", function (event) {
    var first = foundList.querySelector("button");
    if (event.key === "Enter" && first) first.click();
  });

  document.addEventListener("keydown", function (event) {
    if (event.key !== "Escape") return;
    if (ways.measuring && ways.measuring()) ways.stopMeasuring();
    else if (foundList && foundList.childElementCount) foundList.replaceChildren();
    else if (ways.picked || ways.place) pick(null, false);
    else ways.choose(null, "keyboard");
  });

  ways.pickAsset = pick;
  ways.pickPlace = pickPlace;
  ways.describe = describe;

  /* In a large report most entries are put into the page when they are opened. */
  function putIn(entry) {
    var kept = entry.querySelector(":scope > script.later");
    if (!kept) return;
    /* Packed until now: a browser reads that far sooner than it makes elements. */
    var made = document.createElement("template");
    made.innerHTML = ways.unpack(kept.textContent);
    kept.replaceWith(made.content);
    document.dispatchEvent(new CustomEvent("put-in", { detail: entry }));
  }
  document.addEventListener("toggle", function (event) {
    if (event.target.open && event.target.matches("details.circuit")) putIn(event.target);
  }, true);

  ways.putIn = putIn;
  ways.idsIn = idsIn;
})();
