"""Data that the page's script looks up: any asset by id or name, and coordinates of the study.

A browser has no map projections. Over the extent of one study a polynomial in longitude and
latitude approximates any of them closely. Its error is measured; it is stated on the page and
decides how many digits the page shows.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, TypedDict

import numpy as np
from pyproj import CRS, Transformer

from waysapart.report.escape import visible, visible_all
from waysapart.report.geometry import Facts

# --- Assets: search, holders, cables, the effect of a loss.


def lookup_data(
    facts: Facts, plant: Mapping[str, int], drawn: Mapping[str, Sequence[str]]
) -> dict[str, Any]:
    """Tables by asset for the page's script, as JSON-ready data with visible texts.

    Parameters
    ----------
    facts : mapping
        `circuits`; optional `effects` and `holdings`, see `waysapart.report.geometry`.
    plant : mapping of str to int
        Id of a segment to its place among those that are drawn.
    drawn : mapping of str to sequence of str
        Ids of what is drawn, as the page shows them: `points`, `plant` and `hazards`.

    Returns
    -------
    dict
        `others`: columns of the assets without a place on the map; `inside`;
        `runs`: cable to places of segments; `losses` with circuits as places
        in their list; `cables`; `of`, see `_by_place`.
    """
    effects: Facts = facts.get("effects") or {}
    holdings: Facts = facts.get("holdings") or {}
    others = columns(holdings.get("assets", []))
    number = {str(one["id"]): place for place, one in enumerate(facts.get("circuits", []))}
    return {
        "others": others,
        "inside": visible_all(dict(holdings.get("inside", {}))),
        "runs": {
            visible(cable): [plant[one] for one in segments if one in plant]
            for cable, segments in holdings.get("runs", {}).items()
        },
        "losses": [
            [
                [number[name] for name in lost if name in number],
                [number[name] for name in left if name in number],
                visible_all(groups),
            ]
            for lost, left, groups in effects.get("losses", [])
        ],
        "cables": visible_all(effects.get("cables", [])),
        "of": _by_place(visible_all(effects.get("of", {})), {**drawn, "others": others["id"]}),
    }


def _by_place(of: Mapping[str, Any], tables: Mapping[str, Sequence[str]]) -> dict[str, Any]:
    """Effects in the order of the rows of each table, with ids only for assets in no table.

    Returns
    -------
    dict
        `kinds`, the different ones of [loss, cables, kind]; for each table the
        place among these by row, -1 for none; `more`, by id, for what no table lists.
    """
    kinds: dict[tuple[int, ...], int] = {}
    left = {name: kinds.setdefault(tuple(told), len(kinds)) for name, told in of.items()}
    made: dict[str, Any] = {
        table: [left.get(name, -1) for name in names] for table, names in tables.items()
    }
    listed = {name for names in tables.values() for name in names}
    made["more"] = {name: place for name, place in left.items() if name not in listed}
    made["kinds"] = [list(kind) for kind in kinds]
    return made


def columns(rows: Any) -> dict[str, Any]:
    """Columns of assets: ids and names as texts, roles and kinds as places in lists of them.

    Parameters
    ----------
    rows : iterable of mapping
        With `id`, `name`, `role` and `kind`.

    Returns
    -------
    dict
        `id`, `name`, `role` and `kind`, and the lists `roles` and `kinds`.
    """
    made: dict[str, Any] = {}
    for key in ("id", "name"):
        made[key] = [_text(row.get(key)) for row in rows]
    for key in ("role", "kind"):
        texts = [_text(row.get(key)) for row in rows]
        known = {text: place for place, text in enumerate(dict.fromkeys(texts))}
        made[key] = [known[text] for text in texts]
        made[f"{key}s"] = list(known)
    return made


def _text(value: object) -> str:
    return "" if value is None else visible(str(value))


# --- Coordinates in the study's own system: a polynomial in place of the projection.

_DEGREES = (3, 5, 7)
_NODES = 15
_CHECKS = 40
_GOOD_M = 0.05
_WORST_M = 50.0


class Grid(TypedDict):
    """A polynomial from longitude and latitude to a projected system.

    Its variables x and y are (degrees - centre) / half; `east` and `north` are the coefficients
    of x^i y^j in the order of i, then j, with i + j up to the degree. `error_m` is the greatest
    error on a dense grid that the fit did not use.
    """

    name: str
    code: str
    centre: list[float]
    half: list[float]
    degree: int
    east: list[float]
    north: list[float]
    error_m: float


def working_grid(crs: CRS, frame: tuple[float, float, float, float]) -> Grid | None:
    """Fit a polynomial from longitude and latitude to a projected system, over a map's extent.

    Parameters
    ----------
    crs : CRS
        The grid that the study shows.
    frame : tuple of float
        West, south, east, north, degrees.

    Returns
    -------
    Grid or None
        None where no polynomial comes within 50 m, or where the system is longitude and latitude.
    """
    if crs.is_geographic:
        return None
    west, south, east, north = frame
    centre = (west + east) / 2, (south + north) / 2
    # A window shows more than the study: extend both axes to its longer side.
    narrow = float(np.cos(np.radians(np.clip(centre[1], -80.0, 80.0))))
    span = max(east - west, (north - south) / narrow, 1e-3)
    half = min(0.75 * span, 179.0), min(0.75 * span * narrow, 89.0 - abs(centre[1]))
    turn = Transformer.from_crs("EPSG:4326", crs, always_xy=True)
    nodes = np.cos(np.pi * (np.arange(_NODES) + 0.5) / _NODES)
    checks = np.linspace(-1.0, 1.0, _CHECKS)
    for degree in _DEGREES:
        x, y = (axis.ravel() for axis in np.meshgrid(nodes, nodes))
        wanted = _projected(turn, x, y, centre, half)
        terms = _terms(x, y, degree)
        if not np.isfinite(wanted).all():
            return None
        coefficients, *_ = np.linalg.lstsq(terms, wanted, rcond=None)
        p, q = (axis.ravel() for axis in np.meshgrid(checks, checks))
        off = _terms(p, q, degree) @ coefficients - _projected(turn, p, q, centre, half)
        error = float(np.hypot(off[:, 0], off[:, 1]).max())
        if error <= _GOOD_M:
            break
    if not error <= _WORST_M:
        return None
    return {
        "name": crs.name,
        "code": ":".join(crs.to_authority() or ()) or "",
        "centre": list(centre),
        "half": list(half),
        "degree": degree,
        "east": [float(f"{c:.12g}") for c in coefficients[:, 0]],
        "north": [float(f"{c:.12g}") for c in coefficients[:, 1]],
        "error_m": float(f"{error:.2g}"),
    }


def _projected(
    turn: Transformer,
    x: np.ndarray,
    y: np.ndarray,
    centre: tuple[float, float],
    half: tuple[float, float],
) -> np.ndarray:
    east, north = turn.transform(centre[0] + x * half[0], centre[1] + y * half[1])
    return np.column_stack([east, north])


def _terms(x: np.ndarray, y: np.ndarray, degree: int) -> np.ndarray:
    return np.column_stack([x**i * y**j for i in range(degree + 1) for j in range(degree + 1 - i)])
