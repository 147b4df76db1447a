/* What people do with the map itself: move it, read coordinates, pick an asset, switch layers. */
(function () {
  "use strict";
  var ways = window.waysapart, data = ways.data;
  var holder = document.querySelector(".folium-map");
  var map = window[holder.id];
  var plan = new ways.Plan().addTo(map);
  var where = document.getElementById("plan-where");
  var cross = document.getElementById("plan-cross");

  function showCross(on) { cross.toggleAttribute("hidden", !on); }

  holder.setAttribute("role", "region");
  holder.setAttribute("aria-labelledby", "map-label");
  holder.setAttribute("aria-describedby", "map-keys");

  if (data.tiles) {
    var credit = document.createElement("span");
    credit.textContent = data.tiles.attribution;
    L.tileLayer(data.tiles.url, { maxNativeZoom: data.tiles.max_zoom, maxZoom: 22 }).addTo(map);
    L.control.attribution({ prefix: false }).addAttribution(credit.innerHTML).addTo(map);
  }

  /* The wheel scrolls the page, always; with Ctrl or Command it zooms, and so does a pinch. */
  map.scrollWheelZoom.disable();
  map.on("blur", function () { showCross(false); });
  var hint = document.getElementById("plan-hint"), hideHint = null, turned = 0;
  if (/Mac|iPhone|iPad/.test(navigator.platform)) hint.textContent = hint.textContent.replace("Ctrl", "Ctrl or ⌘");
  holder.addEventListener("wheel", function (event) {
    if (!event.ctrlKey && !event.metaKey) {
      hint.hidden = false;
      clearTimeout(hideHint);
      hideHint = setTimeout(function () { hint.hidden = true; }, 1600);
      return;
    }
    event.preventDefault();
    hint.hidden = true;
    turned -= event.deltaY * [1, 20, 300][event.deltaMode] / 200;
    var step = Math.trunc(turned / 0.25) * 0.25;
    if (!step) return;
    turned -= step;
    map.setZoomAround(map.mouseEventToContainerPoint(event), map.getZoom() + Math.max(-2, Math.min(2, step)), { animate: false });
  }, { passive: false });

  /* East and north in the study's own system, by the polynomial that stands for its projection. */
  function eastNorth(lon, lat) {
    lon += 360 * Math.round((data.grid.centre[0] - lon) / 360);
    var grid = data.grid, x = (lon - grid.centre[0]) / grid.half[0], y = (lat - grid.centre[1]) / grid.half[1];
    return Math.abs(x) > 1 || Math.abs(y) > 1 ? null : polynomial(x, y);
  }

  /* The place of an east and a north: Newton's method from the middle of what the polynomial covers. */
  function lonLat(east, north) {
    var grid = data.grid, x = 0, y = 0, h = 1e-4, off = [Infinity, Infinity];
    for (var k = 0; k < 20; k++) {
      var at = polynomial(x, y), px = polynomial(x + h, y), py = polynomial(x, y + h);
      off = [east - at[0], north - at[1]];
      if (Math.hypot(off[0], off[1]) < 1e-3) break;
      var a = (px[0] - at[0]) / h, b = (py[0] - at[0]) / h, c = (px[1] - at[1]) / h, d = (py[1] - at[1]) / h, det = a * d - b * c;
      if (!det) return null;
      x += (d * off[0] - b * off[1]) / det;
      y += (a * off[1] - c * off[0]) / det;
      if (Math.abs(x) > 3 || Math.abs(y) > 3) return null;
    }
    if (Math.hypot(off[0], off[1]) > 0.01 || Math.abs(x) > 1 || Math.abs(y) > 1) return null;
    return { lat: grid.centre[1] + y * grid.half[1], lng: grid.centre[0] + x * grid.half[0] };
  }

  function polynomial(x, y) {
    var grid = data.grid, out = [0, 0], k = 0, xi = 1;
    for (var i = 0; i <= grid.degree; i++) {
      var term = xi;
      for (var j = 0; i + j <= grid.degree; j++) {
        out[0] += grid.east[k] * term;
        out[1] += grid.north[k] * term;
        k++;
        term *= y;
      }
      xi *= x;
    }
    return out;
  }

  function degrees(value, plus, minus, digits) { return Math.abs(value).toFixed(digits || 5) + "° " + (value < 0 ? minus : plus); }

  /* Metres that the grid is told to: one, or more where the polynomial is less exact. */
  function gridStep() { return data.grid.error_m > 0.5 ? Math.pow(10, Math.ceil(Math.log10(2 * data.grid.error_m))) : 1; }
  function rounded(v) { var step = gridStep(); return String(Math.round(v / step) * step); }
  function spaced(v) { return rounded(v).replace(/\B(?=(\d{3})+$)/g, " "); }
  function gridName() { return data.grid.code || data.grid.name; }

  function wrapped(at) { return L.latLng(at.lat, at.lng).wrap(); }

  function told(latlng) {
    var at = wrapped(latlng), text = degrees(at.lat, "N", "S") + "  " + degrees(at.lng, "E", "W");
    var own = data.grid ? eastNorth(at.lng, at.lat) : null;
    return own ? "E " + spaced(own[0]) + "  N " + spaced(own[1]) + "  " + gridName() + "\n" + text : text;
  }

  /* A place in the grid of the study and in degrees: as people read it, and as other programs take it. */
  function coordinates(latlng) {
    var at = wrapped(latlng), own = data.grid ? eastNorth(at.lng, at.lat) : null, found = [];
    if (own) found.push({
      said: "E " + spaced(own[0]) + "  N " + spaced(own[1]) + "  " + gridName(),
      copy: rounded(own[0]) + " " + rounded(own[1]), order: "east north"
    });
    found.push({
      said: degrees(at.lat, "N", "S", 6) + "  " + degrees(at.lng, "E", "W", 6),
      copy: at.lat.toFixed(6) + ", " + at.lng.toFixed(6), order: "latitude, longitude"
    });
    return found;
  }

  /* The extent of the plant, with as much around it on each side. */
  var around = (function () {
    var box = [2, 2, -1, -1], i, b = ways.plant.box;
    function grow(x, y) { box = [Math.min(box[0], x), Math.min(box[1], y), Math.max(box[2], x), Math.max(box[3], y)]; }
    for (i = 0; i < ways.plant.parts; i++) { grow(b[4 * i], b[4 * i + 1]); grow(b[4 * i + 2], b[4 * i + 3]); }
    for (i = 0; i < ways.points.n; i++) grow(ways.points.x[i], ways.points.y[i]);
    var more = Math.max(box[2] - box[0], box[3] - box[1], 1e-5);
    return [box[0] - more, box[1] - more, box[2] + more, box[3] + more];
  })();

  /* The same place a turn of the globe on, where the plant is drawn there. */
  function turnedTo(at) {
    var middle = (around[0] + around[2]) / 2;
    return { lat: at.lat, lng: at.lng + 360 * Math.round(middle - ways.across(at.lng)) };
  }

  function isNear(at) {
    var x = ways.across(at.lng), y = ways.down(at.lat);
    return x >= around[0] && x <= around[2] && y >= around[1] && y <= around[3];
  }

  function number(text) {
    var plain = text.replace(/[\s\u00a0\u2009\u202f°]/g, "").replace(",", ".");
    return /^[+-]?\d+(\.\d+)?$/.test(plain) ? Number(plain) : null;
  }

  /* Two numbers, each with the letter before or behind it, or none: [number, letter] twice, or null. */
  function twoNumbers(text) {
    var t = text.trim().replace(/\s*EPSG:\d+$/i, ""), digits = "([-+]?[\\d][\\d\\s\u00a0\u2009\u202f.,]*?)\\s*°?";
    var before = new RegExp("^([NSEW])\\s*" + digits + "[\\s,;/]*([NSEW])\\s*" + digits + "$", "i").exec(t);
    var behind = new RegExp("^" + digits + "\\s*([NSEW])[\\s,;/]*" + digits + "\\s*([NSEW])$", "i").exec(t);
    var parts = before ? [[before[2], before[1]], [before[4], before[3]]] : behind ? [[behind[1], behind[2]], [behind[3], behind[4]]] : null;
    if (!parts) {
      var bare = /;/.test(t) ? t.split(";") : /,\s/.test(t) ? t.split(/,\s+/) : /^[^\s,]+,[^\s,]+$/.test(t) ? t.split(",") : t.split(/\s+/);
      if (bare.length !== 2) return null;
      parts = [[bare[0], ""], [bare[1], ""]];
    }
    var found = parts.map(function (p) { return [number(p[0]), p[1].toUpperCase()]; });
    return found[0][0] === null || found[1][0] === null ? null : found;
  }

  /* What typed coordinates can mean: degrees in either order, the grid of the study in either order. */
  function placesFor(text) {
    var two = twoNumbers(text), found = [];
    if (!two) return found;
    function add(at, said, note) {
      var there = turnedTo(at), near = isNear(there);
      found.push({ at: there, said: said, note: note + (near ? "" : ", far from the plant"), near: near });
    }
    function tryDegrees(lat, lon, note) {
      if (Math.abs(lat) <= 85 && Math.abs(lon) <= 180) add({ lat: lat, lng: lon }, degrees(lat, "N", "S") + "  " + degrees(lon, "E", "W"), note);
    }
    function tryGrid(east, north, note) {
      var at = data.grid ? lonLat(east, north) : null;
      if (at) add(at, "E " + spaced(east) + "  N " + spaced(north), gridName() + ", " + note);
    }
    var letters = two.map(function (one) { return one[1]; }).join("");
    var swap = /^[EW]/.test(letters), a = two[swap ? 1 : 0], b = two[swap ? 0 : 1];
    if (letters) {
      if (!/[NS]/.test(a[1]) || !/[EW]/.test(b[1])) return found;
      tryDegrees(a[1] === "S" ? -a[0] : a[0], b[1] === "W" ? -b[0] : b[0], "degrees");
      if (!found.length && a[1] === "N" && b[1] === "E") tryGrid(b[0], a[0], "the grid of the study");
    } else {
      tryDegrees(a[0], b[0], "latitude, longitude");
      tryDegrees(b[0], a[0], "longitude, latitude");
      tryGrid(a[0], b[0], "east, north");
      tryGrid(b[0], a[0], "north, east");
    }
    return found.sort(function (one, other) { return other.near - one.near; });
  }

  map.on("mousemove", function (event) { where.textContent = told(event.latlng); });

  /* By keyboard the cross in the middle of the map stands for the pointer. */
  var byKey = false;
  holder.addEventListener("keydown", function (event) {
    byKey = true;
    if (event.target !== holder) return;
    if (/^Arrow|^[+=-]$/.test(event.key)) {
      showCross(true);
      where.textContent = told(map.getCenter());
    }
    if (event.key === "Enter") {
      showCross(true);
      if (ways.measuring && ways.measuring()) ways.measureAt(map.getCenter());
      else press(map.getCenter());
    }
  });
  holder.addEventListener("mousedown", function () { byKey = false; showCross(false); });
  map.on("move", function () { if (byKey && !cross.hasAttribute("hidden")) where.textContent = told(map.getCenter()); });

  function bounds(indices, lines) {
    var box = [2, 2, -1, -1];
    indices.forEach(function (p) {
      box[0] = Math.min(box[0], lines.box[4 * p]); box[1] = Math.min(box[1], lines.box[4 * p + 1]);
      box[2] = Math.max(box[2], lines.box[4 * p + 2]); box[3] = Math.max(box[3], lines.box[4 * p + 3]);
    });
    return box;
  }

  function latlng(x, y) {
    return [Math.atan(Math.sinh(Math.PI * (1 - 2 * y))) * 180 / Math.PI, x * 360 - 180];
  }

  function show(box, most) {
    if (box[2] < box[0]) return;
    map.fitBounds([latlng(box[0], box[1]), latlng(box[2], box[3])], {
      padding: [40, 40], maxZoom: most, animate: false
    });
  }

  function boxOfCircuit(index) {
    var box = [2, 2, -1, -1];
    data.circuits[index].paths.forEach(function (path) {
      var parts = [];
      path.segments.forEach(function (s) { parts = parts.concat(ways.partsOf[s]); });
      box = joined(box, bounds(parts, ways.plant));
      box = joined(box, bounds(path.drawn.of.map(function (_, p) { return p; }), path.drawn));
    });
    return box;
  }

  function joined(a, b) { return [Math.min(a[0], b[0]), Math.min(a[1], b[1]), Math.max(a[2], b[2]), Math.max(a[3], b[3])]; }

  /* The box of an asset where it is drawn: its own place, its course, or that of what holds it. */
  function boxOfAsset(id) {
    var runs = Object.hasOwn(data.runs, id) ? data.runs[id] : [], hazard = ways.rowOf(data.hazards, id);
    if (runs.length) return bounds([].concat.apply([], runs.map(function (s) { return ways.partsOf[s]; })), ways.plant);
    if (hazard !== undefined) {
      return bounds(ways.hazards.of.map(function (_, p) { return p; }).filter(function (p) { return ways.hazards.of[p] === hazard; }), ways.hazards);
    }
    var place = ways.placeOf(id), point = ways.pointAt.get(place), line = ways.plantAt.get(place);
    if (point !== undefined) return [ways.points.x[point], ways.points.y[point], ways.points.x[point], ways.points.y[point]];
    return line !== undefined ? bounds(ways.partsOf[line], ways.plant) : [2, 2, -1, -1];
  }

  /* Frames what was found of a circuit: all that it shares, and where its paths are near or cross;
     the whole circuit where nothing was found, or nothing that has a place. */
  function showFindings(index) {
    var box = [2, 2, -1, -1];
    data.circuits[index].shared.forEach(function (found) { box = joined(box, boxOfAsset(found.asset)); });
    data.close.forEach(function (one) {
      if (one.circuit === index) box = joined(box, bounds(one.drawn.of.map(function (_, p) { return p; }), one.drawn));
    });
    data.marks.forEach(function (mark) {
      var x = ways.across(mark.at[0]), y = ways.down(mark.at[1]);
      if (mark.circuit === index) box = joined(box, [x, y, x, y]);
    });
    if (box[2] < box[0]) return showCircuit(index);
    show(box, 17);
  }

  function showCircuit(index) {
    if (index === null) {
      var f = data.frame;
      map.fitBounds([[f[1], f[0]], [f[3], f[2]]], { padding: [24, 24], animate: false });
      return;
    }
    show(boxOfCircuit(index), 17);
  }

  function showAsset(id) {
    var box = boxOfAsset(id), point = box[0] === box[2] && box[1] === box[3];
    if (point) map.setView(latlng(box[0], box[1]), Math.max(map.getZoom(), 15), { animate: false });
    else show(box, ways.rowOf(data.hazards, id) !== undefined ? 15 : 17);
  }

  function showPoint(at) { map.setView([at.lat, at.lng], Math.max(map.getZoom(), 16), { animate: false }); }

  /* Where an asset that is drawn as a point stands. */
  function pointOf(id) {
    var point = ways.pointAt.get(id), at = point === undefined ? null : latlng(ways.points.x[point], ways.points.y[point]);
    return at && { lat: at[0], lng: at[1] };
  }

  /* A press picks the asset there; beside all assets it deselects what is picked, and with nothing picked it picks the place. */
  function press(at) {
    var id = ways.pick(map, at);
    if (id === null && !ways.picked && !ways.place) ways.pickPlace({ lat: at.lat, lng: at.lng }, false);
    else ways.pickAsset(id, false, id === null || pointOf(id) ? null : { lat: at.lat, lng: at.lng });
  }

  function showIds(ids) {
    var box = [2, 2, -1, -1];
    ids.forEach(function (id) { box = joined(box, boxOfAsset(id)); });
    show(box, 18);
  }

  /* The stretch of a near approach that a place lies on, or else the place. */
  function showNear(at) {
    var x = ways.across(at[0] + (at[0] < data.frame[0] - 1 ? 360 : 0)), y = ways.down(at[1]), chosen = ways.chosen(), best = null, least = 1e-6;
    data.close.forEach(function (one) {
      if (one.circuit !== chosen) return;
      for (var p = 0; p < one.drawn.parts; p++) {
        for (var k = one.drawn.start[p]; k < one.drawn.start[p + 1]; k++) {
          var away = Math.hypot(one.drawn.x[k] - x, one.drawn.y[k] - y);
          if (away < least) { least = away; best = one.drawn.box.slice(4 * p, 4 * p + 4); }
        }
      }
    });
    var box = [x, y, x, y];
    show(best ? joined(box, best) : box, 17);
  }

  function kept() { return { at: map.getCenter(), zoom: map.getZoom() }; }

  function restore(was) {
    if (was) map.setView(was.at, was.zoom, { animate: false });
  }

  function showPlace(number) {
    var place = data.worst[number];
    ways.choose(null, "place");
    map.setView([place.at[1], place.at[0]], 16, { animate: false });
  }

  ways.map = map;
  ways.view = {
    redraw: function () { plan.redraw(); }, showCircuit: showCircuit, showAsset: showAsset, showFindings: showFindings,
    showPlace: showPlace, showPoint: showPoint, showNear: showNear, showIds: showIds, showBox: show,
    placesFor: placesFor, coordinates: coordinates, pointOf: pointOf, kept: kept, restore: restore,
    focus: function () { holder.focus({ preventScroll: true }); }
  };

  map.on("click", function (event) {
    if (ways.measuring && ways.measuring()) ways.measureAt(event.latlng);
    else press(event.latlng);
  });

  document.querySelectorAll("#plan-layers input").forEach(function (box) {
    box.addEventListener("change", function () {
      ways.shown[box.value] = box.checked;
      plan.redraw();
    });
  });

  window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", function () { plan.redraw(); });
  window.addEventListener("resize", function () { map.invalidateSize({ animate: false }); });
})();
