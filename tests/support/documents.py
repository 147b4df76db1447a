"""The documents whose facts tests hold the program to, by the key that `published` names.

A stranger must be able to find each from what stands here: title, author or body, year, place.
`kind` says why one counts for nothing: nobody can find it (`untitled`), nobody here has opened
it (`memory`), or it is no document at all (`practice`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class Document:
    """Something that is published.

    Attributes
    ----------
    title : str
    by : str
        Author or body.
    year : str
        Blank where it bears none.
    where : str
        Where a stranger finds it: publisher, conference, number of the document, package.
    kind : {"document", "untitled", "memory", "practice"}
    """

    title: str
    by: str = ""
    year: str = ""
    where: str = ""
    kind: Literal["document", "untitled", "memory", "practice"] = "document"

    @property
    def counts(self) -> bool:
        """Whether it can be found, and its facts were read in it."""
        return self.kind == "document"

    def cited(self) -> str:
        """It in one line."""
        told = f"*{self.title}*" if self.kind != "untitled" else self.title
        return ", ".join(part for part in (self.by, told, self.where, self.year) if part)


# What the main job is held to: sharing, separation, disjointness, events.
_MAIN_JOB = {
    "boost-cross-track": Document(
        title="distance_cross_track_cases.hpp (reference column: karney or vincenty)",
        by="Boost.Geometry",
        where="Boost C++ Libraries, libs/geometry/test/strategies",
    ),
    "boost-segment-intersection": Document(
        title="segment_intersection_geo.cpp (rows geodesic_vincenty)",
        by="Boost.Geometry",
        where="Boost C++ Libraries, libs/geometry/test/strategies",
    ),
    "baselga-2018": Document(
        title="Intersection and point-to-line solutions for geodesics on the ellipsoid",
        by="S. Baselga and J. C. Martinez-Llario",
        year="2018",
        where="Studia Geophysica et Geodaetica 62",
    ),
    "jgrapht-kdisjoint": Document(
        title="KDisjointShortestPathsTestCase.java",
        by="JGraphT",
        where="jgrapht-core, src/test/java/org/jgrapht/alg/shortestpath",
    ),
    "networkx-disjoint": Document(
        title="networkx/algorithms/connectivity/tests/test_disjoint_paths.py",
        by="NetworkX developers",
        where="Python package networkx",
    ),
    "tapolcai-2017": Document(
        title="List of Shared Risk Link Groups Representing Regional Failures with Limited Size",
        by="J. Tapolcai, L. Ronyai, B. Vass, L. Gyimothi",
        year="2017",
        where="IEEE INFOCOM",
    ),
    "tapolcai-2018": Document(
        title="A Tractable Stochastic Model of Correlated Link Failures Caused by Disasters",
        by="J. Tapolcai, B. Vass, Z. Heszberger, J. Biro, D. Hay, F. A. Kuipers, L. Ronyai",
        year="2018",
        where="IEEE INFOCOM",
    ),
    "bane-nor-01317": Document(
        title="Technical rule TRV:01317, redundant entries of cables",
        by="Bane NOR",
        where="Bane NOR, Teknisk regelverk",
    ),
    "nureg-cr-3192": Document(
        title="NUREG/CR-3192 (quotes 10 CFR 50 Appendix R III.G.2.b)",
        by="US Nuclear Regulatory Commission",
        year="1983",
        where="NRC reports",
    ),
    "46-cfr-129": Document(
        title="46 CFR 129.340, Cable and wiring",
        by="US Coast Guard",
        where="Code of Federal Regulations, title 46",
    ),
    "ferc-2020": Document(
        title="Order on TPL-001-5, 85 FR 8155",
        by="US Federal Energy Regulatory Commission",
        year="2020",
        where="Federal Register 85",
    ),
    "fcc-da-12-891": Document(
        title="DA 12-891",
        by="US Federal Communications Commission",
        year="2012",
        where="FCC documents",
    ),
}

# What figures are held to: loss, delay, availability, geometry, limits.
_FIGURES = {
    "wilson-hawkes": Document(
        title="Optoelectronics: An Introduction, 2nd ed.",
        by="J. Wilson and J. F. B. Hawkes",
        year="1989",
        where="Prentice Hall",
    ),
}

DOCUMENTS: dict[str, Document] = {**_MAIN_JOB, **_FIGURES}
