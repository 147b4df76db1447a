/* The measuring tool: a line from click to click, or from Enter to Enter, with its length. */
(function () {
  "use strict";
  var ways = window.waysapart, map = ways.map;
  var button = document.getElementById("plan-measure"), shown = document.getElementById("plan-length");
  var on = false, points = [];
  var A = 6378137, E2 = 0.00669437999014;

  /* Metres between two places of a line of some kilometres: radii of curvature of WGS 84 in the middle. */
  function metres(a, b) {
    var mid = (a.lat + b.lat) / 2 * Math.PI / 180, w = 1 - E2 * Math.sin(mid) * Math.sin(mid);
    var meridian = A * (1 - E2) / Math.pow(w, 1.5), normal = A / Math.sqrt(w);
    var north = (b.lat - a.lat) * Math.PI / 180 * meridian;
    var east = (b.lng - a.lng) * Math.PI / 180 * normal * Math.cos(mid);
    return Math.hypot(north, east);
  }

  function tell() {
    if (!on) { shown.textContent = ""; return; }
    if (!points.length) { shown.textContent = "Click the first place, or press Enter at the cross"; return; }
    var sum = 0, last = 0;
    for (var k = 1; k < points.length; k++) { last = metres(points[k - 1], points[k]); sum += last; }
    shown.textContent = ways.lengthSaid(sum) + (points.length > 2 ? " in all, the last part " + ways.lengthSaid(last) : "");
  }

  function turn(to) {
    on = to;
    points = [];
    button.setAttribute("aria-pressed", String(on));
    map.getContainer().classList.toggle("measuring", on);
    tell();
    ways.view.redraw();
  }

  button.addEventListener("click", function () { turn(!on); });
  ways.measuring = function () { return on; };
  ways.stopMeasuring = function () { turn(false); };
  ways.measureAt = function (latlng) { points.push(latlng); tell(); ways.view.redraw(); };
  ways.metres = metres;
  ways.drawMeasure = function (view) {
    if (!points.length) return;
    var ctx = view.ctx;
    ctx.beginPath();
    points.forEach(function (p, k) {
      var x = ways.across(p.lng) * view.scale - view.dx, y = ways.down(p.lat) * view.scale - view.dy;
      if (k) ctx.lineTo(x, y); else ctx.moveTo(x, y);
      ctx.moveTo(x + 3, y); ctx.arc(x, y, 3, 0, 2 * Math.PI); ctx.moveTo(x, y);
    });
    ctx.strokeStyle = view.colour.paper; ctx.lineWidth = 5; ctx.stroke();
    ctx.strokeStyle = view.colour.ink; ctx.lineWidth = 2; ctx.stroke();
  };
})();
