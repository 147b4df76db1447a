/* What people do with the map: choose a circuit, pick an asset, find one, switch layers. */
(function () {
  "use strict";
  var ways = window.waysapart, data = ways.data;
  var holder = document.querySelector(".folium-map");
  var map = window[holder.id];
  var plan = new ways.Plan().addTo(map);
  var select = document.getElementById("plan-circuit");
  var card = document.getElementById("plan-card");
  var find = document.getElementById("plan-find");
  var foundList = document.getElementById("plan-found");
  var where = document.getElementById("plan-where");
  var MOST_FOUND = 12;

  holder.setAttribute("role", "region");
  holder.setAttribute("aria-labelledby", "map-label");

  if (data.tiles) {
    var credit = document.createElement("span");
    credit.textContent = data.tiles.attribution;
    L.tileLayer(data.tiles.url, { maxNativeZoom: data.tiles.max_zoom, maxZoom: 22 }).addTo(map);
    L.control.attribution({ prefix: false }).addAttribution(credit.innerHTML).addTo(map);
  }

  /* The wheel scrolls the page until the map has been clicked or reached by keyboard. */
  map.scrollWheelZoom.disable();
  map.on("focus", function () { map.scrollWheelZoom.enable(); });
  map.on("blur", function () { map.scrollWheelZoom.disable(); });
  map.on("mousemove", function (event) {
    var at = event.latlng.wrap();
    where.textContent = at.lat.toFixed(5) + "° N  " + at.lng.toFixed(5) + "° E";
  });

  function element(tag, text, className) {
    var made = document.createElement(tag);
    if (text !== undefined) made.textContent = text;
    if (className) made.className = className;
    return made;
  }

  function bounds(indices, lines) {
    var box = [2, 2, -1, -1];
    indices.forEach(function (p) {
      box[0] = Math.min(box[0], lines.box[4 * p]); box[1] = Math.min(box[1], lines.box[4 * p + 1]);
      box[2] = Math.max(box[2], lines.box[4 * p + 2]); box[3] = Math.max(box[3], lines.box[4 * p + 3]);
    });
    return box;
  }

  function latlng(x, y) {
    return [Math.atan(Math.sinh(Math.PI * (1 - 2 * y))) * 180 / Math.PI, x * 360 - 180];
  }

  function show(box, most) {
    if (box[2] < box[0]) return;
    map.fitBounds([latlng(box[0], box[1]), latlng(box[2], box[3])], {
      padding: [40, 40], maxZoom: most, animate: false
    });
  }

  function showCircuit(index) {
    if (index === null) {
      var f = data.frame;
      map.fitBounds([[f[1], f[0]], [f[3], f[2]]], { padding: [24, 24], animate: false });
      return;
    }
    var box = [2, 2, -1, -1];
    data.circuits[index].paths.forEach(function (path) {
      var parts = [];
      path.segments.forEach(function (s) { parts = parts.concat(ways.partsOf[s]); });
      var all = [bounds(parts, ways.plant), bounds(path.drawn.of.map(function (_, p) { return p; }), path.drawn)];
      all.forEach(function (b) {
        box = [Math.min(box[0], b[0]), Math.min(box[1], b[1]), Math.max(box[2], b[2]), Math.max(box[3], b[3])];
      });
    });
    show(box, 17);
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
      if (box) box.scrollTop = row.offsetTop - box.clientHeight / 2;
    }
    showCircuit(index);
    plan.redraw();
  });

  select.addEventListener("change", function () {
    ways.choose(select.value === "" ? null : Number(select.value), "list");
  });

  document.addEventListener("click", function (event) {
    if (!event.target.closest("#plan-layers")) document.getElementById("plan-layers").open = false;
    var button = event.target.closest("button.pick");
    if (button) {
      var index = Number(button.closest("[data-circuit]").dataset.circuit);
      ways.choose(ways.chosen() === index && button.closest("tr") ? null : index, "table");
      if (!button.closest("tr")) document.getElementById("map").scrollIntoView();
      return;
    }
    var asset = event.target.closest("button.asset");
    if (asset) {
      var owner = asset.closest("[data-circuit]");
      if (owner) ways.choose(Number(owner.dataset.circuit), "detail");
      pick(asset.value, true);
      document.getElementById("map").scrollIntoView();
    }
  });

  map.on("click", function (event) { pick(ways.pick(map, event.latlng), false); });

  function circuitButtons(term, indices) {
    var line = element("div");
    line.appendChild(element("dt", term));
    var dd = element("dd");
    if (!indices.length) dd.textContent = "none";
    indices.forEach(function (index) {
      var button = element("button", data.circuits[index].id, "chip");
      button.type = "button";
      button.addEventListener("click", function () { ways.choose(index, "card"); });
      dd.appendChild(button);
      dd.appendChild(document.createTextNode(" "));
    });
    line.appendChild(dd);
    return line;
  }

  function fact(term, text) {
    var line = element("div");
    line.appendChild(element("dt", term));
    line.appendChild(element("dd", text));
    return line;
  }

  /* A circuit is lost where every one of its paths relies on the asset. */
  function consequences(id) {
    var reliance = Object.hasOwn(data.reliance, id) ? data.reliance[id] : null;
    if (!reliance) return null;
    var hits = new Map();
    Object.keys(reliance).forEach(function (path) {
      reliance[path].forEach(function (c) { hits.set(c, (hits.get(c) || 0) + 1); });
    });
    var out = { lost: [], left: [] };
    hits.forEach(function (n, c) {
      var paths = data.circuits[c].paths.length || 2;
      (n >= paths ? out.lost : out.left).push(c);
    });
    return out;
  }

  function describe(id) {
    var line = ways.plantAt.get(id), point = ways.pointAt.get(id);
    var table = point !== undefined ? data.points : data.plant;
    var index = point !== undefined ? point : line;
    if (index === undefined) return { id: id, name: "", kind: "", role: "" };
    return {
      id: id, name: table.name[index],
      kind: table.kinds[table.kind[index]], role: table.roles[table.role[index]]
    };
  }

  function pick(id, move) {
    ways.picked = id;
    card.hidden = id === null;
    card.replaceChildren();
    markRows(null);
    if (id === null) { plan.redraw(); return; }
    var told = describe(id), facts = element("dl");
    var head = element("div", undefined, "card-head");
    head.appendChild(element("strong", told.id, "id"));
    var close = element("button", "Close", "quiet");
    close.type = "button";
    close.addEventListener("click", function () { pick(null, false); holder.focus({ preventScroll: true }); });
    head.appendChild(close);
    card.appendChild(head);
    if (told.name) facts.appendChild(fact("Name", told.name));
    if (told.kind) facts.appendChild(fact("Kind", told.kind));
    if (told.role) facts.appendChild(fact("Table", told.role));
    var shared = [];
    data.circuits.forEach(function (circuit, index) {
      if (circuit.shared.some(function (s) { return s.asset === id; })) shared.push(index);
    });
    if (shared.length) facts.appendChild(circuitButtons("Shared by both paths of", shared));
    var cut = consequences(id);
    if (cut) {
      facts.appendChild(circuitButtons("Its loss takes", cut.lost));
      facts.appendChild(circuitButtons("Its loss leaves one path of", cut.left));
    }
    card.appendChild(facts);
    markRows(cut ? cut.lost.concat(cut.left) : shared);
    if (move) {
      var point = ways.pointAt.get(id), line = ways.plantAt.get(id);
      if (point !== undefined) {
        map.setView(latlng(ways.points.x[point], ways.points.y[point]), Math.max(map.getZoom(), 15), { animate: false });
      } else if (line !== undefined) show(bounds(ways.partsOf[line], ways.plant), 17);
    }
    plan.redraw();
  }

  function markRows(indices) {
    document.querySelectorAll("tr[data-circuit]").forEach(function (row) {
      row.classList.toggle("relies", indices !== null && indices.indexOf(Number(row.dataset.circuit)) >= 0);
    });
  }

  find.addEventListener("input", function () {
    var wanted = find.value.trim().toLowerCase(), hits = [];
    foundList.replaceChildren();
    if (!wanted) return;
    [data.points, data.plant].forEach(function (table) {
      for (var i = 0; i < table.id.length && hits.length < MOST_FOUND; i++) {
        if (table.id[i].toLowerCase().indexOf(wanted) >= 0 || table.name[i].toLowerCase().indexOf(wanted) >= 0) {
          hits.push([table.id[i], table.name[i]]);
        }
      }
    });
    hits.forEach(function (hit) {
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
    if (!hits.length) foundList.appendChild(element("li", "Nothing on the map has this id or name."));
  });

  document.addEventListener("keydown", function (event) {
    if (event.key !== "Escape") return;
    if (foundList.childElementCount) foundList.replaceChildren();
    else if (ways.picked) pick(null, false);
    else ways.choose(null, "keyboard");
  });

  document.querySelectorAll("#plan-layers input").forEach(function (box) {
    box.addEventListener("change", function () {
      ways.shown[box.value] = box.checked;
      plan.redraw();
    });
  });

  window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", function () { plan.redraw(); });

  /* Paper: everything open, the map at the width of the sheet and in the colours of paper. */
  var folded = [];
  function toPaper(on) {
    document.documentElement.classList.toggle("printing", on);
    map.invalidateSize({ animate: false });
    if (on) showCircuit(ways.chosen());
    plan.redraw();
  }
  window.addEventListener("beforeprint", function () {
    folded = Array.from(document.querySelectorAll("details:not([open])"));
    folded.forEach(function (d) { d.open = true; });
    toPaper(true);
  });
  window.addEventListener("afterprint", function () {
    folded.forEach(function (d) { d.open = false; });
    toPaper(false);
  });
  window.addEventListener("resize", function () { map.invalidateSize({ animate: false }); });
})();
