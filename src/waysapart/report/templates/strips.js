/* The strips: a press on a mark or bridge picks its asset; a line beneath names what is pointed at. */
(function () {
  "use strict";
  var ways = window.waysapart, REACH = 9;

  /* Id of the mark of a lane that lies nearest to a place on the drawing. */
  function markAt(svg, event) {
    var frame = svg.getBoundingClientRect(), scale = svg.viewBox.baseVal.width / frame.width;
    var x = (event.clientX - frame.left) * scale, best = null, least = REACH;
    svg.querySelectorAll(".marks").forEach(function (lane) {
      var box = lane.getBoundingClientRect();
      if (event.clientY < box.top - 6 || event.clientY > box.bottom + 6) return;
      if (!lane.known) lane.known = JSON.parse(lane.dataset.marks);
      lane.known.forEach(function (mark) {
        var away = Math.abs(mark[0] - x);
        if (away < least) { least = away; best = mark[1]; }
      });
    });
    return best;
  }

  function assetAt(svg, event) {
    var over = event.target.closest("[data-asset]");
    return markAt(svg, event) || (over ? over.dataset.asset : null);
  }

  document.addEventListener("pointermove", function (event) {
    var svg = event.target.closest("svg.strip");
    if (!svg) return;
    var id = assetAt(svg, event), told = svg.closest(".strip-box").querySelector(".strip-told");
    if (id !== svg.told) told.textContent = id === null ? "" : ways.describe(id).kind + " " + id;
    svg.told = id;
  });

  document.addEventListener("click", function (event) {
    var svg = event.target.closest("svg.strip"), id = svg ? assetAt(svg, event) : null;
    if (id === null) return;
    var owner = svg.closest("[data-circuit]");
    if (owner) ways.choose(Number(owner.dataset.circuit), "strip");
    ways.pickAsset(id, true);
    document.getElementById("map").scrollIntoView();
  });
})();
