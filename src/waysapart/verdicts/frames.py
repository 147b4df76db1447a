"""The findings of a proof as tables for Python, from the same facts that `--json` writes."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any

import geopandas as gpd
import pandas as pd
import shapely

from waysapart.evidence import Circuit, Cross, Evidence, Group, Near
from waysapart.schema import LIST_SEPARATOR
from waysapart.verdicts.facts_sharing import SpacingFacts
from waysapart.verdicts.frame_columns import DTYPES, TABLES
from waysapart.verdicts.proof import ProofData
from waysapart.verdicts.shapes import AssetShapes

Row = dict[str, Any]
_STEP = " > "


class Frames:
    """Makes each table when it is first asked for.

    Parameters
    ----------
    proof : ProofData
    facts : Evidence
        Of the same proof.
    """

    def __init__(self, proof: ProofData, facts: Evidence) -> None:
        self._proof = proof
        self._facts = facts
        self._shapes = AssetShapes(proof)
        self._path_shapes: list[Any] | None = None
        self._made: dict[str, pd.DataFrame] = {}

    def of(self, name: str) -> pd.DataFrame:
        """Return one of the tables.

        Parameters
        ----------
        name : str
            A key of `TABLES`.

        Returns
        -------
        DataFrame or GeoDataFrame
            The same object whenever it is asked for.
        """
        if name not in self._made:
            makers: Mapping[str, Callable[[], tuple[list[Row], list[Any]]]] = {
                "circuits": self._circuits,
                "groups": self._groups,
                "paths": self._paths,
                "shared": self._shared,
                "near": self._near,
                "gaps": self._gaps,
                "budgets": self._budgets,
            }
            rows, shapes = makers[name]()
            self._made[name] = self._frame(name, rows, shapes)
        return self._made[name]

    def _frame(self, name: str, rows: list[Row], shapes: list[Any]) -> pd.DataFrame:
        table = TABLES[name]
        found = pd.DataFrame(
            {
                column.name: pd.array(
                    [pd.NA if (cell := row[column.name]) is None else cell for row in rows],
                    dtype=_dtype(DTYPES[column.type]),
                )
                for column in table.columns
            }
        )
        if table.geometry is None:
            return found
        shape = self._shapes.series(shapes)
        placed: pd.DataFrame = gpd.GeoDataFrame(found, geometry=shape.to_numpy(), crs=shape.crs)
        return placed

    def _owners(self) -> Iterable[tuple[int, str, Circuit | Group]]:
        """Number, `circuit` or `group`, and facts of every circuit and group."""
        circuits: list[Circuit | Group] = [*self._facts["circuits"]]
        for number, one in enumerate([*circuits, *self._facts["groups"]]):
            yield number, "circuit" if number < len(circuits) else "group", one

    def _lines_of(self, circuits: Iterable[int]) -> Any:
        """All that the paths of some circuits follow."""
        if self._path_shapes is None:
            self._path_shapes = self._shapes.paths()
        paths = self._proof.network.paths
        drawn = [
            self._path_shapes[path]
            for circuit in circuits
            for path in paths.of_circuit(circuit)
            if self._path_shapes[path] is not None
        ]
        lines = {part.wkb: part for one in drawn for part in one.geoms}
        return shapely.multilinestrings(list(lines.values())) if lines else None

    def _found(self, one: Circuit | Group, number: int) -> Row:
        return {
            "shared": len(one["shared"]),
            "near": len(one["near"]),
            "cross": len(one["cross"]),
            "gaps": len(self._proof.gaps_of[number]),
            "closest_m": one["closest_m"],
        }

    def _circuits(self) -> tuple[list[Row], list[Any]]:
        rows, shapes = [], []
        for number, one in enumerate(self._facts["circuits"]):
            delay, down = one["delay"], one["unavailability"]
            rows.append(
                {
                    **{name: one[name] for name in _CIRCUIT},  # type: ignore[literal-required]
                    "verdict": one["verdict"],
                    "within_limits": one["within_limits"],
                    **self._found(one, number),
                    "delay_us": delay["worst_us"],
                    "delay_at_least_us": delay["worst_at_least_us"],
                    "delay_limit_us": delay["limit_us"],
                    "delay_ok": _asked(delay["limit_us"], delay["ok"]),
                    "asymmetry_us": delay["asymmetry_us"],
                    "asymmetry_at_least_us": delay["asymmetry_at_least_us"],
                    "asymmetry_limit_us": delay["asymmetry_limit_us"],
                    "asymmetry_ok": _asked(delay["asymmetry_limit_us"], delay["asymmetry_ok"]),
                    "recovery_ms": delay["recovery_ms"],
                    "recovery_limit_ms": delay["recovery_limit_ms"],
                    "recovery_ok": _asked(delay["recovery_limit_ms"], delay["recovery_ok"]),
                    "loss_ok": one["loss_ok"],
                    "unavailability": down["both"],
                    "unavailability_at_least": _bound(down, "both"),
                    "unavailability_limit": down["limit"],
                    "unavailability_ok": _asked(down["limit"], down["ok"]),
                }
            )
            shapes.append(self._lines_of(self._proof.trials[number].circuits))
        return rows, shapes

    def _groups(self) -> tuple[list[Row], list[Any]]:
        rows, shapes = [], []
        for number, one in enumerate(self._facts["groups"], start=self._proof.circuit_count):
            down = one["unavailability"]
            rows.append(
                {
                    "id": one["id"],
                    "group_test": one["group_test"],
                    "members": LIST_SEPARATOR.join(one["members"]),
                    "verdict": one["verdict"],
                    "within_limits": one.get("within_limits"),
                    **self._found(one, number),
                    "unavailability": down["all"],
                    "unavailability_at_least": _bound(down, "all"),
                    "working": down["working"],
                    "working_at_least": _bound(down, "working"),
                }
            )
            shapes.append(self._lines_of(self._proof.trials[number].circuits))
        return rows, shapes

    def _paths(self) -> tuple[list[Row], list[Any]]:
        rows = []
        alike = (
            *("out_of_service", "length_m", "length_at_least_m", "route_m", "route_at_least_m"),
            *("delay_us", "delay_at_least_us", "relies_on"),
        )
        for one in self._facts["circuits"]:
            down = one["unavailability"]
            for label, path in one["paths"].items():
                rows.append(
                    {
                        "circuit": one["id"],
                        "path": label,
                        "links": LIST_SEPARATOR.join(path["links"]),
                        **{name: path[name] for name in alike},  # type: ignore[literal-required]
                        "unavailability": down[label],  # type: ignore[literal-required]
                        "unavailability_at_least": _bound(down, label),
                    }
                )
        return rows, self._shapes.paths()

    def _shared(self) -> tuple[list[Row], list[Any]]:
        rows, shapes = [], []
        number = {name: at for at, (name, _, _) in enumerate(self._proof.names)}
        for _, of, one in self._owners():
            via = {
                stretch["stretch"]: "; ".join(
                    f"{label}: {_STEP.join(chain)}" for label, chain in stretch["via"].items()
                )
                for stretch in one["stretches"]
            }
            for entry in one["shared"]:
                rows.append(
                    {
                        "of": of,
                        "id": one["id"],
                        **{name: entry[name] for name in _SHARED},  # type: ignore[literal-required]
                        "via": via[entry["stretch"]],
                    }
                )
                shapes.append(self._shapes.of(number[entry["asset"]]))
        return rows, shapes

    def _near(self) -> tuple[list[Row], list[Any]]:
        rows: list[Row] = []
        shapes: list[Any] = []
        spacing = SpacingFacts(self._proof)
        for trial, of, one in self._owners():
            owner = {"of": of, "id": one["id"]}
            labels = self._two_paths(trial)
            parts = spacing.near_lines(trial)
            for near, lines in zip(one["near"], parts, strict=True):
                paths = near.get("paths", labels)
                rows.append({"what": "near", **owner, **_near_row(near, paths)})
                shapes.append(
                    shapely.line_merge(
                        shapely.multilinestrings([self._shapes.stretch(*line) for line in lines])
                    )
                )
            for cross in one["cross"]:
                paths = cross.get("paths", labels)
                rows.append({"what": "cross", **owner, **_cross_row(cross, paths)})
                shapes.append(shapely.Point(cross["at"]))
        return rows, shapes

    def _two_paths(self, trial: int) -> list[Any]:
        """The labels of a trial's two paths; where it has more, entries say which they are of."""
        owner = self._proof.trials[trial]
        paths = [path for side in owner.sides for path in side]
        if len(paths) != 2:
            return [None, None]
        grouped = owner.group_test is not None
        return [self._proof.path_label(path, grouped=grouped) for path in paths]

    def _gaps(self) -> tuple[list[Row], list[Any]]:
        proof = self._proof
        touches: list[list[str]] = [[] for _ in proof.record_gaps]
        for trial, mine in zip(proof.trials, proof.gaps_of, strict=True):
            for gap in mine:
                touches[gap].append(trial.id)
        assets = [gap.asset for gap in proof.record_gaps]
        numbers = proof.network.assets.numbers(assets).tolist() if assets else []
        rows = [
            {
                "code": gap.code,
                "asset": gap.asset,
                "message": gap.message,
                "bears_on": gap.bears_on,
                "limits": LIST_SEPARATOR.join(gap.limits) or None,
                "touches": LIST_SEPARATOR.join(of) or None,
                "file": gap.file,
                "layer": gap.layer,
                "row": gap.row,
                "column": gap.column,
            }
            for gap, of in zip(proof.record_gaps, touches, strict=True)
        ]
        return rows, [self._shapes.of(one) if one >= 0 else None for one in numbers]

    def _budgets(self) -> tuple[list[Row], list[Any]]:
        links = {one["id"]: one["loss"] for one in self._facts["links"] if one["loss"] is not None}
        on_path: list[tuple[str | None, str | None, str, Any]] = [
            (one["id"], label, loss["link"], loss["ok"])
            for one in self._facts["circuits"]
            for label, path in one["paths"].items()
            for loss in path["loss"]
        ]
        used = {link for _, _, link, _ in on_path}
        on_path += [(None, None, link, None) for link in links if link not in used]
        service = {one["id"]: one["service"] for one in self._facts["circuits"]}
        rows = []
        for circuit, path, link, ok in on_path:
            loss = links[link]
            held = next(
                (one for one in loss["held_to"] if circuit and service[circuit] in one["services"]),
                None,
            )
            rows.append(
                {
                    "circuit": circuit,
                    "path": path,
                    "link": link,
                    **{name: loss[name] for name in _LOSS},  # type: ignore[literal-required]
                    **{name: loss["terms"][name] for name in _TERMS},  # type: ignore[literal-required]
                    "min_margin_db": None if held is None else held["min_margin_db"],
                    "ok": ok,
                }
            )
        return rows, []


