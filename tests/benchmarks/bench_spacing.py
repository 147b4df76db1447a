"""How long the separation of a whole study takes, from tied network to verdicts.

Run by hand:  python tests/benchmarks/bench_spacing.py [--streets 224] [--circuits 3000]

The plant is that of bench_separation: a grid of double streets, one duct per block, a pit
at every corner, and two ways round for each circuit, each a cable of its own. In every
tenth circuit the alternate follows the main 12 m beside it, trench by trench.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from itertools import pairwise
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from bench_separation import Plant, timed

import waysapart as wa
from waysapart.findings.sharing import merge, share
from waysapart.findings.spacing import space
from waysapart.network.build_network import tie
from waysapart.reliance.rely import rely
from waysapart.verdicts.breaches import breaches
from waysapart.verdicts.contests import contests_of, sides_of, trials_of
from waysapart.verdicts.facts_sharing import SpacingFacts
from waysapart.verdicts.prove import prove
from waysapart.verdicts.waivers import lay_over

RULES = """[services.default]
separation_m = { "duct/duct" = 20, "duct/span" = 40 }
end_zone_m = 50
forbid_cross = ["duct/duct"]
"""


def write(plant: Plant, folder: Path) -> Path:
    """The plant as files: ducts, pits, and a cable, a link and a path per way."""
    names = np.array([f"D{number}" for number in range(len(plant.blocks))])
    used = {corner for ends in plant.ends for corner in ends}
    corners = list(np.ndindex(plant.lonlat.shape[:2]))
    name_of = {at: f"{'S' if at in used else 'P'}{at[0]}-{at[1]}" for at in corners}
    ends = [[name_of[one] for one in block] for block in plant.blocks]
    layers: dict[str, dict[str, Any]] = {
        "segments": {"id": names, "kind": "duct", "within": "-", "a": [a for a, _ in ends],
                     "b": [b for _, b in ends], "geometry": plant.lines},
        "structures": {"id": [name_of[at] for at in corners if at not in used], "kind": "pit",
                       "within": "-",
                       "geometry": [shapely.Point(plant.lonlat[at]) for at in corners
                                    if at not in used]},
        "sites": {"id": [name_of[at] for at in sorted(used)], "within": "-",
                  "geometry": [shapely.Point(plant.lonlat[at]) for at in sorted(used)]},
    }  # fmt: skip
    for role, rows in layers.items():
        frame = gpd.GeoDataFrame(pd.DataFrame(rows), geometry="geometry", crs=4326)
        frame.to_file(folder / "study.gpkg", layer=role)
    tables: dict[str, list[tuple[object, ...]]] = {
        "equipment": [(f"R{name_of[at]}", name_of[at], "-") for at in sorted(used)],
        "cables": [], "cable_runs": [], "links": [], "link_runs": [], "circuits": [],
        "circuit_paths": [],
    }  # fmt: skip
    for number, (a, b) in enumerate(plant.ends):
        relays = f"R{name_of[a]}", f"R{name_of[b]}"
        tables["circuits"].append((f"K{number}", *relays, ""))
        for corner, label in enumerate(("main", "alternate")):
            cable = f"C{number}{label}"
            steps = pairwise(plant.way(number, corner))
            tables["cables"].append((cable, "G.652.D", 24))
            tables["cable_runs"] += [
                (cable, seq, names[plant.number[min(step), max(step)]])
                for seq, step in enumerate(steps, start=1)
            ]
            tables["links"].append((f"L{cable}", *relays, 1310))
            tables["link_runs"].append((f"L{cable}", 1, cable))
            tables["circuit_paths"].append((f"K{number}", label, 1, f"L{cable}"))
    columns = {
        "equipment": "id,site,within",
        "cables": "id,fibre_type,fibre_count",
        "cable_runs": "cable,seq,segment",
        "links": "id,a,b,wavelength_nm",
        "link_runs": "link,seq,cable",
        "circuits": "id,a,b,service",
        "circuit_paths": "circuit,path,seq,link",
    }
    for role, rows_of in tables.items():
        frame = pd.DataFrame(rows_of, columns=columns[role].split(","))
        frame.to_csv(folder / f"{role}.csv", index=False)
    (folder / "study.toml").write_text('crs = "EPSG:25832"\nrules = "rules.toml"\n')
    (folder / "rules.toml").write_text(RULES)
    return folder


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--streets", type=int, default=224)
    parser.add_argument("--circuits", type=int, default=3000)
    chosen = parser.parse_args()
    plant = Plant(chosen.streets, chosen.circuits)
    with tempfile.TemporaryDirectory() as folder:
        begin = time.perf_counter()
        study = wa.read_study(write(plant, Path(folder)))
        print(f"written and read in {time.perf_counter() - begin:.1f} s")
    print(f"{len(study.tables['segments'])} segments, {len(study.tables['circuits'])} circuits")
    _, network = timed("tie", lambda: tie(study), 1)
    _, reliance = timed("rely", lambda: rely(network), 1)
    trials = trials_of(reliance, np.zeros(len(network.paths), dtype=bool))
    contests, owner = contests_of(trials)
    held = sides_of(reliance, contests)
    _, between = timed("what is shared", lambda: share(reliance, held), 1)
    services = [(study.rules.service(None),)] * len(contests)
    taken, spacing = timed(
        "separation of all circuits",
        lambda: space(reliance, held, between, services, np.array(owner, dtype=np.int64)),
    )
    print(f"{len(spacing.near)} near rows, {len(spacing.cross)} crossings")
    sharing = merge(reliance, between, owner, sides_of(reliance, trials))
    waivers = lay_over(reliance, trials, sharing, spacing)
    judged, _ = timed("breaches", lambda: breaches(spacing, waivers, network, len(trials)))
    print(f"{'separation with what stands of it':<54}{taken + judged:9.3f} s")
    _, proof = timed("the whole proof, tied network given", lambda: prove(network), 1)
    facts = SpacingFacts(proof)
    timed("facts of separation", lambda: [facts.of(test) for test in range(len(trials))], 1)


if __name__ == "__main__":
    main()
