/* Before and after: which paths of the chosen circuit the map shows. */
(function () {
  "use strict";
  var ways = window.waysapart, data = ways.data, when = document.getElementById("plan-when");
  var every = data.circuits.map(function (circuit) { return circuit.paths; });

  function of(circuit, wanted) {
    return every[circuit].filter(function (path) { return path.when === wanted; });
  }

  function turn() {
    data.circuits.forEach(function (circuit, index) {
      circuit.paths = when ? of(index, when.value === "before" ? "before" : "after") : every[index];
      circuit.left = when && when.value === "both" ? of(index, "left") : [];
    });
    ways.view.redraw();
  }

  /* Where the paths ran before and run no longer: round dots in the colour of the path. */
  ways.under.push(function (view) {
    var chosen = ways.chosen(), pen = ways.pen;
    if (chosen === null || !ways.shown.paths) return;
    data.circuits[chosen].left.forEach(function (path) {
      view.ctx.beginPath();
      path.segments.forEach(function (segment) {
        ways.partsOf[segment].forEach(function (p) { pen.trace(view, ways.plant, p); });
      });
      view.ctx.lineCap = "round";
      pen.stroke(view, view.colour.paper, 8);
      pen.stroke(view, path.path === "main" ? view.colour.main : view.colour.alternate, 5, [0.1, 9]);
      view.ctx.lineCap = "butt";
    });
  });

  if (when) when.addEventListener("change", turn);
  turn();
})();
