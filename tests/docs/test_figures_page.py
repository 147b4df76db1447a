"""docs/figures.md works out every figure of one demo circuit: each sum is done again here.

A sum must give the value beside it to the digits shown; a value with a place
must be exactly what the program prints there; a value with a source must be
what the records, the rules or the drawing say; and no figure of the circuit's
paths, delay and availability may be missing from the page.
"""

from __future__ import annotations

import ast
import math
import operator
import re
from collections.abc import Callable, Iterator
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from proofs import proof_of
from waysapart.verdicts.prove import Proof

ROOT = Path(__file__).resolve().parents[2]
CIRCUIT, LINKS = "C29", ("C29-M", "C29-A")
LINE = re.compile(r"^(?P<sum>.+?) (?P<mark>from|=) (?P<rest>.+)$")
LIGHT = "299.792458"
OPERATORS: dict[type[ast.AST], Callable[..., float]] = {
    ast.Add: operator.add,
    ast.Sub: operator.sub,
    ast.Mult: operator.mul,
    ast.Div: operator.truediv,
    ast.Pow: operator.pow,
    ast.USub: operator.neg,
}
FUNCTIONS: dict[str, Callable[[float], float]] = {
    name: getattr(math, name)
    for name in ("cosh", "sinh", "sqrt", "sin", "radians", "ceil", "floor")
}


def lines() -> list[str]:
    page = (ROOT / "docs" / "figures.md").read_text(encoding="utf-8")
    blocks = re.findall(r"^```figures\n(.*?)^```$", page, re.DOTALL | re.MULTILINE)
    return [line for block in blocks for line in block.splitlines() if line.strip()]


def worth(node: ast.AST) -> float:
    """Value of a sum made of numbers, signs, brackets and a few functions."""
    if isinstance(node, ast.Expression):
        return worth(node.body)
    if isinstance(node, ast.Constant) and isinstance(node.value, (int, float)):
        return node.value
    if isinstance(node, ast.BinOp):
        return OPERATORS[type(node.op)](worth(node.left), worth(node.right))
    if isinstance(node, ast.UnaryOp):
        return OPERATORS[type(node.op)](worth(node.operand))
    if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and len(node.args) == 1:
        return FUNCTIONS[node.func.id](worth(node.args[0]))
    raise AssertionError(f"not a sum: {ast.dump(node)}")


def last_digit(text: str) -> float:
    """One unit of the last digit that is written."""
    exponent = Decimal(text).as_tuple().exponent
    assert isinstance(exponent, int)
    return float(Decimal(1).scaleb(exponent))


@pytest.fixture(scope="module")
def proof() -> Proof:
    return proof_of(ROOT / "examples" / "estuary")


@pytest.fixture(scope="module")
def facts(proof: Proof) -> dict[str, Any]:
    found = proof.facts()
    circuit = next(one for one in found["circuits"] if one["id"] == CIRCUIT)
    return {
        **circuit,
        **{one["id"]: one for one in found["links"] if one["id"] in LINKS},
    }


def at(facts: dict[str, Any], place: str) -> Any:
    """The printed value at a place such as `paths.main.lengths.0.route_m`."""
    node: Any = facts
    steps = place.split()[1:] if place.startswith("link ") else place.split(".")
    for step in steps:
        node = node[int(step)] if isinstance(node, list) else node[step]
    return node


def given(proof: Proof, source: str) -> float:
    """What the records, the rules or the drawing say."""
    kind, *rest = source.split()
    study, network = proof.study, proof.network
    if kind == "rule":
        node: Any = study.rules
        for key in rest:
            if isinstance(node, dict):
                node = node[int(key) if key.isdigit() else key]
            else:
                node = getattr(node, key)
        return float(node)
    if kind == "cell":
        role, name, column = rest
        table = study.tables[role]
        if role == "measurements":
            mine = (table["cable"] == name) | (table["link"] == name)
            return float(table.loc[mine, column].dropna().iloc[0])
        return float(table.set_index("id").loc[name, column])
    if kind == "splices":
        cable, fibre = rest
        table = study.tables["splices"]
        mine = [
            (table[f"{end}_cable"] == cable) & (table[f"{end}_fibre"] == int(fibre)) for end in "ab"
        ]
        return float(table.loc[mine[0] | mine[1], "loss_db"].sum())
    if kind == "cable":
        name, term = rest
        cable = study.tables["cables"]["id"].tolist().index(name)
        return float(getattr(network.terms, term)[cable])
    assert kind in {"count", "length"}, source
    frame = network.assets.frame.iloc[sorted(relied_on(proof, rest[0]))]
    if kind == "count":
        frame = frame[frame["role"] == rest[1]]
        return float((frame["kind"] == rest[2]).sum() if len(rest) > 2 else len(frame))
    chosen = frame[(frame["role"] == "segments") & (frame["kind"] == rest[1])].index
    return float(network.segment_m[chosen - network.assets.start["segments"]].sum())


