/* Names of sites on the map. */
(function () {
  "use strict";
  var ways = window.waysapart, data = ways.data, pen = ways.pen;

  function covers(a, b) { return a[0] < b[2] && a[2] > b[0] && a[1] < b[3] && a[3] > b[1]; }

  /* Names of sites above all else: beside the site, or over or under it, where nothing is in the way. */
  ways.drawNames = function (view) {
    var ctx = view.ctx, names = [];
    ctx.font = "600 12px " + getComputedStyle(view.map.getContainer()).fontFamily;
    ctx.textBaseline = "middle";
    for (var i = 0; i < ways.points.n; i++) {
      if (!ways.isSite(i)) continue;
      var p = pen.at(view, i);
      if (!pen.seen(view, p[0], p[1])) continue;
      var name = data.points.name[i] || data.points.id[i];
      if (name.length > 40) name = name.slice(0, 39) + "…";
      var w = ctx.measureText(name).width;
      var boxes = [
        [p[0] + 11, p[1]], [p[0] - 11 - w, p[1]], [p[0] - w / 2, p[1] - 24], [p[0] - w / 2, p[1] + 24]
      ].map(function (c) { return [c[0] - 1, c[1] - 8, c[0] + w + 1, c[1] + 8]; });
      var inside = boxes.filter(function (box) {
        return box[0] > view.left && box[2] < view.left + view.sight.x;
      });
      var free = inside.filter(function (box) {
        return !view.taken.some(function (t) { return covers(t, box); });
      });
      var box = free[0] || inside[0] || boxes[0];
      if (names.some(function (t) { return covers(t, box); })) continue;
      names.push(box);
      view.taken.push(box);
      ctx.strokeStyle = view.colour.paper;
      ctx.lineWidth = 4;
      ctx.strokeText(name, box[0] + 1, box[1] + 8);
      ctx.fillStyle = view.colour.ink;
      ctx.fillText(name, box[0] + 1, box[1] + 8);
    }
  };
})();
