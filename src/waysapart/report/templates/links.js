/* Links: a hash is an id or the name of a part of the page. It leads there at once, and Back leads
   back: to the same place, with the same circuit, asset and entries.

   "#C03" is a circuit, else a group, else an asset; "#sign-off" is a part of the page. Where one
   name is several of these, "#circuit:", "#group:" and "#asset:" say which; "#map:C03" is what was
   found of a circuit, or an asset, on the map. Ids are percent-encoded as in any address. */
(function () {
  "use strict";
  var ways = window.waysapart, data = ways.data;
  var here = 0, last = 0, kept = new Map();
  var FRAMES = 90, STILL = 6;

  function decoded(text) {
    try { return decodeURIComponent(text); } catch (_) { return text; }
  }

  /* An element of the text of the page: not a symbol, a script, or a part of a drawing. */
  function part(id) {
    var found = id ? document.getElementById(id) : null;
    return found && found.closest("main") && !found.closest("svg") ? found : null;
  }

  function circuitOf(id) { return data.circuits.findIndex(function (one) { return one.id === id; }); }

  function groupOf(id) {
    return Array.from(document.querySelectorAll("[data-group]")).find(function (one) { return one.dataset.group === id; });
  }

  function isAsset(id) {
    return [data.points, data.plant, data.hazards, data.others].some(function (table) { return ways.rowOf(table, id) !== undefined; });
  }

  var KINDS = {
    circuit: function (id) { var at = circuitOf(id); return at < 0 ? null : { circuit: at }; },
    group: function (id) { var at = groupOf(id); return at ? { element: at } : null; },
    asset: function (id) { return isAsset(id) ? { asset: id } : null; },
    map: function (id) {
      var at = circuitOf(id);
      return at >= 0 ? { circuit: at, map: true } : KINDS.asset(id);
    }
  };

  /* What a hash names: an element, a circuit or an asset; null for nothing on this page. */
  function meaning(hash) {
    var raw = hash.slice(1), text = decoded(raw), found = part(raw) || part(text);
    if (found) return found.matches("details.circuit") ? { circuit: Number(found.dataset.circuit), element: found } : { element: found };
    var plain = KINDS.circuit(text) || KINDS.group(text) || KINDS.asset(text);
    if (plain || !text) return plain;
    var colon = text.indexOf(":"), kind = text.slice(0, colon);
    return colon > 0 && Object.hasOwn(KINDS, kind) ? KINDS[kind](text.slice(colon + 1)) : null;
  }

  function hashOf(kind, id) {
    var plain = "#" + encodeURIComponent(id), found = meaning(plain);
    return found && found[kind] !== undefined && !found.element ? plain : "#" + kind + ":" + encodeURIComponent(id);
  }

  /* The entry of a circuit, or its row where the page has no entries. */
  function placeOf(circuit) {
    return document.querySelector("details.circuit[data-circuit='" + circuit + "']") ||
      document.querySelector("tr[data-circuit='" + circuit + "']");
  }

  /* At once, not smoothly: parts far away have a guessed height until they are laid out, and a long
     way through them would move the target on. What is laid out on arrival may still move it:
     so the jump is repeated until the target stands still, or the reader does something. */
  var settling = 0;
  function settle(element, place) {
    var mine = ++settling, still = 0, frames = 0, at;
    function put() {
      place();
      at = element.getBoundingClientRect().top;
    }
    function look() {
      if (mine !== settling || frames++ > FRAMES) return;
      if (Math.abs(element.getBoundingClientRect().top - at) > 1) { still = 0; put(); }
      else if (++still > STILL) return;
      requestAnimationFrame(look);
    }
    put();
    requestAnimationFrame(look);
  }
  ["wheel", "touchmove", "keydown", "pointerdown"].forEach(function (what) {
    window.addEventListener(what, function () { settling++; }, { capture: true, passive: true });
  });

  function jump(element) {
    settle(element, function () { element.scrollIntoView({ behavior: "instant", block: "start" }); });
  }

  function reveal(element) {
    for (var one = element; one; one = one.parentElement) if (one.matches("details")) one.open = true;
  }

  /* Readers by keyboard go on from where the link led. */
  function focus(element) {
    var to = element.matches("details") ? element.querySelector("summary") : element;
    if (to.tabIndex < 0 && !to.hasAttribute("tabindex")) to.tabIndex = -1;
    to.focus({ preventScroll: true });
  }

  function map() { return document.getElementById("map"); }

  function go(to) {
    if (to.asset !== undefined) {
      ways.pickAsset(to.asset, true);
      return jump(map());
    }
    if (to.map) {
      ways.choose(to.circuit, "link");
      ways.view.showFindings(to.circuit);
      return jump(map());
    }
    var element = to.element || placeOf(to.circuit);
    if (!element) return;
    if (element.matches("tr")) {
      ways.choose(to.circuit, "link");
      return jump(element.closest(".scroll") || element);
    }
    reveal(element);
    focus(element);
    jump(element);
  }

  /* What the reader sees: the part of the page at the top and how far it is scrolled, what is chosen
     and picked, what stands open, and where the map is. */
  function seen() {
    var parts = Array.from(document.querySelectorAll("main > section, details.circuit, .group, .proposal"));
    var top = parts.filter(function (one) { return one.getBoundingClientRect().top <= 1; }).pop() || document.body;
    return {
      part: top, off: top.getBoundingClientRect().top, chosen: ways.chosen(), picked: ways.picked || null, place: ways.place || null,
      open: Array.from(document.querySelectorAll("main details[open]")), map: ways.view.kept()
    };
  }

  function show(was) {
    document.querySelectorAll("main details").forEach(function (one) {
      var open = was.open.indexOf(one) >= 0;
      if (one.open !== open) one.open = open;
    });
    ways.choose(was.chosen, "history");
    ways.pickAsset(was.picked, false);
    if (was.place && was.picked === null) ways.pickPlace(was.place, false);
    ways.view.restore(was.map);
    settle(was.part, function () {
      window.scrollBy({ top: was.part.getBoundingClientRect().top - was.off, behavior: "instant" });
    });
  }

  function keep() { kept.set(here, seen()); }

  function push(hash) {
    here = ++last;
    /* A page inside another may not write history. */
    try { history.pushState({ waysapart: here }, "", hash); } catch (_) { return; }
  }

  /* Does something that leads elsewhere, so that Back undoes it. */
  function visit(hash, act) {
    keep();
    push(hash);
    act();
  }

  ways.toMap = function (hash, act) {
    visit(hash, function () { act(); jump(map()); });
  };
  ways.visit = visit;
  ways.hashOf = hashOf;

  document.addEventListener("click", function (event) {
    var link = event.target.closest("a[href^='#']");
    if (!link || event.defaultPrevented || event.button || event.ctrlKey || event.metaKey || event.shiftKey || event.altKey) return;
    var hash = link.getAttribute("href"), to = meaning(hash);
    if (!to) return;
    event.preventDefault();
    visit(hash, function () { go(to); });
  });

  function arrive() {
    var to = meaning(location.hash);
    if (to) go(to);
  }

  window.addEventListener("popstate", function (event) {
    var state = event.state;
    if (!state || state.waysapart === undefined) {
      /* A hash typed into the address, or a link that this page does not know. */
      here = ++last;
      try { history.replaceState({ waysapart: here }, ""); } catch (_) { /* as above */ }
      return arrive();
    }
    keep();
    here = state.waysapart;
    last = Math.max(last, here);
    if (kept.has(here)) show(kept.get(here));
    else arrive();
  });

  /* A page that is loaded anew opens as it was left. */
  window.addEventListener("pagehide", function () {
    var now = seen();
    try {
      history.replaceState({
        waysapart: here, part: now.part.id, off: now.off, chosen: now.chosen, picked: now.picked, place: now.place, map: now.map,
        open: now.open.map(function (one) { return one.id; }).filter(Boolean)
      }, "");
    } catch (_) { /* as above */ }
  });

  function begin() {
    var state = history.state;
    try { history.scrollRestoration = "manual"; } catch (_) { /* as above */ }
    if (state && state.open) {
      here = last = state.waysapart;
      var open = state.open.map(part).filter(Boolean);
      show({
        part: part(state.part) || document.body, off: state.off, chosen: state.chosen, picked: state.picked, place: state.place, map: state.map,
        open: open.concat(Array.from(document.querySelectorAll("main details[open]:not([id])")))
      });
      return;
    }
    try { history.replaceState({ waysapart: 0 }, ""); } catch (_) { /* as above */ }
    if (location.hash) arrive();
  }
  begin();
})();