_CIRCUIT = ("id", "name", "service", "a", "b", "group", "scheme")
_SHARED = ("asset", "role", "kind", "waived", "through", "own_line", "needed", "stretch")
_LOSS = (
    *("wavelength_nm", "fibre_type", "loss_db", "loss_at_least_db", "budget_db", "margin_db"),
    *("margin_at_most_db", "statistical_db", "overload_margin_db"),
)
_TERMS = (
    *("fibre_m", "fibre_db", "splices", "splices_db", "connectors", "connectors_db"),
    *("mismatch_db", "via_db", "test_db", "repair_db", "reserve_db"),
)


def _dtype(name: str) -> Any:
    return pd.StringDtype("python") if name == "string" else name


def _asked(limit: float | None, ok: bool | None) -> bool | None:
    """Whether a limit is kept; None where none is set."""
    return None if limit is None else ok


def _bound(down: Any, name: str) -> float | None:
    """The least that a share can be which is not known."""
    bound: float | None = down["at_least"].get(name) if down[name] is None else None
    return bound


def _near_row(near: Near, paths: list[Any]) -> Row:
    return {
        "path": paths[0],
        "other_path": paths[1],
        "main": near["main"],
        "alternate": near["alternate"],
        "main_kind": near["kinds"][0],
        "alternate_kind": near["kinds"][1],
        "stretch": near["stretch"],
        "distance_m": near["distance_m"],
        "limit_m": near["limit_m"],
        "length_m": near["length_m"],
        "from_m": near["from_m"],
        "to_m": near["to_m"],
        "forbidden": None,
        "waived": near["waived"],
        "lon": near["at"][0],
        "lat": near["at"][1],
    }


def _cross_row(cross: Cross, paths: list[Any]) -> Row:
    blank = dict.fromkeys(("stretch", "distance_m", "limit_m", "length_m", "from_m", "to_m"))
    return {
        "path": paths[0],
        "other_path": paths[1],
        "main": cross["main"],
        "alternate": cross["alternate"],
        "main_kind": cross["kinds"][0],
        "alternate_kind": cross["kinds"][1],
        **blank,
        "forbidden": cross["forbidden"],
        "waived": cross["waived"],
        "lon": cross["at"][0],
        "lat": cross["at"][1],
    }
