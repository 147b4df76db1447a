"""A small plant with everything that a forger may want to hide, and how a forgery is made to fit.

    A ---- D1 ---- P1 ---- D2 ---- P2 ---- D3 ---- B      ducts; F1 to F3 meet them in P1 and P2
    A ---- E1 ---- Q1 ---- E2 ---- Q2 ---- E3 ---- B      ducts; H1 to H3 run 3 m beside them
    A ---- S1 ---- T1 ---- S2 ---- T2 ---- S3 ---- B      spans of LINE, on ground GROUND
    A ---- V1 ---- W1 ---- V2 ---- C ---- V3 ---- B       buried; V2 crosses D2 and E2

K1 shares P1 and P2, K5 as well, but there both are waived. K2 runs too near, K3 crosses, a test
contradicts the record of K4. Over a limit are K6 (delay), K10 (asymmetry), K11 (unavailability),
K12 (recovery), K9 (loss of L-LOW). K7 protects LINE, which falls with its main
way. K8 goes round a ring by way of C, K9 has a cable of which only the line is drawn. G is a group
of K4 and K6, Z a scheme of K2 and K6.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from drawn_plant import DrawnPlant

Facts = dict[str, Any]
WORST_FIRST = ("shared", "unproven", "accepted", "apart")
RULES = """
[records]
within = "none"

[services.default]
separation_m = 5.0
end_zone_m = 300.0

[services.crossing]
separation_m = 0

[services.quick]
max_delay_us = 15

[services.even]
max_asymmetry_us = 0.001

[services.steady]
max_unavailability = 1e-9

[services.nimble]
max_recovery_ms = 10

[services.lines]
own_line = "any"

[[waiver]]
circuit = "K5"
asset = "P1"
reason = "until the second pit is dug"
by = "design note 1"
until = 2099-06-30

[[waiver]]
circuit = "K5"
asset = "P2"
reason = "until the second pit is dug"
by = "design note 1"
until = 2099-06-30

