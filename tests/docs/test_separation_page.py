"""The figures on docs/separation.md are those that the code and the ellipsoid give."""

from __future__ import annotations

import math
import re
from pathlib import Path

import numpy as np
import pytest
from pyproj import Geod

from proofs import proof_of
from waysapart.findings.separation.earth import arc_m, to_space
from waysapart.findings.spacing import FOLD_RATIO

ROOT = Path(__file__).resolve().parents[2]
PAGE = (ROOT / "docs" / "separation.md").read_text(encoding="utf-8")


def stated(pattern: str) -> list[float]:
    """The figures of the only place on the page that a pattern finds."""
    (found,) = re.findall(pattern, PAGE)
    return [float(one) for one in ([found] if isinstance(found, str) else found)]


def shortened(metres: float) -> tuple[float, float]:
    """How much a straight line in space is shorter than the geodesic: before, after `arc_m`.

    The greatest over four bearings at 53 degrees north.
    """
    left, back = [], []
    for bearing in (0, 45, 90, 135):
        lon, lat, _ = Geod(ellps="WGS84").fwd(8.0, 53.0, bearing, metres)
        ends = to_space([8.0, lon], [53.0, lat])
        straight = float(np.linalg.norm(ends[1] - ends[0]))
        left.append(metres - straight)
        back.append(abs(metres - float(arc_m(straight))))
    return max(left), max(back)


def test_what_straight_lines_leave_out() -> None:
    """c^3 / 24 R^2: 1.3e-7 m, 1.0 mm and 27.7 m."""
    (short,) = stated(r"500 m is too short by \| ([\d.]+) m")
    (middle,) = stated(r"10 km is too short by \| ([\d.]+) m")
    far, rest = stated(r"300 km is too short by \| (\d+) m, of which all but ([\d.]+) m")
    radius = 6_371_000.0
    assert short == pytest.approx(500**3 / 24 / radius**2, rel=0.3)
    assert shortened(10_000)[0] == pytest.approx(middle, rel=0.1)
    assert shortened(300_000)[0] == pytest.approx(far, rel=0.02)
    assert shortened(300_000)[1] <= rest


def test_how_far_a_near_stretch_is_folded() -> None:
    """At an angle of 6 degrees two paths are one limit apart within ten limits of the pit."""
    ratio, twice = stated(r"within (\d+) limits of a site[^;]*no longer than (\d+)\.")
    (degrees,) = stated(r"leave a pit at (\d+) degrees")
    assert ratio == FOLD_RATIO
    assert twice == 2 * FOLD_RATIO
    assert 1 / math.sin(math.radians(degrees)) < FOLD_RATIO
    assert 1 / math.sin(math.radians(degrees - 0.5)) > FOLD_RATIO


def test_the_demo_gives_the_figures_of_the_page() -> None:
    facts = proof_of(ROOT / "examples" / "estuary").facts()
    of = {one["id"]: one for one in facts["circuits"]}
    apart, length, required = stated(
        r"C25 \| trenches ([\d.]+) m apart over (\d+) m, where (\d+) m are required"
    )
    (near,) = of["C25"]["near"]
    assert near["distance_m"] == pytest.approx(apart, abs=0.005)
    assert near["length_m"] == pytest.approx(length, abs=0.5)
    assert near["limit_m"] == required
    (plan,) = stated(r"C06 \| one span over another, (\d+) m in plan")
    assert of["C06"]["closest_m"] == plan
    assert [one["crossing"] for one in of["C06"]["cross"]] == ["span over span"]
    (ducts,) = stated(r"C07 \| ducts ([\d.]+) m apart")
    assert of["C07"]["closest_m"] == pytest.approx(ducts, abs=0.02)
