/* Proposals and proofs: new plant, the paths of the proposal chosen, and the step of a proof chosen. */
(function () {
  "use strict";
  var ways = window.waysapart, data = ways.data, told = data.reroute, pen = ways.pen;
  var picker = document.getElementById("plan-proposal"), steps = document.getElementById("plan-step");
  var stepLabel = document.getElementById("plan-step-label");
  var every = data.circuits.map(function (circuit) { return { paths: circuit.paths, named: circuit.shared }; });
  var marks = data.marks, step = null;
  /* What a proof names is not shared by the paths that are drawn: it is drawn here, with the same mark. */
  data.circuits.forEach(function (circuit) { circuit.shared = []; });
  var sides = told.sides.map(ways.unpackRuns);
  ways.shown.proposals = ways.shown.proof = true;

  function proposal(key) { return told.proposals.find(function (one) { return one.key === key; }); }

  function colour(view, name) {
    return getComputedStyle(view.map.getContainer()).getPropertyValue("--" + name).trim();
  }

  /* Of a circuit that the proposal leaves as it is, the paths on record. */
  function keyFor(circuit) {
    var has = every[circuit].paths.some(function (path) { return path.when === picker.value; });
    return has ? picker.value : told.record;
  }

  /* The step that is chosen hides the paths: they would lie on its cut. */
  function turn() {
    var open = picker.value === told.record;
    data.circuits.forEach(function (circuit, index) {
      var key = keyFor(index), mine = step !== null && ways.chosen() === index;
      circuit.paths = mine ? [] : every[index].paths.filter(function (path) { return path.when === key; });
    });
    data.marks = marks.filter(function (mark) {
      var one = chosenStep();
      return keyFor(mark.circuit) === told.record && (!one || one.pairs.indexOf(mark.main) >= 0);
    });
    document.querySelectorAll(".proposal").forEach(function (card) {
      var on = !open && card.id === picker.value, button = card.querySelector(".proposal-on-map");
      card.classList.toggle("chosen", on);
      if (button) button.setAttribute("aria-pressed", String(on));
    });
    document.querySelectorAll("button.step").forEach(function (button) {
      var circuit = Number(button.closest("[data-circuit]").dataset.circuit);
      button.setAttribute("aria-pressed", String(circuit === ways.chosen() && Number(button.value) === step));
    });
    ways.view.redraw();
  }

  function listSteps(circuit) {
    var rows = circuit === null ? [] : told.steps[circuit];
    stepLabel.hidden = !rows.length;
    while (steps.options.length > 1) steps.remove(1);
    rows.forEach(function (_, number) {
      var option = document.createElement("option");
      option.value = String(number);
      option.textContent = "step " + (number + 1);
      steps.appendChild(option);
    });
  }

  function chooseStep(number) {
    step = number;
    steps.value = number === null ? "" : String(number);
    if (number !== null) picker.value = told.record;
    turn();
    if (number !== null) showStep();
  }

  function chooseProposal(key) {
    picker.value = key;
    step = null;
    steps.value = "";
    turn();
  }

  picker.addEventListener("change", function () { chooseProposal(picker.value); });
  steps.addEventListener("change", function () { chooseStep(steps.value === "" ? null : Number(steps.value)); });

  /* A circuit that is chosen shows its paths as proposed, by the first proposal that has any. */
  document.addEventListener("circuit", function (event) {
    var circuit = event.detail.circuit;
    step = null;
    listSteps(circuit);
    if (circuit !== null && !every[circuit].paths.some(function (path) { return path.when === picker.value; })) {
      picker.value = told.steps[circuit].length ? told.record : firstFor(circuit);
    }
    turn();
    if (circuit !== null) ways.view.showCircuit(circuit);
  });

  function firstFor(circuit) {
    var found = told.proposals.find(function (one) {
      return every[circuit].paths.some(function (path) { return path.when === one.key; });
    });
    return found ? found.key : told.record;
  }

  /* What belongs to a proposal or to a step, wherever on the page it is pressed. */
  document.addEventListener("click", function (event) {
    var button = event.target.closest("button"), within = event.target.closest("[data-when]");
    if (button && button.matches(".proposal-on-map")) {
      var one = proposal(button.value);
      ways.toMap("#map", function () {
        if (ways.chosen() !== null && one.apart.indexOf(ways.chosen()) < 0) ways.choose(null, "proposal");
        if (ways.chosen() === null && one.apart.length) ways.choose(one.apart[0], "proposal");
        chooseProposal(one.key);
        if (one.new.length) ways.view.showIds(one.new);
        else if (ways.chosen() !== null) ways.view.showCircuit(ways.chosen());
      });
    } else if (button && button.matches("button.step")) {
      var number = Number(button.value), circuit = Number(button.closest("[data-circuit]").dataset.circuit);
      if (ways.chosen() === circuit && step === number) return chooseStep(null);
      ways.toMap("#map", function () {
        ways.choose(circuit, "step");
        chooseStep(number);
      });
    } else if (within && (event.target.closest("svg.strip") || (button && button.matches(".pick")))) {
      chooseProposal(within.dataset.when);
    }
  }, true);

  function showStep() {
    var one = told.steps[ways.chosen()][step], ids = one.named.concat(one.pairs, one.cut);
    ways.view.showIds(ids);
  }

  function traceIds(view, ids) {
    var any = false;
    view.ctx.beginPath();
    ids.forEach(function (id) {
      var line = ways.plantAt.get(id);
      (line === undefined ? [] : ways.partsOf[line]).forEach(function (p) { pen.trace(view, ways.plant, p); any = true; });
    });
    return any;
  }

  function drawNew(view) {
    told.proposals.forEach(function (one) {
      var on = one.key === picker.value;
      if (on || !traceIds(view, one.new)) return;
      pen.stroke(view, view.colour.paper, 4);
      pen.stroke(view, colour(view, "added"), 2, [7, 4]);
    });
    var chosen = proposal(picker.value);
    if (chosen && traceIds(view, chosen.new)) {
      /* A path on top of it leaves both edges to be seen. */
      var broad = ways.chosen() === null ? 5 : 14;
      pen.stroke(view, view.colour.paper, broad + 4);
      pen.stroke(view, colour(view, "added"), broad, [12, 5]);
    }
  }

  /* What either end still reaches: a solid line for end A, dots for end B. */
  function drawSides(view, one) {
    one.sides.forEach(function (side, end) {
      view.ctx.beginPath();
      sides[side.plant].forEach(function (segment) {
        ways.partsOf[segment].forEach(function (p) { if (pen.inSight(ways.plant, p, view.box)) pen.trace(view, ways.plant, p); });
      });
      if (end === 0) return pen.stroke(view, colour(view, "side-a"), 5);
      view.ctx.lineCap = "round";
      pen.stroke(view, view.colour.paper, 6);
      pen.stroke(view, colour(view, "side-b"), 5, [0.1, 8]);
      view.ctx.lineCap = "butt";
    });
  }

  function drawCut(view, one) {
    if (traceIds(view, one.cut)) {
      pen.stroke(view, view.colour.paper, 6);
      pen.stroke(view, colour(view, "removed"), 4, [8, 5]);
    }
  }

  /* Where an asset is drawn: at its own place, or beside that of what holds it, as a site has its own mark. */
  function spot(view, id, aside) {
    var at = ways.placeOf(id), point = ways.pointAt.get(at), line = ways.plantAt.get(at), off = at === id ? 0 : 17;
    if (point !== undefined) {
      var p = pen.at(view, point);
      return [p[0] + off * aside, p[1] + off];
    }
    if (line === undefined || !ways.partsOf[line].length) return null;
    var part = ways.partsOf[line][0], k = Math.floor((ways.plant.start[part] + ways.plant.start[part + 1] - 1) / 2);
    var n = Math.min(k + 1, ways.plant.start[part + 1] - 1);
    return [
      (ways.plant.x[k] + ways.plant.x[n]) / 2 * view.scale - view.dx, (ways.plant.y[k] + ways.plant.y[n]) / 2 * view.scale - view.dy
    ];
  }

  /* One sign for each patch of the map: a cut through a long cable is many segments. */
  function signs(view, ids, aside, patch, draw) {
    var taken = new Set();
    ids.forEach(function (id) {
      var p = spot(view, id, aside), key = p && Math.round(p[0] / patch) + " " + Math.round(p[1] / patch);
      if (!p || taken.has(key) || !pen.seen(view, p[0], p[1])) return;
      taken.add(key);
      draw(p[0], p[1]);
      view.taken.push([p[0] - 9, p[1] - 9, p[0] + 9, p[1] + 9]);
    });
  }

  function drawCutSigns(view, one) {
    signs(view, one.cut, 1, 60, function (x, y) {
      view.ctx.beginPath();
      view.ctx.arc(x, y, 7, 0, 2 * Math.PI);
      view.ctx.fillStyle = view.colour.paper;
      view.ctx.fill();
      pen.stroke(view, colour(view, "removed"), 2);
      view.ctx.beginPath();
      view.ctx.moveTo(x - 3.5, y - 3.5); view.ctx.lineTo(x + 3.5, y + 3.5);
      view.ctx.moveTo(x + 3.5, y - 3.5); view.ctx.lineTo(x - 3.5, y + 3.5);
      pen.stroke(view, colour(view, "removed"), 2.2);
    });
  }

  /* Of every circuit whose paths are those on record; of the one chosen alone, or of its step. */
  function named() {
    var chosen = ways.chosen(), one = chosenStep(), ids = new Set();
    if (one) return one.named;
    every.forEach(function (circuit, index) {
      if ((chosen !== null && chosen !== index) || keyFor(index) !== told.record) return;
      circuit.named.forEach(function (found) { ids.add(found.asset); });
    });
    return Array.from(ids);
  }

  function drawNamed(view) {
    signs(view, named(), -1, 18, function (x, y) {
      view.ctx.beginPath();
      view.ctx.moveTo(x, y - 8); view.ctx.lineTo(x + 8, y); view.ctx.lineTo(x, y + 8); view.ctx.lineTo(x - 8, y);
      view.ctx.closePath();
      view.ctx.fillStyle = view.colour.common;
      view.ctx.fill();
      pen.stroke(view, view.colour.ink, 1.75);
    });
  }

  /* The ends of the circuit are called A and B, as in the steps of its proof. */
  function drawEnds(view, circuit) {
    told.ends[circuit].forEach(function (sites, end) {
      sites.forEach(function (id) {
        var point = ways.pointAt.get(id);
        if (point === undefined) return;
        var p = pen.at(view, point), ink = colour(view, end ? "side-b" : "side-a"), letter = end ? "B" : "A", ctx = view.ctx;
        if (!pen.seen(view, p[0], p[1])) return;
        ctx.beginPath();
        ctx.arc(p[0] - 15 + 30 * end, p[1] - 15, 9, 0, 2 * Math.PI);
        ctx.fillStyle = view.colour.paper;
        ctx.fill();
        pen.stroke(view, ink, 2);
        ctx.font = "700 12px " + getComputedStyle(view.map.getContainer()).fontFamily;
        ctx.fillStyle = view.colour.ink;
        ctx.textBaseline = "middle";
        ctx.fillText(letter, p[0] - 19 + 30 * end, p[1] - 14);
        view.taken.push([p[0] - 25 + 30 * end, p[1] - 25, p[0] - 5 + 30 * end, p[1] - 5]);
      });
    });
  }

  function chosenStep() {
    var chosen = ways.chosen();
    return chosen === null || step === null || !ways.shown.proof ? null : told.steps[chosen][step];
  }

  function glow(view, ids, name) {
    if (!ids.length || !traceIds(view, ids)) return;
    view.ctx.lineCap = "round";
    pen.stroke(view, view.colour.ink, 9);
    pen.stroke(view, view.colour[name], 6);
    view.ctx.lineCap = "butt";
  }

  ways.under.push(function (view) {
    var one = chosenStep();
    if (one) drawSides(view, one);
    if (ways.shown.proposals) drawNew(view);
    if (one) drawCut(view, one);
    if (ways.shown.findings) glow(view, named(), "common");
    if (one) glow(view, one.pairs, "near");
  });

  ways.top.push(function (view) {
    var chosen = ways.chosen(), one = chosenStep();
    if (one) drawCutSigns(view, one);
    if (ways.shown.findings) drawNamed(view);
    if (chosen !== null && told.steps[chosen].length && ways.shown.proof) drawEnds(view, chosen);
  });

  /* The browser may have kept a choice from an earlier visit. */
  picker.value = told.record;
  listSteps(ways.chosen());
  turn();
})();
