/* Marked plant: each mark has its own line style, sign and colour, and any of them identifies it. */
(function () {
  "use strict";
  var ways = window.waysapart, data = ways.data, pen = ways.pen;
  var STYLES = {
    added: { colour: "added", width: 4, sign: "plus" },
    removed: { colour: "removed", width: 3.5, dash: [8, 5], sign: "times" },
    changed: { colour: "ink", width: 6, core: "paper", sign: "square" },
    was: { colour: "ink", width: 3, dash: [0.1, 6], round: true, sign: "ring" },
    fallen: { colour: "ink", width: 2.5, dash: [8, 4], sign: "ring" },
    hit: { colour: "ink", width: 8, core: "common", sign: "cross" }
  };
  ways.shown.marked = true;

  function colour(view, name) {
    return view.colour[name] || getComputedStyle(view.map.getContainer()).getPropertyValue("--" + name).trim();
  }

  /* A path is drawn on top: beneath it the mark is broader, and shows on both sides. */
  function followed() {
    var chosen = ways.chosen(), found = new Set();
    if (chosen === null || !ways.shown.paths) return found;
    data.circuits[chosen].paths.concat(data.circuits[chosen].left || []).forEach(function (path) { path.segments.forEach(function (s) { found.add(s); }); });
    return found;
  }

  function drawLines(view, lines, marks, beneath) {
    Object.keys(STYLES).forEach(function (mark) {
      var style = STYLES[mark], ctx = view.ctx;
      [false, true].forEach(function (broad) {
        var any = false;
        ctx.beginPath();
        for (var p = 0; p < lines.parts; p++) {
          if (marks[lines.of[p]] !== mark || beneath.has(lines.of[p]) !== broad || !pen.inSight(lines, p, view.box)) continue;
          pen.trace(view, lines, p);
          any = true;
        }
        if (!any) return;
        var more = broad ? 8 : 0;
        ctx.lineCap = style.round ? "round" : "butt";
        if (style.dash) pen.stroke(view, view.colour.paper, style.width + more);
        pen.stroke(view, colour(view, style.colour), style.width + more, style.dash);
        if (style.core) pen.stroke(view, colour(view, style.core), style.width + more - 3);
        ctx.lineCap = "butt";
      });
    });
  }

  function sign(view, style, x, y) {
    var ctx = view.ctx, r = style.sign === "cross" ? 8 : 7, d = r * 0.5, ink = colour(view, style.colour);
    ctx.beginPath();
    if (style.sign === "square") ctx.rect(x - d - 1.5, y - d - 1.5, 2 * d + 3, 2 * d + 3);
    else ctx.arc(x, y, r, 0, 2 * Math.PI);
    ctx.fillStyle = style.core === "common" ? view.colour.common : view.colour.paper;
    ctx.fill();
    pen.stroke(view, ink, 2, style.sign === "ring" ? [3, 2.5] : []);
    ctx.beginPath();
    if (style.sign === "plus") { ctx.moveTo(x - d, y); ctx.lineTo(x + d, y); ctx.moveTo(x, y - d); ctx.lineTo(x, y + d); }
    if (style.sign === "times" || style.sign === "cross") {
      ctx.moveTo(x - d, y - d); ctx.lineTo(x + d, y + d); ctx.moveTo(x + d, y - d); ctx.lineTo(x - d, y + d);
    }
    pen.stroke(view, style.sign === "cross" ? "#1b2127" : ink, 2.2);
  }

  ways.under.push(function (view) {
    if (!ways.shown.marked) return;
    if (data.hazards.mark) drawLines(view, ways.hazards, data.hazards.mark, new Set());
    if (data.plant.mark) drawLines(view, ways.plant, data.plant.mark, followed());
  });

  ways.over.push(function (view) {
    if (!ways.shown.marked || !data.points.mark) return;
    Object.keys(STYLES).forEach(function (mark) {
      for (var i = 0; i < ways.points.n; i++) {
        if (data.points.mark[i] !== mark) continue;
        var p = pen.at(view, i);
        if (pen.seen(view, p[0], p[1])) sign(view, STYLES[mark], p[0], p[1]);
      }
    });
  });

  /* Ids of what is hit, each where there is room: beside its place, else in a row above or below
     with a line to it. What finds no room appears when the map comes nearer. */
  function covers(a, b) { return a[0] < b[2] && a[2] > b[0] && a[1] < b[3] && a[3] > b[1]; }

  function drawLabels(view) {
    if (!ways.shown.marked || !data.labels || !data.labels.length) return;
    var ctx = view.ctx, row = 15, seen = [];
    ctx.font = "600 12px " + getComputedStyle(document.documentElement).getPropertyValue("--mono");
    ctx.textBaseline = "middle";
    data.labels.forEach(function (one) {
      var x = ways.across(one.at[0]) * view.scale - view.dx, y = ways.down(one.at[1]) * view.scale - view.dy;
      if (pen.seen(view, x, y)) seen.push([one.id.length > 40 ? one.id.slice(0, 39) + "…" : one.id, x, y]);
    });
    var signs = seen.map(function (s) { return [s[1] - 9, s[2] - 9, s[1] + 9, s[2] + 9]; });
    for (var i = 0; i < ways.points.n; i++) {
      var p = pen.at(view, i);
      if (ways.isSite(i) && pen.seen(view, p[0], p[1])) signs.push([p[0] - 8, p[1] - 8, p[0] + 8, p[1] + 8]);
    }
    seen.forEach(function (s) {
      var w = ctx.measureText(s[0]).width;
      for (var k = 0; k < 13; k++) {
        var y = s[2] + Math.ceil(k / 2) * (k % 2 ? -row : row);
        var box = [s[1] + 13, s[1] - 13 - w].map(function (x) { return [x - 2, y - 7, x + w + 2, y + 7]; }).filter(function (b) {
          return !view.taken.concat(signs).some(function (t) { return covers(t, b); });
        })[0];
        if (!box) continue;
        view.taken.push(box);
        if (k) {
          ctx.beginPath();
          ctx.moveTo(s[1], s[2]);
          ctx.lineTo(box[0] > s[1] ? box[0] : box[2], y);
          pen.stroke(view, view.colour.ink, 1);
        }
        ctx.strokeStyle = view.colour.paper;
        ctx.lineWidth = 4;
        ctx.strokeText(s[0], box[0] + 2, y);
        ctx.fillStyle = view.colour.ink;
        ctx.fillText(s[0], box[0] + 2, y);
        break;
      }
    });
  }

  var drawNames = ways.drawNames;
  ways.drawNames = function (view) { drawNames(view); drawLabels(view); };

  /* One press shows all that is marked, near enough to tell things apart. */
  function showMarked() {
    var box = [2, 2, -1, -1];
    function grow(x, y) { box = [Math.min(box[0], x), Math.min(box[1], y), Math.max(box[2], x), Math.max(box[3], y)]; }
    [[ways.plant, data.plant.mark], [ways.hazards, data.hazards.mark]].forEach(function (one) {
      for (var p = 0; one[1] && p < one[0].parts; p++) {
        if (!one[1][one[0].of[p]]) continue;
        grow(one[0].box[4 * p], one[0].box[4 * p + 1]);
        grow(one[0].box[4 * p + 2], one[0].box[4 * p + 3]);
      }
    });
    for (var i = 0; data.points.mark && i < ways.points.n; i++) if (data.points.mark[i]) grow(ways.points.x[i], ways.points.y[i]);
    if (box[2] >= box[0]) ways.view.showBox(box, 18);
  }
  var button = document.getElementById("plan-marked");
  if (button) button.addEventListener("click", showMarked);

  ways.view.redraw();
})();