def relied_on(proof: Proof, which: str) -> set[int]:
    """Assets that both paths rely on (shared), or one of them alone."""
    paths = proof.network.paths
    circuit = proof.study.tables["circuits"]["id"].tolist().index(CIRCUIT)
    by_label = {paths.label[path]: path for path in paths.of_circuit(circuit)}
    relied = {
        label: set(proof.reliance.paths[[path]].indices.tolist())
        for label, path in by_label.items()
    }
    if which == "shared":
        return relied["main"] & relied["alternate"]
    other = {"main": "alternate", "alternate": "main"}[which]
    return relied[which] - relied[other]


@pytest.mark.parametrize("line", lines())
def test_each_line_of_the_page_holds(line: str, proof: Proof, facts: dict[str, Any]) -> None:
    match = LINE.match(line)
    assert match, f"not understood: {line}"
    if match["mark"] == "from":
        written = match["sum"].split()[0]
        assert given(proof, match["rest"]) == pytest.approx(
            float(written), abs=0.5001 * last_digit(written)
        )
        return
    value, _, place = match["rest"].partition(" printed as ")
    written = value.split()[0]
    result = worth(ast.parse(match["sum"], mode="eval"))
    assert result == pytest.approx(float(written), abs=0.5001 * last_digit(written))
    if place:
        assert at(facts, place) == float(written)


def test_long_numbers_in_a_sum_were_given_or_worked_out_before() -> None:
    """No number of four digits or more comes from nowhere, but the speed of light.

    The catenary constant is found by trying and proved by the sag that it gives.
    """
    known = {LIGHT, "1495.654", "525600", "8760"}
    for line in lines():
        match = LINE.match(line)
        assert match
        if match["mark"] == "=":
            for number in re.findall(r"\d+\.?\d*(?:e-?\d+)?", match["sum"]):
                digits = number.split("e")[0].replace(".", "").strip("0")
                if len(digits) >= 4:
                    assert any(_same(number, one) for one in known), f"{number} in: {line}"
            known.add(match["rest"].split()[0].lstrip("-"))
            known.add(f"{worth(ast.parse(match['sum'], mode='eval')):.9e}")
        else:
            known.add(match["sum"].split()[0].lstrip("-"))


def _same(number: str, known: str) -> bool:
    """Whether two writings stand for one number, to the digits of the first; or km for m."""
    return any(
        abs(float(number) - float(known) / unit) <= 0.5001 * last_digit(number)
        for unit in (1, 1000, 1e6)
    )


def leaves(node: Any, place: str) -> Iterator[tuple[str, Any]]:
    if isinstance(node, dict):
        for key, value in node.items():
            yield from leaves(value, f"{place}.{key}" if place else key)
    elif isinstance(node, list):
        for number, value in enumerate(node):
            yield from leaves(value, f"{place}.{number}")
    else:
        yield place, node


def test_no_figure_is_missing(facts: dict[str, Any]) -> None:
    """Every figure of paths, delay and availability, and of the two links' entries."""
    shown = {line.split(" printed as ")[1] for line in lines() if " printed as " in line}
    sections = {name: facts[name] for name in ("paths", "delay", "unavailability")}
    wanted = dict(leaves(sections, ""))
    for link in LINKS:
        # Its trace repeats the records that it is traced over.
        own = {key: value for key, value in facts[link].items() if key not in ("terms", "trace")}
        repeated = {"loss_db", "margin_db", "budget_db", "wavelength_nm"}
        powers = {"tx_min_dbm", "tx_max_dbm", "rx_min_dbm", "rx_max_dbm"}
        wanted |= {
            f"link {link} {key}": value
            for key, value in own.items()
            if key not in repeated | powers
        }
    figures = {
        place
        for place, value in wanted.items()
        if isinstance(value, (int, float)) and not isinstance(value, bool) and value != 0
    }
    counted = {place for place in figures if place.endswith(".relies_on")}
    assert figures - counted - shown == set()
