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
    redraw: function () {}, showCircuit: function () {}, showAsset: function () {},
    showPlace: function () {}, focus: function () { find.focus(); }
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
    select.value = index === null ? "" : String(index);
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

  select.addEventListener("change", function () {
    ways.choose(select.value === "" ? null : Number(select.value), "list");
  });

  document.addEventListener("click", function (event) {
    var target = event.target;
    var layers = document.getElementById("plan-layers");
    if (layers && !target.closest("#plan-layers")) layers.open = false;
    var button = target.closest("button.pick");
    if (button) {
      var index = Number(button.closest("[data-circuit]").dataset.circuit);
      ways.choose(ways.chosen() === index && button.closest("tr") ? null : index, "table");
      if (!button.closest(".ledger")) document.getElementById("map").scrollIntoView();
      return;
    }
    var asset = target.closest("button.asset");
    if (asset) {
      var owner = asset.closest("[data-circuit]");
      if (owner) ways.choose(Number(owner.dataset.circuit), "detail");
      pick(asset.value, true);
      document.getElementById("map").scrollIntoView();
      return;
    }
    var place = target.closest("button.place");
    if (place) {
      ways.view.showPlace(Number(place.value));
      document.getElementById("map").scrollIntoView();
    }
  });

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

  function pick(id, move) {
    ways.picked = id;
    card.hidden = id === null;
    card.replaceChildren();
    markRows(null);
    if (id === null) { ways.view.redraw(); return; }
    var told = describe(id), facts = element("dl");
    var head = element("div", undefined, "card-head");
    head.appendChild(element("strong", told.id, "id"));
    var close = element("button", "Close", "quiet");
    close.type = "button";
    close.addEventListener("click", function () { pick(null, false); ways.view.focus(); });
    head.appendChild(close);
    card.appendChild(head);
    if (told.name) facts.appendChild(fact("Name", told.name));
    if (told.kind) facts.appendChild(fact("Kind", told.kind));
    if (told.role) facts.appendChild(fact("Listed under", told.role));
    if (data.told) facts.appendChild(fact(data.told.term, Object.hasOwn(data.told.of, id) ? data.told.of[id] : data.told.others));
    var cut = consequences(id);
    var ifSo = told.role === "hazards" ? "If this happens" : "If this is lost";
    if (cut) {
      facts.appendChild(listOf(ifSo + ", circuits lost", cut.lost, circuitButton));
      facts.appendChild(listOf("Circuits left with one path", cut.left, circuitButton));
      if (cut.groups.length) facts.appendChild(listOf("Groups lost", cut.groups, plainId));
    } else if (told.role && !data.told) {
      facts.appendChild(fact(ifSo, "no path of any circuit lost"));
    }
    var shared = [];
    data.circuits.forEach(function (circuit, index) {
      if (circuit.shared.some(function (s) { return s.asset === id; })) shared.push(index);
    });
    if (shared.length) facts.appendChild(listOf("Shared by both paths of", shared, circuitButton));
    var cables = cut ? cut.cables.filter(function (one) { return one !== id; }) : [];
    if (cables.length) facts.appendChild(listOf("Cables that need it", cables, assetButton));
    if (Object.hasOwn(data.inside, id)) facts.appendChild(listOf("Lies in, on or at", data.inside[id], assetButton));
    var held = heldBy(id);
    if (held.length) facts.appendChild(listOf("Holds", held, assetButton));
    var placed = ways.placeOf(id);
    if (placed && placed !== id) facts.appendChild(fact("On the map", "no place of its own; shown at " + placed));
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

  find.addEventListener("input", function () {
    var wanted = find.value.trim().toLowerCase(), hits = [];
    foundList.replaceChildren();
    if (!wanted) return;
    tables.forEach(function (table) {
      for (var i = 0; i < table.id.length && hits.length < 40 * MOST_FOUND; i++) {
        if (table.id[i].toLowerCase().indexOf(wanted) >= 0 || table.name[i].toLowerCase().indexOf(wanted) >= 0) {
          hits.push([table.id[i], table.name[i] || table.kinds[table.kind[i]], rank(table.id[i], wanted)]);
        }
      }
    });
    hits.sort(function (a, b) { return a[2] - b[2]; });
    hits.slice(0, MOST_FOUND).forEach(function (hit) {
      var item = element("li"), button = element("button", undefined, "hit");
      button.type = "button";
      button.appendChild(element("span", hit[0], "id"));
      if (hit[1]) button.appendChild(element("span", hit[1]));
      button.addEventListener("click", function () {
        pick(hit[0], true);
        foundList.replaceChildren();
      });
      item.appendChild(button);
      foundList.appendChild(item);
    });
    if (!hits.length) foundList.appendChild(element("li", "Nothing in the study has this id or name."));
  });

  find.addEventListener("keydown", function (event) {
    var first = foundList.querySelector("button");
    if (event.key === "Enter" && first) first.click();
  });

  document.addEventListener("keydown", function (event) {
    if (event.key !== "Escape") return;
    if (ways.measuring && ways.measuring()) ways.stopMeasuring();
    else if (foundList.childElementCount) foundList.replaceChildren();
    else if (ways.picked) pick(null, false);
    else ways.choose(null, "keyboard");
  });

  ways.pickAsset = pick;
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

  /* A link to an entry that is folded opens it: then the reader is where the link led. */
  document.addEventListener("click", function (event) {
    var link = event.target.closest("a[href^='#']");
    var to = link ? document.getElementById(link.getAttribute("href").slice(1)) : null;
    if (to && to.matches("details") && !to.open) to.open = true;
  });

  /* Paper: everything open, but not the evidence of circuits that need no decision. */
  var folded = [];
  window.addEventListener("beforeprint", function () {
    document.querySelectorAll("details.circuit").forEach(putIn);
    folded = Array.from(document.querySelectorAll("details:not([open])")).filter(function (one) {
      return !one.matches(".settled details");
    });
    folded.forEach(function (d) { d.open = true; });
    document.documentElement.classList.add("printing");
  });
  window.addEventListener("afterprint", function () {
    folded.forEach(function (d) { d.open = false; });
    document.documentElement.classList.remove("printing");
    ways.view.redraw();
  });
})();
