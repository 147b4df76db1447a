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
      var ratio = window.devicePixelRatio || 1;
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
        sight: size, map: map, taken: [], colour: colours(map.getContainer())
      };
      view.box = [view.dx / scale, view.dy / scale, (view.dx + width) / scale, (view.dy + height) / scale];
      if (shown.grid) drawGrid(view);
      if (shown.hazards) drawHazards(view);
      drawPlant(view);
      ways.under.forEach(function (draw) { draw(view); });
      if (shown.paths) drawPaths(view);
      if (shown.structures) drawStructures(view);
      ways.over.forEach(function (draw) { draw(view); });
      drawSites(view);
      if (shown.findings) drawFindings(view);
      ways.top.forEach(function (draw) { draw(view); });
      if (shown.worst) drawWorst(view);
      drawPicked(view);
      ways.drawNames(view);
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
  function trace(view, lines, part) {
    var ctx = view.ctx, end = lines.start[part + 1], px = 0, py = 0;
    for (var i = lines.start[part]; i < end; i++) {
      var x = lines.x[i] * view.scale - view.dx, y = lines.y[i] * view.scale - view.dy;
      if (i === lines.start[part]) ctx.moveTo(x, y);
      else if (i === end - 1 || Math.abs(x - px) + Math.abs(y - py) >= 1) ctx.lineTo(x, y);
      else continue;
      px = x; py = y;
    }
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
    path.segments.forEach(function (segment) {
      ways.partsOf[segment].forEach(function (p) {
        if (inSight(ways.plant, p, view.box)) trace(view, ways.plant, p);
      });
    });
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

  /* A hazard is hatched, so that it reads as an area in grey as well. */
  function drawHazards(view) {
    var ctx = view.ctx, tile = document.createElement("canvas"), ratio = window.devicePixelRatio || 1;
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

  function drawLineUnder(view, id, colour, width) {
    var segment = ways.plantAt.get(id);
    if (segment === undefined) return false;
    view.ctx.beginPath();
    ways.partsOf[segment].forEach(function (p) { trace(view, ways.plant, p); });
    view.ctx.lineCap = "round";
    stroke(view, view.colour.ink, width + 3);
    stroke(view, colour, width);
    view.ctx.lineCap = "butt";
    return true;
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

  /* What both paths rely on: diamonds, filled unless waived; a shared line glows along its length. */
  function drawFindings(view) {
    var chosen = ways.chosen(), done = new Set(), taken = new Set();
    if (chosen !== null) {
      data.circuits[chosen].shared.forEach(function (found) {
        if (drawLineUnder(view, found.asset, view.colour.common, 4)) {
          retracePaths(view, chosen, ways.plantAt.get(found.asset));
        }
      });
    }
    data.close.forEach(function (one) {
      if (chosen !== null && chosen !== one.circuit) return;
      view.ctx.beginPath();
      for (var p = 0; p < one.drawn.parts; p++) trace(view, one.drawn, p);
      view.ctx.lineCap = "round";
      stroke(view, view.colour.ink, 9);
      stroke(view, view.colour.near, 6);
      view.ctx.lineCap = "butt";
    });
    data.circuits.forEach(function (circuit, index) {
      if (chosen !== null && chosen !== index) return;
      circuit.shared.forEach(function (found) {
        if (done.has(found.asset)) return;
        done.add(found.asset);
        var p = positionOf(view, found);
        /* Along a shared line diamonds would hide each other: one for each patch of the map. */
        var patch = p && Math.round(p[0] / 18) + " " + Math.round(p[1] / 18);
        if (!p || taken.has(patch) || !seen(view, p[0], p[1])) return;
        taken.add(patch);
        diamond(view, p[0], p[1], !found.waived);
      });
    });
    data.marks.forEach(function (mark) {
      if (chosen !== null && chosen !== mark.circuit) return;
      var x = ways.across(mark.at[0]) * view.scale - view.dx;
      var y = ways.down(mark.at[1]) * view.scale - view.dy, ctx = view.ctx;
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
    });
  }

  function retracePaths(view, circuit, line) {
    data.circuits[circuit].paths.forEach(function (path) {
      if (path.segments.indexOf(line) < 0) return;
      view.ctx.beginPath();
      ways.partsOf[line].forEach(function (p) { trace(view, ways.plant, p); });
      if (path.path === "main") stroke(view, view.colour.main, 2);
      else stroke(view, view.colour.alternate, 2, [10, 5]);
    });
  }

  function drawPicked(view) {
    var id = ways.picked;
    if (id === undefined || id === null) return;
    (Object.hasOwn(data.runs, id) ? data.runs[id] : []).forEach(function (segment) {
      drawLineUnder(view, data.plant.id[segment], view.colour.paper, 3);
    });
    var point = ways.pointAt.get(id), line = ways.plantAt.get(id);
    if (point === undefined && line === undefined && hazardAt.has(id)) return ring(view, hazardMiddle(view, hazardAt.get(id)));
    if (point === undefined && line === undefined && !Object.hasOwn(data.runs, id)) point = ways.pointAt.get(ways.placeOf(id));
    if (point !== undefined) ring(view, at(view, point));
    else if (line !== undefined) drawLineUnder(view, id, view.colour.paper, 3);
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
      view.taken.push([x - r, y - r, x + r, y + r]);
      ctx.font = "600 11px " + getComputedStyle(view.map.getContainer()).fontFamily;
      ctx.textBaseline = "middle";
      ctx.strokeStyle = view.colour.paper;
      ctx.lineWidth = 4;
      ctx.strokeText(String(number + 1), x + r * 0.75 + 3, y - r * 0.75 - 3);
      ctx.fillStyle = view.colour.ink;
      ctx.fillText(String(number + 1), x + r * 0.75 + 3, y - r * 0.75 - 3);
    });
  }

  function drawSites(view) {
    for (var i = 0; i < ways.points.n; i++) {
      if (!isSite(i)) continue;
      var p = at(view, i);
      if (!seen(view, p[0], p[1])) continue;
      shape(view.ctx, "site", p[0], p[1], 6);
      view.ctx.fillStyle = view.colour.ink;
      view.ctx.fill();
      stroke(view, view.colour.paper, 1.5);
    }
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
  ways.pen = { trace: trace, stroke: stroke, inSight: inSight, at: at, seen: seen };
  ways.Plan = Plan;
  ways.shown = shown;
  ways.isSite = isSite;
})();
