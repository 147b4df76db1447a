/* Reads what the page holds for the map, and keeps which circuit is chosen. */
(function () {
  "use strict";
  var block = document.getElementById("map-data");
  var data = JSON.parse(block.textContent);
  var degree = 1e6;

  /* Mercator, the whole world from 0 to 1 on both axes. */
  function across(lon) { return (lon + 180) / 360; }
  function down(lat) {
    var s = Math.sin(Math.max(-85.05, Math.min(85.05, lat)) * Math.PI / 180);
    return 0.5 - Math.log((1 + s) / (1 - s)) / (4 * Math.PI);
  }

  function unpackPoints(xy) {
    var n = xy.length / 2, x = new Float64Array(n), y = new Float64Array(n), lon = 0, lat = 0;
    for (var i = 0; i < n; i++) {
      lon += xy[2 * i];
      lat += xy[2 * i + 1];
      x[i] = across(lon / degree);
      y[i] = down(lat / degree);
    }
    return { x: x, y: y, n: n };
  }

  /* Lines end to end, with the first point and the box of each. */
  function unpackLines(packed) {
    var at = unpackPoints(packed.xy), parts = packed.n.length;
    var start = new Int32Array(parts + 1);
    var box = new Float64Array(4 * parts);
    for (var p = 0; p < parts; p++) {
      start[p + 1] = start[p] + packed.n[p];
      var w = 2, e = -1, n = 2, s = -1;
      for (var i = start[p]; i < start[p + 1]; i++) {
        w = Math.min(w, at.x[i]); e = Math.max(e, at.x[i]);
        n = Math.min(n, at.y[i]); s = Math.max(s, at.y[i]);
      }
      box.set([w, n, e, s], 4 * p);
    }
    return { x: at.x, y: at.y, start: start, box: box, of: packed.of, parts: parts };
  }

  var plant = unpackLines(data.plant);
  var points = unpackPoints(data.points.xy);
  var hazards = unpackLines(data.hazards);
  var partsOf = data.plant.id.map(function () { return []; });
  for (var p = 0; p < plant.parts; p++) partsOf[plant.of[p]].push(p);
  var plantAt = new Map(data.plant.id.map(function (id, i) { return [id, i]; }));
  var pointAt = new Map(data.points.id.map(function (id, i) { return [id, i]; }));
  /* Ranges of whole numbers: the first, and how many follow: upwards, or downwards if negative. */
  function unpackRuns(runs) {
    var out = [];
    for (var i = 0; i < runs.length; i += 2) {
      var step = runs[i + 1] < 0 ? -1 : 1;
      for (var k = 0; k <= Math.abs(runs[i + 1]); k++) out.push(runs[i] + k * step);
    }
    return out;
  }

  /* Ids from the first to the last, which count up or down by one at their ends. */
  function idsFrom(first, last, count) {
    if (count === 1) return [first];
    var tail = /[0-9]*$/.exec(first)[0], head = first.slice(0, first.length - tail.length), ids = [];
    var begin = Number(tail), step = begin <= Number(last.slice(head.length)) ? 1 : -1;
    var width = tail[0] === "0" || last[head.length] === "0" ? tail.length : 0;
    for (var k = 0; k < count; k++) ids.push(head + String(begin + k * step).padStart(width, "0"));
    return ids;
  }

  data.circuits.forEach(function (circuit) {
    circuit.shared = [].concat.apply([], circuit.shared.map(function (run) {
      return idsFrom(run[0], run[1], run[2]).map(function (id) { return { asset: id, waived: run[3] === 1 }; });
    }));
    circuit.paths.forEach(function (path) {
      path.drawn = unpackLines(path);
      path.segments = unpackRuns(path.segments);
    });
  });

  data.close.forEach(function (one) { one.drawn = unpackLines(one); });
  data.groups.forEach(function (group) {
    group.shared = new Set([].concat.apply([], group.shared.map(function (run) { return idsFrom(run[0], run[1], run[2]); })));
  });

  /* Record gaps by asset: places in data.gaps. */
  var gapsAt = null;
  function gapsOf(id) {
    if (gapsAt === null) {
      gapsAt = new Map();
      data.gaps.forEach(function (gap, place) {
        gap[2].forEach(function (run) {
          idsFrom(run[0], run[1], run[2]).forEach(function (one) {
            if (!gapsAt.has(one)) gapsAt.set(one, new Set());
            gapsAt.get(one).add(place);
          });
        });
      });
    }
    return Array.from(gapsAt.get(id) || []).map(function (place) { return data.gaps[place]; });
  }

  /* As waysapart.figures.metres writes a length: three significant digits, no finer than 0.001. */
  function lengthSaid(value) {
    var km = value >= 999.5, number = Number((km ? value / 1000 : value).toPrecision(3));
    var finest = Math.max(0, Math.min(3, 2 - Math.floor(Math.log10(number || 1))));
    return (Number(number.toFixed(3)) ? number.toFixed(finest) : "0") + (km ? " km" : " m");
  }

  /* Ids as people count: T9-2 before T9-10. */
  var natural = new Intl.Collator("en", { numeric: true }).compare;

  var rows = new Map();
  function rowOf(table, id) {
    if (!rows.has(table)) rows.set(table, new Map(table.id.map(function (one, i) { return [one, i]; })));
    return rows.get(table).get(id);
  }

  /* The asset at whose place an asset is shown: itself, a segment of a cable, or what holds it. */
  function placeOf(id) {
    var layer = [id], seen = new Set(layer);
    for (var depth = 0; depth < 8 && layer.length; depth++) {
      var next = [];
      for (var i = 0; i < layer.length; i++) {
        if (pointAt.has(layer[i]) || plantAt.has(layer[i])) return layer[i];
        var runs = Object.hasOwn(data.runs, layer[i]) ? data.runs[layer[i]] : [];
        if (runs.length) return data.plant.id[runs[Math.floor(runs.length / 2)]];
        (Object.hasOwn(data.inside, layer[i]) ? data.inside[layer[i]] : []).forEach(function (one) {
          if (!seen.has(one)) { seen.add(one); next.push(one); }
        });
      }
      layer = next;
    }
    return null;
  }

  /* Effect of the loss of an asset: its places in data.losses and data.cables, and its kind. */
  function effectOf(id) {
    var of = data.of, kind = Object.hasOwn(of.more, id) ? of.more[id] : -1;
    ["points", "plant", "hazards", "others"].forEach(function (table) {
      var row = rowOf(data[table], id);
      if (row !== undefined && of[table][row] >= 0) kind = of[table][row];
    });
    return kind < 0 ? null : of.kinds[kind];
  }

  var chosen = null;

  function choose(circuit, from) {
    if (circuit === chosen) return;
    chosen = circuit;
    document.dispatchEvent(new CustomEvent("circuit", { detail: { circuit: circuit, from: from } }));
  }

  window.waysapart = {
    backdrops: unpackLines(data.backdrops), gapsOf: gapsOf, natural: natural, lengthSaid: lengthSaid,
    data: data, plant: plant, points: points, hazards: hazards, partsOf: partsOf,
    plantAt: plantAt, pointAt: pointAt, across: across, down: down, choose: choose,
    chosen: function () { return chosen; }, idsFrom: idsFrom, unpackRuns: unpackRuns, rowOf: rowOf, placeOf: placeOf, effectOf: effectOf
  };
})();
