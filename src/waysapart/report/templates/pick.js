/* Finds the asset under a click. */
(function () {
  "use strict";
  var ways = window.waysapart, data = ways.data;

  /* What lies within a few pixels of a place: points before lines. */
  function pick(map, latlng) {
    var scale = 256 * Math.pow(2, map.getZoom()), reach = 10 / scale;
    var x = ways.across(latlng.lng), y = ways.down(latlng.lat), best = null, least = reach;
    for (var i = 0; i < ways.points.n; i++) {
      var d = Math.hypot(ways.points.x[i] - x, ways.points.y[i] - y);
      if (d < least && (ways.isSite(i) || (data.points.mark && data.points.mark[i]) || (ways.shown.structures && !ways.crowded))) { least = d; best = data.points.id[i]; }
    }
    if (best !== null) return best;
    var lines = ways.plant;
    for (var p = 0; p < lines.parts; p++) {
      if (lines.box[4 * p] > x + reach || lines.box[4 * p + 2] < x - reach ||
          lines.box[4 * p + 1] > y + reach || lines.box[4 * p + 3] < y - reach) continue;
      for (var k = lines.start[p]; k < lines.start[p + 1] - 1; k++) {
        var away = fromLine(x, y, lines.x[k], lines.y[k], lines.x[k + 1], lines.y[k + 1]);
        if (away < least) { least = away; best = data.plant.id[lines.of[p]]; }
      }
    }
    return best === null && ways.shown.hazards ? hazardUnder(x, y, reach) : best;
  }

  /* The hazard whose area holds the place, or whose line or point is near it. */
  function hazardUnder(x, y, reach) {
    var lines = ways.hazards, inside = new Map(), near = null;
    for (var p = 0; p < lines.parts; p++) {
      var owner = lines.of[p], area = data.hazards.shape[owner] === "area";
      for (var k = lines.start[p]; k < lines.start[p + 1]; k++) {
        var n = k + 1 < lines.start[p + 1] ? k + 1 : lines.start[p];
        if (!area && fromLine(x, y, lines.x[k], lines.y[k], lines.x[area ? n : Math.max(k, n)], lines.y[area ? n : Math.max(k, n)]) < reach) near = owner;
        if (area && (lines.y[k] > y) !== (lines.y[n] > y) &&
            x < (lines.x[n] - lines.x[k]) * (y - lines.y[k]) / (lines.y[n] - lines.y[k]) + lines.x[k]) {
          inside.set(owner, !inside.get(owner));
        }
      }
    }
    inside.forEach(function (odd, owner) { if (odd) near = owner; });
    return near === null ? null : data.hazards.id[near];
  }

  function fromLine(x, y, ax, ay, bx, by) {
    var dx = bx - ax, dy = by - ay, long2 = dx * dx + dy * dy;
    var t = long2 ? Math.max(0, Math.min(1, ((x - ax) * dx + (y - ay) * dy) / long2)) : 0;
    return Math.hypot(x - ax - t * dx, y - ay - t * dy);
  }

  ways.pick = pick;
})();
