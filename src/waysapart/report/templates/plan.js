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

  /* The wheel scrolls the page until the map has been clicked or reached by keyboard. */
  map.scrollWheelZoom.disable();
  map.on("focus", function () { map.scrollWheelZoom.enable(); });
  map.on("blur", function () { map.scrollWheelZoom.disable(); showCross(false); });

  /* East and north in the study's own system, by the polynomial that stands for its projection. */
  function eastNorth(lon, lat) {
    lon += 360 * Math.round((data.grid.centre[0] - lon) / 360);
    var grid = data.grid, x = (lon - grid.centre[0]) / grid.half[0], y = (lat - grid.centre[1]) / grid.half[1];
    if (Math.abs(x) > 1 || Math.abs(y) > 1) return null;
    var out = [0, 0], k = 0, xi = 1;
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

  function degrees(value, plus, minus) { return Math.abs(value).toFixed(5) + "° " + (value < 0 ? minus : plus); }

  function told(latlng) {
    var at = latlng.wrap(), text = degrees(at.lat, "N", "S") + "  " + degrees(at.lng, "E", "W");
    var own = data.grid ? eastNorth(at.lng, at.lat) : null;
    if (own) {
      var step = data.grid.error_m > 0.5 ? Math.pow(10, Math.ceil(Math.log10(2 * data.grid.error_m))) : 1;
      var round = function (v) { return String(Math.round(v / step) * step).replace(/\B(?=(\d{3})+$)/g, " "); };
      text = "E " + round(own[0]) + "  N " + round(own[1]) + "  " + (data.grid.code || data.grid.name) + "\n" + text;
    }
    return text;
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
      else ways.pickAsset(ways.pick(map, map.getCenter()), false);
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

  function showCircuit(index) {
    if (index === null) {
      var f = data.frame;
      map.fitBounds([[f[1], f[0]], [f[3], f[2]]], { padding: [24, 24], animate: false });
      return;
    }
    var box = [2, 2, -1, -1];
    data.circuits[index].paths.forEach(function (path) {
      var parts = [];
      path.segments.forEach(function (s) { parts = parts.concat(ways.partsOf[s]); });
      var all = [bounds(parts, ways.plant), bounds(path.drawn.of.map(function (_, p) { return p; }), path.drawn)];
      all.forEach(function (b) {
        box = [Math.min(box[0], b[0]), Math.min(box[1], b[1]), Math.max(box[2], b[2]), Math.max(box[3], b[3])];
      });
    });
    show(box, 17);
  }

  function showAsset(id) {
    var runs = Object.hasOwn(data.runs, id) ? data.runs[id] : [], hazard = ways.rowOf(data.hazards, id);
    if (runs.length) {
      var parts = [];
      runs.forEach(function (s) { parts = parts.concat(ways.partsOf[s]); });
      return show(bounds(parts, ways.plant), 17);
    }
    if (hazard !== undefined) {
      return show(bounds(ways.hazards.of.map(function (_, p) { return p; }).filter(function (p) { return ways.hazards.of[p] === hazard; }), ways.hazards), 15);
    }
    var place = ways.placeOf(id), point = ways.pointAt.get(place), line = ways.plantAt.get(place);
    if (point !== undefined) {
      map.setView(latlng(ways.points.x[point], ways.points.y[point]), Math.max(map.getZoom(), 15), { animate: false });
    } else if (line !== undefined) show(bounds(ways.partsOf[line], ways.plant), 17);
  }

  function showPlace(number) {
    var place = data.worst[number];
    ways.choose(null, "place");
    map.setView([place.at[1], place.at[0]], 16, { animate: false });
  }

  ways.map = map;
  ways.view = {
    redraw: function () { plan.redraw(); }, showCircuit: showCircuit, showAsset: showAsset,
    showPlace: showPlace, showBox: show, focus: function () { holder.focus({ preventScroll: true }); }
  };

  map.on("click", function (event) {
    if (ways.measuring && ways.measuring()) ways.measureAt(event.latlng);
    else ways.pickAsset(ways.pick(map, event.latlng), false);
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
