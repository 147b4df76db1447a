/* The strips: a press on a mark or bridge picks its asset; a line beneath names what is pointed at. */
(function () {
  "use strict";
  var ways = window.waysapart, REACH = 9;

  /* The mark of a lane that lies nearest to a place on the drawing. */
  function markAt(svg, event) {
    var frame = svg.getBoundingClientRect(), scale = svg.viewBox.baseVal.width / frame.width;
    var x = (event.clientX - frame.left) * scale, best = null, least = REACH;
    svg.querySelectorAll(".marks").forEach(function (lane) {
      var box = lane.getBoundingClientRect();
      if (event.clientY < box.top - 6 || event.clientY > box.bottom + 6) return;
      if (!lane.known) lane.known = JSON.parse(lane.dataset.marks);
      lane.known.forEach(function (mark) {
        var away = Math.abs(mark[0] - x);
        if (away < least) { least = away; best = mark; }
      });
    });
    return best;
  }

  document.querySelectorAll(".strip-box").forEach(function (box) {
    var svg = box.querySelector("svg.strip"), told = box.querySelector(".strip-told");
    svg.addEventListener("pointermove", function (event) {
      var over = event.target.closest("[data-asset]"), mark = markAt(svg, event);
      told.textContent = mark ? mark[1] + " " + mark[2] + ", " + (mark[3] / 1000).toFixed(2) + " km"
        : over ? over.dataset.asset : "";
    });
    svg.addEventListener("click", function (event) {
      var over = event.target.closest("[data-asset]"), mark = markAt(svg, event);
      var id = mark ? mark[2] : over ? over.dataset.asset : null;
      if (id === null) return;
      var owner = box.closest("[data-circuit]");
      if (owner) ways.choose(Number(owner.dataset.circuit), "strip");
      ways.pickAsset(id, true);
      document.getElementById("map").scrollIntoView();
    });
  });
})();
