/* Names of sites on the map and, close enough, ids of all else: only where nothing is in the way. */
(function () {
  "use strict";
  var ways = window.waysapart, data = ways.data, pen = ways.pen;
  /* Pixels of map for each id: with less room in sight than this, no ids are written. */
  var ROOM_OF_IDS = 9000, MOST_LINES = 80;

  function shorter(text) { return text.length > 40 ? text.slice(0, 39) + "…" : text; }

  function inFrame(view, x, y) {
    return x > view.left && x < view.left + view.sight.x && y > view.top && y < view.top + view.sight.y;
  }

  /* Boxes of a text beside, over and under a mark, the readiest first. */
  function around(x, y, w, r, tall) {
    var h = tall / 2;
    return [
      [x + r, y], [x - r - w, y], [x - w / 2, y - r - h], [x - w / 2, y + r + h],
      [x + r * 0.7, y - r * 0.7 - h], [x + r * 0.7, y + r * 0.7 + h], [x - r * 0.7 - w, y - r * 0.7 - h], [x - r * 0.7 - w, y + r * 0.7 + h]
    ].map(function (c) { return [c[0], c[1] - h, c[0] + w, c[1] + h]; });
  }

  /* Sites at the ends of the chosen paths come first: where names are dense, theirs are written. */
  function siteOrder(view) {
    var sites = [], chosen = ways.chosen(), ends = [], l = ways.plant;
    if (chosen !== null) data.circuits[chosen].paths.forEach(function (path) {
      var s = path.segments;
      (s.length ? [s[0], s[s.length - 1]] : []).forEach(function (line) {
        ways.partsOf[line].forEach(function (p) { ends.push([l.x[l.start[p]], l.y[l.start[p]]], [l.x[l.start[p + 1] - 1], l.y[l.start[p + 1] - 1]]); });
      });
    });
    for (var i = 0; i < ways.points.n; i++) {
      if (!ways.isSite(i)) continue;
      var at = pen.at(view, i);
      if (!pen.seen(view, at[0], at[1])) continue;
      var first = data.points.id[i] === ways.picked || ends.some(function (end) {
        return Math.hypot(end[0] - ways.points.x[i], end[1] - ways.points.y[i]) * view.scale < 10;
      });
      sites.push({ i: i, x: at[0], y: at[1], first: first });
    }
    return sites.filter(function (s) { return s.first; }).concat(sites.filter(function (s) { return !s.first; }));
  }

  ways.drawNames = function (view) {
    var font = "600 12px " + getComputedStyle(view.map.getContainer()).fontFamily, sites = siteOrder(view);
    view.ctx.font = font;
    sites.forEach(function (s) { view.taken.push([s.x - view.site - 1, s.y - view.site - 1, s.x + view.site + 1, s.y + view.site + 1]); });
    sites.forEach(function (s) {
      var name = shorter(data.points.name[s.i] || data.points.id[s.i]);
      var w = view.ctx.measureText(name).width + 4;
      var box = pen.free(view, around(s.x, s.y, w, 10, 16)) || (s.first && pen.free(view, around(s.x, s.y, w, 26, 16)));
      if (box) pen.write(view, name, box, font, view.colour.ink);
    });
  };

  /* The part of an edge within the frame, or null (Liang and Barsky, 1984). */
  function cut(view, ax, ay, bx, by) {
    var t = [0, 1], dx = bx - ax, dy = by - ay;
    var within = [
      [-dx, ax - view.left], [dx, view.left + view.sight.x - ax], [-dy, ay - view.top], [dy, view.top + view.sight.y - ay]
    ].every(function (one) {
      if (one[0] === 0) return one[1] >= 0;
      var r = one[1] / one[0];
      if (one[0] < 0) t[0] = Math.max(t[0], r); else t[1] = Math.min(t[1], r);
      return t[0] < t[1];
    });
    return within ? [ax + t[0] * dx, ay + t[0] * dy, ax + t[1] * dx, ay + t[1] * dy] : null;
  }

  /* Places along what is in sight of a line, its middle first: where, across it, and how long it is. */
  function inSightOf(view, lines, parts) {
    var edges = [], long = 0;
    parts.forEach(function (p) {
      for (var i = lines.start[p]; i < lines.start[p + 1] - 1; i++) {
        var edge = cut(view, lines.x[i] * view.scale - view.dx, lines.y[i] * view.scale - view.dy, lines.x[i + 1] * view.scale - view.dx, lines.y[i + 1] * view.scale - view.dy);
        if (!edge) continue;
        var d = Math.hypot(edge[2] - edge[0], edge[3] - edge[1]);
        edges.push([edge, d]);
        long += d;
      }
    });
    return [0.5, 0.3, 0.7].map(function (share) {
      var left = long * share, at = null;
      edges.some(function (one) {
        if (left > one[1]) { left -= one[1]; return false; }
        var e = one[0], t = one[1] ? left / one[1] : 0;
        at = { x: e[0] + t * (e[2] - e[0]), y: e[1] + t * (e[3] - e[1]), nx: one[1] ? -(e[3] - e[1]) / one[1] : 0, ny: one[1] ? (e[2] - e[0]) / one[1] : 1, long: long };
        return true;
      });
      return at;
    }).filter(Boolean);
  }

  function beside(at, w, away) {
    return [1, -1].map(function (side) {
      var x = at.x + side * at.nx * (away + w / 2), y = at.y + side * at.ny * (away + 5);
      return [x - w / 2, y - 7, x + w / 2, y + 7];
    });
  }

  function linesInSight(view) {
    var found = new Map(), lines = ways.plant, view_ = [
      (view.dx + view.left) / view.scale, (view.dy + view.top) / view.scale,
      (view.dx + view.left + view.sight.x) / view.scale, (view.dy + view.top + view.sight.y) / view.scale
    ];
    for (var p = 0; p < lines.parts; p++) {
      var kind = pen.laid(data.plant.kinds[data.plant.kind[lines.of[p]]]);
      if (!ways.shown[kind] || !pen.inSight(lines, p, view_)) continue;
      if (!found.has(lines.of[p])) found.set(lines.of[p], []);
      found.get(lines.of[p]).push(p);
    }
    return found;
  }

  /* Ids of structures, segments and hazards, once few enough are in sight; the chosen paths first. */
  ways.drawIds = function (view) {
    var ctx = view.ctx, font = "11px " + getComputedStyle(document.documentElement).getPropertyValue("--mono");
    var structures = [], written = 0;
    ctx.font = font;
    function put(text, boxes, colour) {
      var box = pen.free(view, boxes);
      if (box) { pen.write(view, text, box, font, colour); written++; }
    }
    if (ways.shown.hazards) drawHazardIds(view, put);
    if (ways.shown.structures && !ways.crowded) {
      for (var i = 0; i < ways.points.n; i++) {
        var p = pen.at(view, i);
        if (!ways.isSite(i) && inFrame(view, p[0], p[1])) structures.push([i, p[0], p[1]]);
      }
      structures.forEach(function (s) { view.taken.push([s[1] - 5, s[2] - 5, s[1] + 5, s[2] + 5]); });
      if (structures.length <= view.sight.x * view.sight.y / ROOM_OF_IDS) structures.forEach(function (s) {
        var id = shorter(data.points.id[s[0]]);
        var w = ctx.measureText(id).width + 4;
        put(id, around(s[1], s[2], w, 8, 14).concat(around(s[1], s[2], w, 13, 14)), view.colour.ink);
      });
    }
    var lines = linesInSight(view), chosen = ways.chosen(), mine = new Set();
    if (lines.size <= MOST_LINES) {
      if (chosen !== null) data.circuits[chosen].paths.forEach(function (path) { path.segments.forEach(function (s) { mine.add(s); }); });
      var order = Array.from(lines.keys()).sort(function (a, b) { return mine.has(b) - mine.has(a) || a - b; });
      order.forEach(function (line) {
        var at = inSightOf(view, ways.plant, lines.get(line)), id = shorter(data.plant.id[line]);
        var w = ctx.measureText(id).width + 4;
        if (!at.length || at[0].long < w + 24) return;
        put(id, [].concat.apply([], at.map(function (one) { return beside(one, w, mine.has(line) ? 14 : 7); })), view.colour.soft);
      });
    }
    view.map.getContainer().dataset.ids = String(written);
  };

  function drawHazardIds(view, put) {
    var lines = ways.hazards, parts = new Map();
    for (var p = 0; p < lines.parts; p++) {
      if (!pen.inSight(lines, p, view.box)) continue;
      if (!parts.has(lines.of[p])) parts.set(lines.of[p], []);
      parts.get(lines.of[p]).push(p);
    }
    if (parts.size > MOST_LINES) return;
    parts.forEach(function (some, owner) {
      var id = shorter(data.hazards.id[owner]), w = view.ctx.measureText(id).width + 4;
      if (data.hazards.shape[owner] === "point") {
        var i = lines.start[some[0]];
        return put(id, around(lines.x[i] * view.scale - view.dx, lines.y[i] * view.scale - view.dy, w, 11, 14), view.colour.ink);
      }
      var box = lines.box, low = [Infinity, Infinity], high = [-Infinity, -Infinity];
      some.forEach(function (p) {
        low = [Math.min(low[0], box[4 * p]), Math.min(low[1], box[4 * p + 1])];
        high = [Math.max(high[0], box[4 * p + 2]), Math.max(high[1], box[4 * p + 3])];
      });
      var l = Math.max(low[0] * view.scale - view.dx, view.left), r = Math.min(high[0] * view.scale - view.dx, view.left + view.sight.x);
      var t = Math.max(low[1] * view.scale - view.dy, view.top), b = Math.min(high[1] * view.scale - view.dy, view.top + view.sight.y);
      if (r - l < w || b < t) return;
      var x = (l + r) / 2, y = (t + b) / 2;
      put(id, [[x, y], [x, t - 9], [x, b + 9]].map(function (c) { return [c[0] - w / 2, c[1] - 7, c[0] + w / 2, c[1] + 7]; }), view.colour.ink);
    });
  }
})();
