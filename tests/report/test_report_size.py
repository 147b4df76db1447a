"""Evidence and report grow with what is found, not with the towers between.

    A ==== T1 ==== T2 ==== ... ==== B      K1: both cables on the same spans, all the way
    A ---- U1 ---- U2 ---- ... ---- B      K2: main on the line, alternate on its twin 25 m beside
    A ....... P, 3 km to the north .. B    K3: main on the line, alternate through ducts: apart

The same three circuits over 50 spans and over 500, on a line of 13.8 km.
"""

from __future__ import annotations

import random
import re
from pathlib import Path
from typing import Any

import pytest

from line_plant import LinePlant
from waysapart.cli.common import json_text
from waysapart.evidence_file import in_file
from waysapart.report.marks import id_runs
from waysapart.report.page import render_report
from waysapart.report.write import report_facts

LONG_M = 13_800
FEW, MANY = 50, 500
WIDE = """
[services.wide]
separation_m = { "span/span" = 40 }
end_zone_m = 300
"""
EACH = ("shared", "members")
"""By the form of the evidence an entry for each asset that is shared and each pair that is near."""


def drawn(folder: Path, spans: int) -> Any:
    plant = LinePlant((0, 0), (LONG_M, 0))
    plant.rules = WIDE
    along = [LONG_M * k / spans for k in range(1, spans)]
    line = [f"T{k}" for k in range(1, spans)]
    twin = [f"U{k}" for k in range(1, spans)]
    plant.nodes("tower", **{name: (x, 0) for name, x in zip(line, along, strict=True)})
    plant.nodes("tower", **{name: (x, 25) for name, x in zip(twin, along, strict=True)})
    plant.nodes("pit", P=(LONG_M / 2, 3000))
    names = plant.laid("CM", "A", *line, "B", kind="span")
    plant.follow("CS", *names)
    plant.laid("CT", "A", *twin, "B", kind="span")
    plant.laid("CD", "A", "P", "B")
    for link, cable in (("LM", "CM"), ("LS", "CS"), ("LT", "CT"), ("LD", "CD")):
        plant.fibre(link, "RA", "RB", cable)
    for circuit, other in (("K1", "LS"), ("K2", "LT"), ("K3", "LD")):
        plant.way(circuit, "main", "LM", service="wide")
        plant.way(circuit, "alternate", other)
    return plant.proved(folder / "study")


@pytest.fixture(scope="module")
def proofs(tmp_path_factory: pytest.TempPathFactory) -> dict[int, Any]:
    return {spans: drawn(tmp_path_factory.mktemp(f"spans{spans}"), spans) for spans in (FEW, MANY)}


def without(names: tuple[str, ...], value: Any) -> Any:
    if isinstance(value, dict):
        return {key: without(names, one) for key, one in value.items() if key not in names}
    return [without(names, one) for one in value] if isinstance(value, list) else value


def test_evidence_has_the_same_bytes_for_fifty_spans_and_five_hundred(
    proofs: dict[int, Any],
) -> None:
    """K3 shares nothing: its entry differs in the digits of its figures. All else but the entries
    that the form asks for, one for each shared asset and for each near pair, differs by 3 in 100
    at most. Such an entry takes 110 bytes or less; K1 has two for each span more, of a span and
    of a tower (and the ids of both in its stretch, of 8 bytes each with quotes and comma).
    Of a span and its tower the records hold four rows, two of plant and runs of two cables."""
    files = {spans: in_file(proof.facts()) for spans, proof in proofs.items()}
    apart = [len(json_text(files[spans]["circuits"][2])) for spans in (FEW, MANY)]
    assert files[FEW]["circuits"][2]["verdict"] == files[MANY]["circuits"][2]["verdict"] == "apart"
    assert apart[1] < 1.01 * apart[0]
    records = [len(json_text(files[spans].pop("records"))) for spans in (FEW, MANY)]
    rest = [len(json_text(without(EACH, files[spans]))) for spans in (FEW, MANY)]
    assert rest[1] < 1.03 * rest[0]
    assert (records[1] - records[0]) / (MANY - FEW) < 140
    one, two = (files[spans]["circuits"][0] for spans in (FEW, MANY))
    more = len(two["shared"]) - len(one["shared"])
    assert more == 2 * (MANY - FEW)
    assert len(json_text(two)) - len(json_text(one)) < (110 + 8) * more


def listed(first: str, last: str, count: int) -> list[str]:
    head = first.rstrip("0123456789")
    low, high = (int(name[len(head) :] or 0) for name in (first, last))
    wide = len(first) - len(head) if "0" in (first[len(head) :][:1], last[len(head) :][:1]) else 0
    step = 1 if high > low else -1
    return [f"{head}{low + k * step:0{wide}d}" for k in range(count)] if count > 1 else [first]


@pytest.mark.parametrize("seed", range(3))
def test_runs_of_ids_name_every_id(seed: int) -> None:
    """Counting up and down, with noughts before the number and without, beside ids like them."""
    rng = random.Random(seed)
    for _ in range(300):
        ids: list[str] = []
        while len(ids) < 14:
            head, wide = rng.choice(["T", "A-", "", "T0"]), rng.choice([0, 0, 2, 3])
            number, step = rng.choice([0, 1, 7, 8, 9, 97, 98, 99]), rng.choice([1, -1])
            some = [number + k * step for k in range(rng.randint(1, 7))]
            ids += [f"{head}{one:0{wide}d}" for one in some if one >= 0]
        runs = id_runs(ids)
        assert [name for run in runs for name in listed(*run)] == ids
        assert all(count == 1 or count > 3 for _, _, count in runs)


def test_a_twin_line_is_one_stretch(proofs: dict[int, Any]) -> None:
    """25 m apart all along: one entry of 13.8 km less both end zones of 300 m, 13.2 km."""
    for proof in proofs.values():
        facts = proof.facts()
        (near,) = facts["circuits"][1]["near"]
        assert near["distance_m"] == pytest.approx(25, abs=0.05)
        assert near["length_m"] == pytest.approx(LONG_M - 600, rel=1e-3)
        page = render_report(*report_facts(proof), title="Line")
        assert "25.0 m apart over 13.2 km, " in page


def test_the_report_has_the_same_bytes_but_for_the_map(proofs: dict[int, Any]) -> None:
    """The map draws every tower. Text and lists are the same but for numbers and a few ids more;
    the three drawings take more until they are full: a lane has a tick every 6 pixels of 810 at
    the most, 135, and 49 towers before. Ten times the towers make 15 in 100 more, not ten times."""
    size = {}
    for spans, proof in proofs.items():
        page = render_report(*report_facts(proof), title="Line")
        shown = re.sub(r'<script type="application/json" id="map-data">.*?</script>', "", page)
        shown = re.sub(r'<svg class="picture".*?</svg>', "", shown, flags=re.S)
        size[spans] = len("".join(re.findall(r"<main>.*</main>", shown, re.S)))
    assert size[MANY] < 1.15 * size[FEW]
