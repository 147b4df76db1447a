/* The strips: a press on a mark or bridge picks its asset; a line beneath names what is pointed at. */
(function () {
  "use strict";
  var ways = window.waysapart, REACH = 9, SAME_SPOT = 0.5;

  /* Of an even row of marks the ends alone are kept: [x, x, id, id, how many]. */
  function unpackMarks(packed) {
    var marks = [];
    packed.forEach(function (one) {
      if (one.length === 2) { marks.push(one); return; }
      var ids = ways.idsFrom(one[2], one[3], one[4]), step = (one[1] - one[0]) / (one[4] - 1);
      ids.forEach(function (id, k) { marks.push([one[0] + k * step, id]); });
    });
    return marks;
  }

  /* Ids of the marks of the lanes that lie nearest to a place on the drawing: a joint and its tower. */
  function marksAt(svg, event) {
    var frame = svg.getBoundingClientRect(), scale = svg.viewBox.baseVal.width / frame.width;
    var x = (event.clientX - frame.left) * scale, best = [], least = REACH;
    svg.querySelectorAll(".marks").forEach(function (lane) {
      var box = lane.getBoundingClientRect();
      if (event.clientY < box.top - 6 || event.clientY > box.bottom + 6) return;
      if (!lane.known) lane.known = unpackMarks(JSON.parse(lane.dataset.marks));
      lane.known.forEach(function (mark) {
        var away = Math.abs(mark[0] - x);
        if (away < least - SAME_SPOT) best = [];
        if (away < least + SAME_SPOT && away < REACH) best.push(mark[1]);
        least = Math.min(least, away);
      });
    });
    return best;
  }

  function assetsAt(svg, event) {
    var over = event.target.closest("[data-asset]");
    /* A diamond stands on the mark of the place; a band runs under all of them. */
    if (over && over.matches(".spots, .head")) return [over.dataset.asset];
    var marks = marksAt(svg, event);
    return marks.length || !over ? marks : [over.dataset.asset];
  }

  function named(id) {
    var told = ways.describe(id);
    var kind = told.kind || told.role.replace(/ies$/, "y").replace(/s$/, "");
    return (kind ? kind + " " : "") + id;
  }

  /* A drawing wider than its box begins at the first finding; the names of the lanes stay in sight. */
  function slide(box) {
    var svg = box.querySelector("svg.strip");
    if (!svg) return;
    var scale = svg.viewBox.baseVal.width / svg.getBoundingClientRect().width;
    svg.style.setProperty("--slid", box.scrollLeft * scale + "px");
  }

  function begin(box) {
    var svg = box.querySelector("svg.strip"), room = box.scrollWidth - box.clientWidth;
    if (!svg || room < 2 || box.begun) return;
    box.begun = true;
    if (svg.dataset.first) {
      var scale = svg.getBoundingClientRect().width / svg.viewBox.baseVal.width;
      box.scrollLeft = Math.max(0, Number(svg.dataset.first) * scale - box.clientWidth / 5);
    }
    slide(box);
  }

  var inSight = new IntersectionObserver(function (seen) {
    seen.forEach(function (one) { if (one.isIntersecting) begin(one.target); });
  }, { rootMargin: "200px" });
  function watch() { document.querySelectorAll(".strip-box").forEach(function (box) { inSight.observe(box); }); }
  watch();
  document.addEventListener("toggle", watch, true);
  document.addEventListener("scroll", function (event) {
    if (event.target.classList && event.target.classList.contains("strip-box")) slide(event.target);
  }, { capture: true, passive: true });

  document.addEventListener("pointermove", function (event) {
    var svg = event.target.closest("svg.strip");
    if (!svg) return;
    var said = assetsAt(svg, event).map(named).join(", ");
    if (said !== svg.told) svg.closest(".strip-box").querySelector(".strip-told").textContent = said;
    svg.told = said;
  });

  document.addEventListener("click", function (event) {
    var svg = event.target.closest("svg.strip"), ids = svg ? assetsAt(svg, event) : [];
    if (!ids.length) return;
    var owner = svg.closest("[data-circuit]");
    ways.toMap(ways.hashOf("asset", ids[0]), function () {
      if (owner) ways.choose(Number(owner.dataset.circuit), "strip");
      ways.pickAsset(ids[0], true);
    });
  });
})();
