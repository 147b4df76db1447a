/* Draws the map: one canvas, all styles from the page's colours, only what is in sight. */
(function () {
  "use strict";
  var ways = window.waysapart, data = ways.data;
  var shown = {
    overhead: true, buried: true, subsea: true, structures: true,
    hazards: true, paths: true, findings: true, worst: true, grid: true
  };
  var LAID = {
    span: "overhead", duct: "buried", subduct: "buried", trench: "buried", buried: "buried",
    tunnel: "buried", tray: "buried", riser: "buried", bridge: "buried", subsea: "subsea"
  };
  var DASH = { overhead: [], buried: [1.5, 3], subsea: [9, 3, 1.5, 3] };
  /* Pixels of map needed for each structure in sight; with less, they hide the lines they stand on. */
  var ROOM = 4000;

  /* Dots for each pixel of the page: paper shows three times as many as a plain screen. */
  function dots() {
    return (window.devicePixelRatio || 1) * (document.documentElement.classList.contains("printing") ? 3 : 1);
  }

  function laid(kind) { return Object.hasOwn(LAID, kind) ? LAID[kind] : "buried"; }

  var Plan = L.Layer.extend({
    onAdd: function (map) {
      this._canvas = L.DomUtil.create("canvas", "plan-canvas", map.getPane("overlayPane"));
      this._canvas.setAttribute("aria-hidden", "true");
      map.on("moveend zoomend resize viewreset", this.redraw, this);
      this.redraw();
    },

    redraw: function () {
      var map = this._map, size = map.getSize(), pad = 0.25;
      var ratio = dots();
      var width = Math.round(size.x * (1 + 2 * pad)), height = Math.round(size.y * (1 + 2 * pad));
      var corner = map.containerPointToLayerPoint([-size.x * pad, -size.y * pad]).round();
      var canvas = this._canvas, origin = map.getPixelOrigin();
      L.DomUtil.setPosition(canvas, corner);
      canvas.width = width * ratio;
      canvas.height = height * ratio;
      canvas.style.width = width + "px";
      canvas.style.height = height + "px";
      var ctx = canvas.getContext("2d");
      ctx.setTransform(ratio, 0, 0, ratio, 0, 0);
      ctx.lineJoin = "round";
      var scale = 256 * Math.pow(2, map.getZoom());
      var view = {
        ctx: ctx, scale: scale, dx: origin.x + corner.x, dy: origin.y + corner.y,
        width: width, height: height, left: size.x * pad, top: size.y * pad,
        sight: size, map: map, taken: [], busy: new Set(), colour: colours(map.getContainer())
      };
      view.box = [view.dx / scale, view.dy / scale, (view.dx + width) / scale, (view.dy + height) / scale];
      keepClear(view);
      if (shown.grid) drawGrid(view);
      drawBackdrops(view);
      if (shown.hazards) drawHazards(view);
      drawPickedLines(view);
      if (shown.findings) drawBands(view);
      drawPlant(view);
      ways.under.forEach(function (draw) { draw(view); });
      if (shown.paths) drawPaths(view);
      if (shown.findings && ways.chosen() !== null) drawShared(view, ways.chosen());
      if (shown.structures) drawStructures(view);
      ways.over.forEach(function (draw) { draw(view); });
      drawSites(view);
      if (shown.worst) drawWorst(view);
      if (shown.findings) drawFindings(view);
      ways.top.forEach(function (draw) { draw(view); });
      drawPicked(view);
      ways.drawNames(view);
      ways.drawIds(view);
      if (ways.drawMeasure) ways.drawMeasure(view);
      canvas.dataset.drawn = String(Number(canvas.dataset.drawn || 0) + 1);
    }
  });

  function colours(element) {
    var style = getComputedStyle(element), out = {};
    ["ink", "soft", "faint", "paper", "main", "alternate", "common", "near", "hazard"].forEach(
      function (name) { out[name] = style.getPropertyValue("--" + name).trim(); }
    );
    return out;
  }

  function inSight(lines, part, box) {
    var b = lines.box, i = 4 * part;
    return b[i] <= box[2] && b[i + 2] >= box[0] && b[i + 1] <= box[3] && b[i + 3] >= box[1];
  }

  /* Adds one line to the path; steps shorter than a pixel are left out. */
  function trace(view, lines, part) { course(view, lines, [part]); }

  /* Adds lines in their order as one course, each turned so that it goes on from the one before:
     dashes run on and an outline has no ends within. Steps shorter than a pixel are left out. */
  function course(view, lines, parts) {
    var ctx = view.ctx, reach = 1.5 / view.scale, last = -1, end = -1, px = 0, py = 0, qx = 0, qy = 0, pending = false;
    function meets(i, j) { return Math.abs(lines.x[i] - lines.x[j]) < reach && Math.abs(lines.y[i] - lines.y[j]) < reach; }
    for (var k = 0; k < parts.length; k++) {
      var p = parts[k], a = lines.start[p], b = lines.start[p + 1] - 1, next = parts[k + 1], joined = false, turned = false;
      if (p === last) continue;
      last = p;
      if (!inSight(lines, p, view.box)) { end = -1; continue; }
      if (end >= 0 && meets(end, a)) joined = true;
      else if (end >= 0 && meets(end, b)) joined = turned = true;
      else if (next !== undefined) {
        var c = lines.start[next], d = lines.start[next + 1] - 1;
        turned = (meets(a, c) || meets(a, d)) && !meets(b, c) && !meets(b, d);
      }
      for (var n = 0; n <= b - a; n++) {
        var i = turned ? b - n : a + n, x = lines.x[i] * view.scale - view.dx, y = lines.y[i] * view.scale - view.dy;
        if (n === 0 && !joined) {
          if (pending) ctx.lineTo(qx, qy);
          ctx.moveTo(x, y);
          px = qx = x; py = qy = y;
          pending = true;
        } else if (Math.abs(x - px) + Math.abs(y - py) >= 1) {
          ctx.lineTo(x, y);
          px = x; py = y;
          pending = false;
        } else {
          qx = x; qy = y;
          pending = true;
        }
      }
      end = turned ? a : b;
    }
    if (pending) ctx.lineTo(qx, qy);
  }

  /* Notes where paths and bands run, in cells of eight pixels: names keep off them where they can. */
  function keepOff(view, lines, parts) { cells(view, lines, parts, 8, view.busy); }

  /* Puts the cells of so many pixels that lines run through into a set. */
  function cells(view, lines, parts, size, into) {
    parts.forEach(function (p) {
      if (!inSight(lines, p, view.box)) return;
      for (var i = lines.start[p], last = lines.start[p + 1] - 1; i < last; i++) {
        var x = lines.x[i] * view.scale - view.dx, y = lines.y[i] * view.scale - view.dy;
        var dx = lines.x[i + 1] * view.scale - view.dx - x, dy = lines.y[i + 1] * view.scale - view.dy - y;
        var part = [0, 1];
        if (Math.abs(dx) + Math.abs(dy) > 50) { within(part, x, dx, view.width); within(part, y, dy, view.height); }
        if (part[0] > part[1]) continue;
        var steps = Math.ceil((part[1] - part[0]) * Math.hypot(dx, dy) / size);
        for (var k = 0; k <= steps; k++) {
          var t = part[0] + (part[1] - part[0]) * (steps ? k / steps : 0);
          into.add(Math.floor((x + t * dx) / size) * 4096 + Math.floor((y + t * dy) / size));
        }
      }
    });
  }

  /* Narrows a part of an edge to what lies between nought and a limit on one axis. */
  function within(part, from, by, limit) {
    if (by === 0) { if (from < 0 || from > limit) part[1] = -1; return; }
    var a = -from / by, b = (limit - from) / by;
    part[0] = Math.max(part[0], Math.min(a, b));
    part[1] = Math.min(part[1], Math.max(a, b));
  }

  function isBusy(view, box) {
    for (var i = Math.floor(box[0] / 8); i <= Math.floor(box[2] / 8); i++) {
      for (var j = Math.floor(box[1] / 8); j <= Math.floor(box[3] / 8); j++) if (view.busy.has(i * 4096 + j)) return true;
    }
    return false;
  }

  function partsOfAll(segments) {
    var parts = [];
    segments.forEach(function (s) { ways.partsOf[s].forEach(function (p) { parts.push(p); }); });
    return parts;
  }

  function stroke(view, colour, width, dash) {
    view.ctx.strokeStyle = colour;
    view.ctx.lineWidth = width;
    view.ctx.setLineDash(dash || []);
    view.ctx.stroke();
    view.ctx.setLineDash([]);
  }

  function drawPlant(view) {
    Object.keys(DASH).forEach(function (group) {
      if (!shown[group]) return;
      view.ctx.beginPath();
      for (var p = 0; p < ways.plant.parts; p++) {
        var kind = data.plant.kinds[data.plant.kind[ways.plant.of[p]]];
        if (laid(kind) === group && inSight(ways.plant, p, view.box)) trace(view, ways.plant, p);
      }
      stroke(view, view.colour.soft, 1.25, DASH[group]);
    });
  }

  function tracePath(view, path) {
    view.ctx.beginPath();
    var parts = partsOfAll(path.segments);
    course(view, ways.plant, parts);
    keepOff(view, ways.plant, parts);
    for (var p = 0; p < path.drawn.parts; p++) trace(view, path.drawn, p);
  }

  /* The main path is a broad solid band; the others are dashes that stay readable on top of it. */
  function drawPaths(view) {
    var chosen = ways.chosen();
    if (chosen === null) return;
    data.circuits[chosen].paths.forEach(function (path) {
      if (path.path !== "main") return;
      tracePath(view, path);
      stroke(view, view.colour.paper, 9);
      stroke(view, view.colour.main, 6);
    });
    data.circuits[chosen].paths.forEach(function (path) {
      if (path.path === "main") return;
      tracePath(view, path);
      stroke(view, view.colour.paper, 5);
      stroke(view, view.colour.alternate, 3, [10, 5]);
    });
  }

  function at(view, index) {
    return [ways.points.x[index] * view.scale - view.dx, ways.points.y[index] * view.scale - view.dy];
  }

  function seen(view, x, y) { return x > -20 && y > -20 && x < view.width + 20 && y < view.height + 20; }

  function shape(ctx, kind, x, y, r) {
    ctx.beginPath();
    if (kind === "tower" || kind === "gantry" || kind === "pole") {
      ctx.moveTo(x, y - r); ctx.lineTo(x + r, y + r * 0.8); ctx.lineTo(x - r, y + r * 0.8); ctx.closePath();
    } else if (kind === "diamond") {
      ctx.moveTo(x, y - r); ctx.lineTo(x + r, y); ctx.lineTo(x, y + r); ctx.lineTo(x - r, y); ctx.closePath();
    } else if (kind === "pit" || kind === "entry" || kind === "site") {
      ctx.rect(x - r * 0.85, y - r * 0.85, r * 1.7, r * 1.7);
    } else {
      ctx.arc(x, y, r * 0.9, 0, 2 * Math.PI);
    }
  }

  function isSite(index) { return data.points.roles[data.points.role[index]] === "sites"; }

  function drawStructures(view) {
    var ctx = view.ctx, drawn = [], right = view.left + view.sight.x, bottom = view.top + view.sight.y;
    var inView = 0;
    for (var i = 0; i < ways.points.n; i++) {
      var p = at(view, i);
      if (isSite(i) || !seen(view, p[0], p[1])) continue;
      drawn.push([i, p[0], p[1]]);
      if (p[0] > view.left && p[0] < right && p[1] > view.top && p[1] < bottom) inView++;
    }
    ways.crowded = inView > view.sight.x * view.sight.y / ROOM;
    if (ways.crowded) return;
    var r = 4;
    ctx.fillStyle = view.colour.paper;
    ctx.strokeStyle = view.colour.soft;
    ctx.lineWidth = 1.1;
    drawn.forEach(function (d) {
      var kind = data.points.kinds[data.points.kind[d[0]]];
      shape(ctx, kind, d[1], d[2], r);
      ctx.fill();
      ctx.stroke();
      if (kind === "entry") {
        ctx.beginPath();
        ctx.moveTo(d[1] - r * 0.85, d[2]); ctx.lineTo(d[1] + r * 0.85, d[2]);
        ctx.stroke();
      }
    });
  }

  /* Layers without a role, faint: an edge along the box to which they are cut is no edge of theirs. */
  function drawBackdrops(view) {
    var lines = ways.backdrops, ctx = view.ctx, box = data.backdrops.box;
    if (!lines.parts) return;
    var west = ways.across(box[0]), east = ways.across(box[2]), north = ways.down(box[3]), south = ways.down(box[1]);
    function onEdge(i, j) {
      function both(axis, edge) { return Math.abs(axis[i] - edge) < 1e-8 && Math.abs(axis[j] - edge) < 1e-8; }
      return both(lines.x, west) || both(lines.x, east) || both(lines.y, north) || both(lines.y, south);
    }
    data.backdrops.layer.forEach(function (layer, feature) {
      if (shown["backdrop-" + layer] === false) return;
      var shape = data.backdrops.shape[feature], mine = [];
      for (var p = 0; p < lines.parts; p++) if (lines.of[p] === feature && inSight(lines, p, view.box)) mine.push(p);
      ctx.beginPath();
      if (shape === "point") {
        mine.forEach(function (part) {
          var i = lines.start[part], x = lines.x[i] * view.scale - view.dx, y = lines.y[i] * view.scale - view.dy;
          ctx.moveTo(x + 2, y);
          ctx.arc(x, y, 2, 0, 2 * Math.PI);
        });
      } else mine.forEach(function (part) { trace(view, lines, part); });
      ctx.fillStyle = view.colour.soft;
      if (shape !== "line") {
        ctx.globalAlpha = shape === "area" ? 0.09 : 0.45;
        ctx.fill("evenodd");
      }
      if (shape === "area") {
        ctx.beginPath();
        mine.forEach(function (part) {
          for (var i = lines.start[part]; i < lines.start[part + 1] - 1; i++) {
            if (onEdge(i, i + 1)) continue;
            ctx.moveTo(lines.x[i] * view.scale - view.dx, lines.y[i] * view.scale - view.dy);
            ctx.lineTo(lines.x[i + 1] * view.scale - view.dx, lines.y[i + 1] * view.scale - view.dy);
          }
        });
      }
      ctx.globalAlpha = 0.45;
      if (shape !== "point") stroke(view, view.colour.soft, 1);
      ctx.globalAlpha = 1;
    });
  }

  /* Under the plant: where paths are near, so that both lanes lie on it; with no circuit chosen, what any circuit shares. */
  function drawBands(view) {
    var chosen = ways.chosen(), ctx = view.ctx;
    ctx.lineCap = "round";
    if (chosen === null) {
      var parts = partsOfAll(sharedLines());
      if (parts.length) {
        ctx.beginPath();
        course(view, ways.plant, parts);
        keepOff(view, ways.plant, parts);
        stroke(view, view.colour.ink, 6.5);
        stroke(view, view.colour.common, 4.5);
      }
    }
    /* Smaller than the band is wide it would be a dot: its mark alone tells of it. */
    function tiny(lines, p) {
      var b = lines.box, i = 4 * p;
      return Math.hypot(b[i + 2] - b[i], b[i + 3] - b[i + 1]) * view.scale < (chosen === null ? 8 : 3);
    }
    var any = false;
    ctx.beginPath();
    data.close.forEach(function (one) {
      if (chosen !== null && chosen !== one.circuit) return;
      for (var p = 0; p < one.drawn.parts; p++) {
        if (inSight(one.drawn, p, view.box) && !tiny(one.drawn, p)) { trace(view, one.drawn, p); any = true; }
      }
    });
    if (any) {
      var wide = chosen === null ? 9 : 15;
      stroke(view, view.colour.ink, wide + 2);
      stroke(view, view.colour.near, wide);
    }
    ctx.lineCap = "butt";
  }

  /* Numbers of the lines that any circuit shares, in their order; the list is made once. */
  var sharedKept = null, sharedCount = -1;
  function sharedLines() {
    var count = 0;
    data.circuits.forEach(function (circuit) { count += circuit.shared.length; });
    if (count !== sharedCount) {
      var found = new Set();
      data.circuits.forEach(function (circuit) {
        circuit.shared.forEach(function (one) {
          var line = ways.plantAt.get(one.asset);
          if (line !== undefined) found.add(line);
        });
      });
      sharedCount = count;
      sharedKept = Array.from(found).sort(function (a, b) { return a - b; });
    }
    return sharedKept;
  }

  /* Where controls stand on the map nothing is written. */
  function keepClear(view) {
    var l = view.left, t = view.top, r = l + view.sight.x, b = t + view.sight.y;
    view.taken.push([l, t, l + 48, t + 80], [r - 44, t, r, t + 60], [l, b - 52, l + 110, b - 22]);
  }

  /* A hazard is hatched, so that it reads as an area in grey as well. */
  function drawHazards(view) {
    var ctx = view.ctx, tile = document.createElement("canvas"), ratio = dots();
    tile.width = tile.height = 8 * ratio;
    var hatch = tile.getContext("2d");
    hatch.scale(ratio, ratio);
    hatch.strokeStyle = view.colour.hazard;
    hatch.lineWidth = 0.9;
    hatch.beginPath();
    [-8, 0, 8].forEach(function (k) { hatch.moveTo(k - 1, 9); hatch.lineTo(k + 9, -1); });
    hatch.stroke();
    var pattern = ctx.createPattern(tile, "repeat");
    pattern.setTransform(new DOMMatrix().scale(1 / ratio));
    var byOwner = new Map();
    for (var p = 0; p < ways.hazards.parts; p++) {
      var owner = ways.hazards.of[p];
      if (!byOwner.has(owner)) byOwner.set(owner, []);
      byOwner.get(owner).push(p);
    }
    byOwner.forEach(function (parts, owner) {
      var form = data.hazards.shape[owner];
      ctx.beginPath();
      parts.forEach(function (part) {
        if (form === "point") {
          var i = ways.hazards.start[part];
          var x = ways.hazards.x[i] * view.scale - view.dx, y = ways.hazards.y[i] * view.scale - view.dy;
          ctx.moveTo(x + 9, y);
          ctx.arc(x, y, 9, 0, 2 * Math.PI);
        } else {
          trace(view, ways.hazards, part);
          if (form === "area") ctx.closePath();
        }
      });
      if (form === "line") return stroke(view, pattern, 10);
      ctx.fillStyle = pattern;
      ctx.fill("evenodd");
      stroke(view, view.colour.hazard, 1, [2, 3]);
    });
  }

  function middle(view, segment) {
    var p = ways.partsOf[segment][0], s = ways.plant.start[p], e = ways.plant.start[p + 1] - 1;
    var m = Math.floor((s + e) / 2), n = Math.min(m + 1, e), even = (e - s) % 2 === 1;
    var x = even ? (ways.plant.x[m] + ways.plant.x[n]) / 2 : ways.plant.x[m];
    var y = even ? (ways.plant.y[m] + ways.plant.y[n]) / 2 : ways.plant.y[m];
    return [x * view.scale - view.dx, y * view.scale - view.dy];
  }

  var hazardAt = new Map(data.hazards.id.map(function (id, i) { return [id, ways.hazards.of.indexOf(i)]; }));

  /* The middle vertex of its first part: on a line or an outline, so never in the sea beside it. */
  function hazardMiddle(view, part) {
    var i = Math.floor((ways.hazards.start[part] + ways.hazards.start[part + 1] - 1) / 2);
    return [ways.hazards.x[i] * view.scale - view.dx, ways.hazards.y[i] * view.scale - view.dy];
  }

  function positionOf(view, found) {
    var id = found.asset;
    if (ways.pointAt.has(id)) return at(view, ways.pointAt.get(id));
    if (ways.plantAt.has(id)) return middle(view, ways.plantAt.get(id));
    if (hazardAt.has(id)) return hazardMiddle(view, hazardAt.get(id));
    return null;
  }

  function diamond(view, x, y, filled) {
    var ctx = view.ctx;
    shape(ctx, "diamond", x, y, 8);
    ctx.fillStyle = filled ? view.colour.common : view.colour.paper;
    ctx.fill();
    stroke(view, view.colour.ink, 1.75);
    view.taken.push([x - 9, y - 9, x + 9, y + 9]);
  }

  /* What both paths rely on: a band along shared lines with both lanes on it, one outline for all of
     it; diamonds, filled unless waived, on single things, and along a band only so many as stand clear. */
  function drawFindings(view) {
    var chosen = ways.chosen();
    var single = [], along = [], done = new Set(), band = chosen === null ? view.busy : new Set(), near = new Map();
    data.circuits.forEach(function (circuit, index) {
      if (chosen !== null && chosen !== index) return;
      circuit.shared.forEach(function (found) {
        if (done.has(found.asset)) return;
        done.add(found.asset);
        var line = ways.plantAt.get(found.asset), p = positionOf(view, found);
        if (line !== undefined && chosen !== null) cells(view, ways.plant, ways.partsOf[line], 8, band);
        if (p && seen(view, p[0], p[1])) (line === undefined ? single : along).push([p[0], p[1], found]);
      });
    });
    /* Whether a diamond stands clear of those drawn, which are kept by cells of 100 pixels, the greatest room. */
    function stands(x, y, room) {
      for (var i = -1; i <= 1; i++) for (var j = -1; j <= 1; j++) {
        var some = near.get((Math.floor(x / 100) + i) * 4096 + Math.floor(y / 100) + j) || [];
        for (var k = 0; k < some.length; k++) if (Math.abs(some[k][0] - x) < room && Math.abs(some[k][1] - y) < room) return false;
      }
      return true;
    }
    function place(list, room) {
      list.forEach(function (one) {
        if (!stands(one[0], one[1], room)) return;
        var key = Math.floor(one[0] / 100) * 4096 + Math.floor(one[1] / 100);
        if (!near.has(key)) near.set(key, []);
        near.get(key).push(one);
        diamond(view, one[0], one[1], !one[2].waived);
      });
    }
    function onBand(one) {
      return [-6, 0, 6].some(function (dx) {
        return [-6, 0, 6].some(function (dy) {
          return band.has(Math.floor((one[0] + dx) / 8) * 4096 + Math.floor((one[1] + dy) / 8));
        });
      });
    }
    place(single.filter(function (one) { return !onBand(one); }), 9);
    place(along.concat(single.filter(onBand)), 100);
    var marks = data.marks.filter(function (mark) { return chosen === null || chosen === mark.circuit; });
    marks.map(function (mark) { return drawMark(view, mark); }).forEach(function (write) { write(); });
  }

  function drawShared(view, chosen) {
    var lines = new Set();
    data.circuits[chosen].shared.forEach(function (found) {
      var line = ways.plantAt.get(found.asset);
      if (line !== undefined) lines.add(line);
    });
    if (!lines.size) return;
    var rest = new Set(lines), ctx = view.ctx, paths = data.circuits[chosen].paths;
    ctx.beginPath();
    paths.forEach(function (path) {
      var mine = path.segments.filter(function (s) { return rest.delete(s); });
      course(view, ways.plant, partsOfAll(mine));
    });
    course(view, ways.plant, partsOfAll(rest));
    ctx.lineCap = "round";
    stroke(view, view.colour.ink, 14);
    stroke(view, view.colour.common, 11.5);
    ctx.lineCap = "butt";
    paths.slice().sort(function (a, b) { return (b.path === "main") - (a.path === "main"); }).forEach(function (path) {
      ctx.beginPath();
      course(view, ways.plant, partsOfAll(path.segments.filter(function (s) { return lines.has(s); })));
      if (path.path === "main") stroke(view, view.colour.main, 5);
      else stroke(view, view.colour.alternate, 2.5, [10, 5]);
    });
  }

  /* The places on both segments of a near pair that are nearest to its position, in map units. */
  function endsOf(mark) {
    if (mark.ends === undefined) {
      var x = ways.across(mark.at[0]), y = ways.down(mark.at[1]);
      var two = [mark.main, mark.alternate].map(function (id) {
        var line = ways.plantAt.get(id), best = null, least = Infinity, l = ways.plant;
        (line === undefined ? [] : ways.partsOf[line]).forEach(function (p) {
          for (var i = l.start[p]; i < l.start[p + 1] - 1; i++) {
            var ex = l.x[i + 1] - l.x[i], ey = l.y[i + 1] - l.y[i], long2 = ex * ex + ey * ey;
            var t = long2 ? Math.max(0, Math.min(1, ((x - l.x[i]) * ex + (y - l.y[i]) * ey) / long2)) : 0;
            var d = Math.hypot(x - l.x[i] - t * ex, y - l.y[i] - t * ey);
            if (d < least) { least = d; best = [l.x[i] + t * ex, l.y[i] + t * ey]; }
          }
        });
        return best;
      });
      mark.ends = two[0] && two[1] && !data.moved_m ? two : null;
    }
    return mark.ends;
  }

  /* A near place or a crossing. Near, it stands beside a dimension line once there is room for one.
     Returns what writes its distance, after all marks are drawn. */
  function drawMark(view, mark) {
    var x = ways.across(mark.at[0]) * view.scale - view.dx, y = ways.down(mark.at[1]) * view.scale - view.dy;
    var ends = mark.what === "near" ? endsOf(mark) : null, nothing = function () {}, clear = false;
    if (!seen(view, x, y)) return nothing;
    if (ends) {
      var a = [ends[0][0] * view.scale - view.dx, ends[0][1] * view.scale - view.dy];
      var b = [ends[1][0] * view.scale - view.dx, ends[1][1] * view.scale - view.dy];
      var gap = Math.hypot(b[0] - a[0], b[1] - a[1]);
      if (gap > 2.5) {
        var d = [(b[0] - a[0]) / gap, (b[1] - a[1]) / gap], reach = 34, sign = d[1] > 0 ? -1 : 1;
        var foot = sign > 0 ? b : a, at = [foot[0] + sign * d[0] * reach, foot[1] + sign * d[1] * reach];
        dimension(view, a, b, d, gap, foot, at);
        x = at[0]; y = at[1];
        clear = true;
      }
    }
    glyph(view, mark, x, y);
    return mark.distance_m === null || mark.what !== "near" ? nothing : function () { value(view, ways.lengthSaid(mark.distance_m) + (mark.length_m ? " over " + ways.lengthSaid(mark.length_m) : ""), x, y, clear); };
  }

  /* Ends at both lanes: arrows from within where there is room, else from outside. */
  function dimension(view, a, b, d, gap, foot, at) {
    var ctx = view.ctx, inside = gap > 30;
    function arrow(tip, way) {
      var bx = tip[0] - way * d[0] * 7, by = tip[1] - way * d[1] * 7;
      ctx.moveTo(bx - d[1] * 3.5, by + d[0] * 3.5); ctx.lineTo(tip[0], tip[1]); ctx.lineTo(bx + d[1] * 3.5, by - d[0] * 3.5);
    }
    function lines() {
      ctx.beginPath();
      ctx.moveTo(foot[0], foot[1]); ctx.lineTo(at[0], at[1]);
      if (inside) { ctx.moveTo(a[0], a[1]); ctx.lineTo(b[0], b[1]); }
      else {
        ctx.moveTo(a[0] - d[0] * 16, a[1] - d[1] * 16); ctx.lineTo(a[0], a[1]);
        ctx.moveTo(b[0] + d[0] * 16, b[1] + d[1] * 16); ctx.lineTo(b[0], b[1]);
      }
      arrow(a, inside ? -1 : 1); arrow(b, inside ? 1 : -1);
    }
    lines(); stroke(view, view.colour.paper, 4.5);
    lines(); stroke(view, view.colour.ink, 1.5);
    [[foot, at], inside ? [a, b] : [[a[0] - d[0] * 16, a[1] - d[1] * 16], [b[0] + d[0] * 16, b[1] + d[1] * 16]]].forEach(function (e) {
      view.taken.push([Math.min(e[0][0], e[1][0]) - 5, Math.min(e[0][1], e[1][1]) - 5, Math.max(e[0][0], e[1][0]) + 5, Math.max(e[0][1], e[1][1]) + 5]);
    });
  }

  function glyph(view, mark, x, y) {
    var ctx = view.ctx;
    ctx.beginPath();
    ctx.arc(x, y, 8, 0, 2 * Math.PI);
    ctx.fillStyle = mark.waived ? view.colour.paper : view.colour.near;
    ctx.fill();
    stroke(view, view.colour.ink, 1.75);
    ctx.beginPath();
    if (mark.what === "near") {
      ctx.moveTo(x - 2.5, y - 4); ctx.lineTo(x - 2.5, y + 4);
      ctx.moveTo(x + 2.5, y - 4); ctx.lineTo(x + 2.5, y + 4);
    } else {
      ctx.moveTo(x - 3.5, y - 3.5); ctx.lineTo(x + 3.5, y + 3.5);
      ctx.moveTo(x + 3.5, y - 3.5); ctx.lineTo(x - 3.5, y + 3.5);
    }
    stroke(view, mark.waived ? view.colour.ink : "#1b2127", 2);
    view.taken.push([x - 9, y - 9, x + 9, y + 9]);
  }

  function covers(a, b) { return a[0] < b[2] && a[2] > b[0] && a[1] < b[3] && a[3] > b[1]; }

  function write(view, text, box, font, colour) {
    view.ctx.font = font;
    view.ctx.textBaseline = "middle";
    view.ctx.strokeStyle = view.colour.paper;
    view.ctx.lineWidth = 4;
    view.ctx.strokeText(text, box[0] + 2, (box[1] + box[3]) / 2);
    view.ctx.fillStyle = colour;
    view.ctx.fillText(text, box[0] + 2, (box[1] + box[3]) / 2);
    view.taken.push(box);
  }

  /* The first of some boxes that lies in sight and over nothing else, off the paths if there is one. */
  function free(view, boxes) {
    var right = view.left + view.sight.x, bottom = view.top + view.sight.y;
    var found = boxes.filter(function (box) {
      return box[0] > view.left && box[2] < right && box[1] > view.top && box[3] < bottom &&
        !view.taken.some(function (t) { return covers(t, box); });
    });
    return found.find(function (box) { return !isBusy(view, box); }) || found[0];
  }

  /* Beside a mark its value, where there is room: `clear` where the mark stands beside the lanes, not on them. */
  function value(view, text, x, y, clear) {
    var font = "600 12px " + getComputedStyle(view.map.getContainer()).fontFamily;
    view.ctx.font = font;
    var w = view.ctx.measureText(text).width + 4;
    var r = 11, tries = [[x - w / 2, y - 18], [x - w / 2, y + 18], [x + r, y], [x - r - w, y]];
    if (clear) tries = tries.slice(2).concat(tries.slice(0, 2));
    tries.push([x + r, y - 22], [x - r - w, y - 22], [x + r, y + 22], [x - r - w, y + 22], [x - w / 2, y - 30], [x - w / 2, y + 30]);
    var box = free(view, tries.map(function (c) {
      return [c[0], c[1] - 8, c[0] + w, c[1] + 8];
    }));
    if (box) write(view, text, box, font, view.colour.ink);
  }

  function drawPicked(view) {
    var id = ways.picked;
    if (ways.place) {
      var x = ways.across(ways.place.lng) * view.scale - view.dx, y = ways.down(ways.place.lat) * view.scale - view.dy;
      view.ctx.beginPath();
      view.ctx.moveTo(x - 7, y); view.ctx.lineTo(x + 7, y); view.ctx.moveTo(x, y - 7); view.ctx.lineTo(x, y + 7);
      stroke(view, view.colour.paper, 5);
      stroke(view, view.colour.ink, 2);
      if (id === undefined || id === null) ring(view, [x, y]);
    }
    if (id === undefined || id === null) return;
    var point = ways.pointAt.get(id);
    if (point === undefined && ways.plantAt.has(id)) return;
    if (point === undefined && hazardAt.has(id)) return ring(view, hazardMiddle(view, hazardAt.get(id)));
    if (point === undefined && !Object.hasOwn(data.runs, id)) point = ways.pointAt.get(ways.placeOf(id));
    if (point !== undefined) ring(view, at(view, point));
  }

  /* The course of what is picked, under bands, plant and paths: an outline on both sides of all these. */
  function drawPickedLines(view) {
    var id = ways.picked;
    if (id === undefined || id === null) return;
    var runs = Object.hasOwn(data.runs, id) ? data.runs[id] : [], point = ways.pointAt.get(id);
    var place = point === undefined && !runs.length && !hazardAt.has(id) ? ways.plantAt.get(ways.placeOf(id)) : undefined;
    var segments = runs.length ? runs : place === undefined ? [] : [place];
    if (!segments.length) return;
    view.ctx.beginPath();
    course(view, ways.plant, partsOfAll(segments));
    view.ctx.lineCap = "round";
    var wide = ways.chosen() === null ? 14 : 21;
    stroke(view, view.colour.ink, wide);
    stroke(view, view.colour.paper, wide - 2.5);
    view.ctx.lineCap = "butt";
  }

  function ring(view, p) {
    view.ctx.beginPath();
    view.ctx.arc(p[0], p[1], 13, 0, 2 * Math.PI);
    stroke(view, view.colour.paper, 5);
    stroke(view, view.colour.ink, 2.5);
  }

  /* The places where one event within the radius puts most out of service, numbered worst first. */
  function drawWorst(view) {
    var ctx = view.ctx, chosen = ways.chosen();
    data.worst.forEach(function (place, number) {
      if (chosen !== null && place.lost.indexOf(chosen) < 0) return;
      var x = ways.across(place.at[0]) * view.scale - view.dx, y = ways.down(place.at[1]) * view.scale - view.dy;
      if (!seen(view, x, y)) return;
      var metre = view.scale / (40075016.7 * Math.cos(place.at[1] * Math.PI / 180));
      var r = Math.max(13, place.radius_m * metre);
      ctx.beginPath();
      ctx.arc(x, y, r, 0, 2 * Math.PI);
      stroke(view, view.colour.paper, 4);
      stroke(view, view.colour.ink, 1.75, [3, 2]);
      if (r < 24) view.taken.push([x - r, y - r, x + r, y + r]);
      view.taken.push([x + r * 0.75, y - r * 0.75 - 10, x + r * 0.75 + 14, y - r * 0.75 + 4]);
      ctx.font = "600 11px " + getComputedStyle(view.map.getContainer()).fontFamily;
      ctx.textBaseline = "middle";
      ctx.strokeStyle = view.colour.paper;
      ctx.lineWidth = 4;
      ctx.strokeText(String(number + 1), x + r * 0.75 + 3, y - r * 0.75 - 3);
      ctx.fillStyle = view.colour.ink;
      ctx.fillText(String(number + 1), x + r * 0.75 + 3, y - r * 0.75 - 3);
    });
  }

  /* Many sites on a small map are drawn smaller, so that the lines between them show. */
  function drawSites(view) {
    var sites = [];
    for (var i = 0; i < ways.points.n; i++) {
      if (!isSite(i)) continue;
      var p = at(view, i);
      if (seen(view, p[0], p[1])) sites.push(p);
    }
    view.site = view.sight.x * view.sight.y / Math.max(1, sites.length) < 900 ? 3 : 6;
    sites.forEach(function (p) {
      shape(view.ctx, "site", p[0], p[1], view.site);
      view.ctx.fillStyle = view.colour.ink;
      view.ctx.fill();
      stroke(view, view.colour.paper, view.site > 3 ? 1.5 : 1);
    });
  }

  /* Meridians and parallels at a round step, named along the edges in sight. */
  function drawGrid(view) {
    var map = view.map, bounds = map.getBounds(), ctx = view.ctx;
    var span = Math.max(bounds.getEast() - bounds.getWest(), 1e-6) / Math.max(1.5, view.sight.x / 150);
    var power = Math.pow(10, Math.floor(Math.log10(span))), step = power;
    [2, 5, 10].forEach(function (k) { if (k * power <= span) step = k * power; });
    var digits = Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
    ctx.font = "11px " + getComputedStyle(map.getContainer()).fontFamily;
    ctx.fillStyle = view.colour.soft;
    ctx.textBaseline = "alphabetic";
    ctx.beginPath();
    var marks = [];
    for (var i = Math.ceil(bounds.getWest() / step) - 2; i * step < bounds.getEast() + 2 * step; i++) {
      var x = Math.round(ways.across(i * step) * view.scale - view.dx) + 0.5;
      ctx.moveTo(x, 0); ctx.lineTo(x, view.height);
      var lon = i * step - 360 * Math.round(i * step / 360);
      marks.push([degrees(lon, digits, "E", "W"), x + 4, view.top + view.sight.y - 6]);
    }
    for (var j = Math.ceil(bounds.getSouth() / step) - 2; j * step < bounds.getNorth() + 2 * step; j++) {
      var y = Math.round(ways.down(j * step) * view.scale - view.dy) + 0.5;
      ctx.moveTo(0, y); ctx.lineTo(view.width, y);
      if (y > view.top + 90 && y < view.top + view.sight.y - 60) {
        marks.push([degrees(j * step, digits, "N", "S"), view.left + 6, y - 4]);
      }
    }
    stroke(view, view.colour.faint, 1);
    marks.forEach(function (m) { ctx.fillText(m[0], m[1], m[2]); });
  }

  function degrees(value, digits, plus, minus) {
    return Math.abs(value).toFixed(digits) + "° " + (value < 0 ? minus : plus);
  }

  /* What other scripts draw: under the paths, over the structures, and over sites and findings. */
  ways.under = [];
  ways.over = [];
  ways.top = [];
  ways.pen = {
    trace: trace, stroke: stroke, inSight: inSight, at: at, seen: seen, covers: covers, free: free, write: write,
    laid: laid, endsOf: endsOf
  };
  ways.Plan = Plan;
  ways.shown = shown;
  ways.isSite = isSite;
})();
