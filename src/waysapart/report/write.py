"""Write the report of a proof."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from waysapart.report.geo import proof_geometry
from waysapart.report.map import Tiles
from waysapart.report.page import render_report, write_text_safely
from waysapart.verdicts.prove import Proof


def write_report(proof: Proof, path: str | Path, *, tiles: Tiles | None = None) -> Path:
    """Write a proof as one self-contained HTML file.

    Parameters
    ----------
    proof : Proof
        From `prove`.
    path : path
        Where to; an old file there is replaced only by a whole new one.
    tiles : Tiles, optional
        A background map. Without it the file asks the network for nothing.

    Returns
    -------
    Path
    """
    facts = {**proof.facts(), "reliance": _reliance(proof)}
    title = f"{proof.study.name}: are the ways apart?"
    write_text_safely(path, render_report(facts, proof_geometry(proof), title=title, tiles=tiles))
    return Path(path)


def _reliance(proof: Proof) -> dict[str, Any]:
    """Asset, path label, circuits: whose path of that label relies on the asset."""
    paths, ids = proof.network.paths, proof.network.assets.frame["id"].to_numpy()
    circuits = proof.study.tables["circuits"]["id"].to_numpy()
    by_asset = proof.reliance.paths.T.tocsr()
    found: dict[str, Any] = {}
    for number, name in enumerate(ids):
        users = by_asset.indices[by_asset.indptr[number] : by_asset.indptr[number + 1]]
        if len(users):
            labels: dict[str, list[str]] = {}
            for path in sorted(users.tolist()):
                labels.setdefault(paths.label[path], []).append(str(circuits[paths.circuit[path]]))
            found[str(name)] = labels
    return found