[[waiver]]
circuit = "K1"
asset = "P1"
reason = "until the second pit is dug"
by = "design note 2"
until = 2020-06-30
"""


def write_forged_study(folder: Path) -> Path:
    """Write the plant above into a folder."""
    plant = DrawnPlant((0, 0), (4_000, 0))
    plant.node("C", 2_500, 600, role="sites")
    plant.nodes("pit", P1=(1_000, 300), P2=(3_000, 300), Q1=(1_000, -300), Q2=(3_000, -300))
    plant.nodes("pit", R1=(1_000, -303), R2=(3_000, -303), W1=(1_500, -600))
    plant.node("T1", 1_000, 800, kind="tower", within="LINE")
    plant.node("T2", 3_000, 800, kind="tower", within="LINE")
    plant.rows["holders"] += [
        {"id": "LINE", "kind": "line", "within": "GROUND"},
        {"id": "GROUND", "kind": "right-of-way", "within": "-"},
    ]
    for letter, kind, one, other in (
        *(("D", "duct", "P1", "P2"), ("E", "duct", "Q1", "Q2"), ("H", "duct", "R1", "R2")),
        ("S", "span", "T1", "T2"),
    ):
        held = {"within": "LINE"} if letter == "S" else {}
        for number, ends in enumerate((("A", one), (one, other), (other, "B")), start=1):
            plant.segment(f"{letter}{number}", kind, *ends, **held)
    plant.segment("F1", "duct", "A", (300, 500), "P1")
    plant.segment("F2", "duct", "P1", (2_000, 500), "P2")
    plant.segment("F3", "duct", "P2", (3_700, 500), "B")
    plant.segment("V1", "buried", "A", "W1")
    plant.segment("V2", "buried", "W1", "C")
    plant.segment("V3", "buried", "C", "B")
    for letter in "DEFHSV":
        plant.listed(letter, " ".join(f"{letter}{n}" for n in (1, 2, 3)))
    plant.cable("DRAWN", "A", "P1", "P2", "B")
    for row in plant.rows["links"]:
        row |= {"tx_min_dbm": -5, "tx_max_dbm": 0, "rx_min_dbm": -25, "rx_max_dbm": 5, "splices": 3}
    rows = plant.rows
    for cable, at in (("D", "P1"), ("E", "Q1"), ("F", "P1"), ("H", "R1"), ("S", "T1"), ("V", "W1")):
        rows["joints"].append({"id": f"J-{cable}", "at": at, "cables": cable, "loss_db": 0.1})
    rows["joints"].append({"id": "J-DRAWN", "at": "P1", "cables": "DRAWN", "loss_db": 0.1})
    of_s = next(row for row in rows["links"] if row["id"] == "L-S")
    rows["links"].append({**of_s, "id": "L-LOW", "rx_min_dbm": -8, "wavelength_nm": 1550})
    rows["link_runs"].append({"link": "L-LOW", "seq": 1, "cable": "S"})
    rows["measurements"] += [
        {"cable": "E", "fibre": 1, "length_m": 9_000},
        {"link": "L-H", "loss_db": 2.6, "wavelength_nm": 1310},
    ]
    for name, site in (("MA", "A"), ("MB", "B"), ("MC", "C")):
        rows["equipment"].append(
            {"id": name, "site": site, "within": "-", "supplies": "-", "delay_us": 5}
        )
    for link, a, b, cable, ends in (
        *(("R1-AB", "MA", "MB", "H", {}), ("R2-BC", "MB", "MC", "V", {"from": "B", "to": "C"})),
        ("R3-CA", "MC", "MA", "V", {"from": "C", "to": "A"}),
    ):
        rows["links"].append({"id": link, "a": a, "b": b, "wavelength_nm": 1550})
        rows["link_runs"].append({"link": link, "seq": 1, "cable": cable, **ends})
        rows["rings"].append(
            {"ring": "RING", "seq": len(rows["rings"]) + 1, "link": link, "recovery_ms": 50}
        )
    for circuit, service, main, alternate, more in (
        ("K1", "", "D", "F", {}),
        ("K2", "", "E", "H", {"scheme": "Z"}),
        ("K3", "crossing", "D", "V", {}),
        ("K4", "", "D", "E", {"group": "G"}),
        ("K5", "", "D", "F", {}),
        ("K6", "quick", "H", "D", {"group": "G", "scheme": "Z"}),
        ("K7", "lines", "S", "V", {"protects": "LINE"}),
        ("K9", "", "DRAWN", "LOW", {}),
        *((f"K{10 + n}", one, "H", "D", {}) for n, one in enumerate(("even", "steady", "nimble"))),
    ):
        rows["circuits"].append({"id": circuit, "a": "RA", "b": "RB", "service": service, **more})
        for path, cable in (("main", main), ("alternate", alternate)):
            rows["circuit_paths"].append(
                {"circuit": circuit, "path": path, "seq": 1, "link": f"L-{cable}"}
            )
    rows["circuits"].append({"id": "K8", "a": "MA", "b": "MB", "service": "crossing"})
    rows["ring_circuits"].append({"circuit": "K8", "ring": "RING"})
    plant.write(folder)
    (folder / "rules.toml").write_text(RULES, encoding="utf-8")
    return folder


def claims(facts: Facts) -> list[Facts]:
    """Circuits and groups."""
    return [*facts["circuits"], *facts["groups"]]


def settle(facts: Facts) -> None:
    """Make everything that follows from what was forged follow from it: verdicts and counts."""
    for one in claims(facts):
        several = len(_witness(facts, one)["sides"]) > 1
        shared = one["shared"] if several else []
        _settle_stretches(one)
        rows = [*one["near"], *(row for row in one["cross"] if row["forbidden"])]
        standing = [row for row in (*shared, *rows) if not row["waived"]]
        unproven = any(gap["bears_on"] != "limits" for gap in one["gaps"]) or (
            "members" in one and len(one["members"]) < 2
        )
        one["verdict"] = (
            "shared" if standing else "unproven" if unproven
            else "accepted" if shared or rows else "apart"
        )  # fmt: skip
        _witness(facts, one)["verdict"] = one["verdict"]
        alone = {row["asset"] for row in shared if row["own_line"] is None}
        alone |= {*one["unavoidable"], *one.get("tail", ())} if several else set()
        parts = {row["stretch"] for row in shared if row["asset"] not in alone}
        whole = {row["stretch"] for row in shared} - parts
        inside = {row["asset"] for row in shared if row["stretch"] in whole}
        rest = sorted(alone - inside, key=facts["evidence"]["assets"].index)
        one["single_points"] = {"stretches": sorted(whole), "assets": rest}
    of = {one["id"]: one for one in facts["circuits"]}
    for one in facts["schemes"]:
        mine = [of[name] for name in one["members"]]
        one["verdict"] = min((m["verdict"] for m in mine), key=WORST_FIRST.index)
        kept = [m["within_limits"] for m in mine]
        one["within_limits"] = False if False in kept else None if None in kept else True
        one["single_points"] = sorted({name for m in mine for name in _single_points(m)})
    summary = facts["summary"]
    for verdict in WORST_FIRST:
        summary[verdict] = sum(one["verdict"] == verdict for one in facts["circuits"])
    summary["circuits"], summary["groups"] = len(facts["circuits"]), len(facts["groups"])
    summary["over_a_limit"] = sum(one["within_limits"] is False for one in facts["circuits"])
    summary["gaps"] = sum(gap["count"] for gap in facts["gaps"])
    summary["silent"] = sum(
        any(not entry["remains"] for entry in one["with_protected"] or ())
        for one in facts["circuits"]
    )


def _single_points(claim: Facts) -> list[str]:
    told = claim["single_points"]
    shared = (row for row in claim["shared"] if row["stretch"] in told["stretches"])
    return [*told["assets"], *(row["asset"] for row in shared)]


def _settle_stretches(claim: Facts) -> None:
    """Stretches have what is still shared, each as far as it is waived."""
    rows = {row["asset"]: row for row in claim["shared"]}
    kept = []
    for stretch in claim["stretches"]:
        for name in ("members", "holders"):
            stretch[name] = [one for one in stretch[name] if one in rows]
        if stretch["members"]:
            kept.append(stretch)
            stretch["stretch"] = len(kept)
            stretch["waived"] = rows[stretch["members"][0]]["waived"]
            for one in (*stretch["members"], *stretch["holders"]):
                rows[one]["stretch"] = len(kept)
    claim["stretches"] = kept


def _witness(facts: Facts, claim: Facts) -> Facts:
    kind = "group" if "members" in claim else "circuit"
    found: Facts = next(
        one
        for one in facts["evidence"]["verdicts"]
        if (one["kind"], one["id"]) == (kind, claim["id"])
    )
    return found
