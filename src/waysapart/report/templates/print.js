/* Paper: what has to be signed stands open, the map of the chosen circuit is drawn for it, with the
   numbers of its findings. What is in the file alone stays folded. */
(function () {
  "use strict";
  var ways = window.waysapart, data = ways.data, root = document.documentElement;
  var list = document.getElementById("map-numbers"), MOST = 30;
  var opened = [], numbers = [], map = null;

  /* In the middle of what an entry names: of a stretch, its middle asset that has a place. */
  function middleOf(ids) {
    var places = ids.map(ways.placeOf).filter(function (id) { return id !== null; });
    var id = places[Math.floor((places.length - 1) / 2)];
    if (id === undefined) return null;
    if (ways.pointAt.has(id)) return [ways.points.x[ways.pointAt.get(id)], ways.points.y[ways.pointAt.get(id)]];
    var part = ways.partsOf[ways.plantAt.get(id)][0];
    if (part === undefined) return null;
    var k = Math.floor((ways.plant.start[part] + ways.plant.start[part + 1] - 1) / 2);
    return [ways.plant.x[k], ways.plant.y[k]];
  }

  /* Findings in the order in which the entry lists them: what is shared, then near and crossing. */
  function findingsOf(entry) {
    var found = [];
    entry.querySelectorAll(".circuit-body > .shared > li").forEach(function (item) {
      var what = item.querySelector(".what").cloneNode(true);
      what.querySelectorAll(".quiet").forEach(function (button) { button.remove(); });
      found.push({ says: what.textContent, at: middleOf(ways.idsIn(item)) });
    });
    entry.querySelectorAll("button.show-near").forEach(function (button) {
      var at = button.value.split(" ").map(Number), cells = Array.from(button.closest("tr").cells).slice(0, 5);
      found.push({
        says: cells.map(function (cell) { return cell.textContent.trim(); }).filter(Boolean).join(", "),
        at: [ways.across(at[0] + (at[0] < data.frame[0] - 1 ? 360 : 0)), ways.down(at[1])]
      });
    });
    return found.filter(function (one) { return one.at; }).slice(0, MOST);
  }

  function drawNumbers(view) {
    var ctx = view.ctx, drawn = [];
    numbers.forEach(function (one, k) {
      var x = one.at[0] * view.scale - view.dx + 15, y = one.at[1] * view.scale - view.dy - 13, text = String(k + 1);
      while (drawn.some(function (p) { return Math.abs(p[0] - x) < 17 && Math.abs(p[1] - y) < 17; })) x += 18;
      drawn.push([x, y]);
      ctx.beginPath();
      ctx.arc(x, y, 8.5, 0, 2 * Math.PI);
      ctx.fillStyle = view.colour.ink;
      ctx.fill();
      ctx.font = "700 11px sans-serif";
      ctx.textBaseline = "middle";
      ctx.fillStyle = view.colour.paper;
      ctx.fillText(text, x - ctx.measureText(text).width / 2, y + 0.5);
      view.taken.push([x - 9, y - 9, x + 9, y + 9]);
    });
  }

  function mapFor(circuit) {
    var entry = document.querySelector("details.circuit[data-circuit='" + circuit + "']");
    numbers = entry ? findingsOf(entry) : [];
    document.getElementById("map-of").textContent = "Circuit " + data.circuits[circuit].id +
      (numbers.length ? ", what was found of it by number:" : "");
    list.replaceChildren();
    numbers.forEach(function (one) {
      var item = document.createElement("li");
      item.textContent = one.says.replace(/\s+/g, " ").trim();
      list.appendChild(item);
    });
    root.classList.add("one-circuit");
    map = ways.view.kept();
    ways.map.invalidateSize({ animate: false });
    ways.view.showCircuit(circuit);
    ways.view.redraw();
  }

  window.addEventListener("beforeprint", function () {
    var chosen = ways.chosen(), entry = chosen === null ? null : document.querySelector("details.circuit[data-circuit='" + chosen + "']");
    opened = Array.from(document.querySelectorAll("main details:not([open])")).filter(function (one) {
      return one === entry || !one.matches(".settled:not(.circuit) details, .in-file, .in-file details");
    });
    opened.forEach(function (one) {
      if (one.matches("details.circuit")) ways.putIn(one);
      one.open = true;
    });
    root.classList.add("printing");
    if (chosen !== null && ways.map && list) mapFor(chosen);
    else ways.view.redraw();
  });

  window.addEventListener("afterprint", function () {
    opened.forEach(function (one) { one.open = false; });
    root.classList.remove("printing", "one-circuit");
    numbers = [];
    if (list) list.replaceChildren();
    if (ways.map) ways.map.invalidateSize({ animate: false });
    if (map) ways.view.restore(map);
    map = null;
    ways.view.redraw();
  });

  if (ways.top) ways.top.push(function (view) { if (numbers.length) drawNumbers(view); });
})();
