"""The documents whose facts tests hold the program to, by the key that `published` names.

A stranger must be able to find each from what stands here: title, author or body, year, place.
`kind` says why one counts for nothing: nobody can find it (`untitled`), nobody here has opened
it (`memory`), or it is no document at all (`practice`). `read_in` says where its facts were read
by whoever had another document in hand that quotes or tabulates them.
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
    read_in : str
        What was in hand, where that was not the document itself: its facts are second-hand.
    """

    title: str
    by: str = ""
    year: str = ""
    where: str = ""
    kind: Literal["document", "untitled", "memory", "practice"] = "document"
    read_in: str = ""

    @property
    def counts(self) -> bool:
        """Whether it can be found, and its facts were read in it or in what quotes it."""
        return self.kind == "document"

    def cited(self) -> str:
        """It in one line."""
        told = f"*{self.title}*" if self.kind != "untitled" else self.title
        cited = ", ".join(part for part in (self.by, told, self.where, self.year) if part)
        return f"{cited} (second-hand: read in {self.read_in})" if self.read_in else cited


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
    "networkx-bridges": Document(
        title="networkx/algorithms/bridges.py, docstrings",
        by="NetworkX developers",
        where="Python package networkx 3.6",
    ),
    "networkx-biconnected": Document(
        title="networkx/algorithms/components/biconnected.py, docstrings",
        by="NetworkX developers",
        where="Python package networkx 3.6",
    ),
    "networkx-connectivity": Document(
        title="networkx/algorithms/connectivity, docstrings",
        by="NetworkX developers",
        where="Python package networkx 3.6",
    ),
    "igraph-bridges": Document(
        title="tests/unit/igraph_bridges.c and .out",
        by="igraph development team",
        year="2022",
        where="source of the igraph C library 0.10.2",
    ),
    "igraph-biconnected": Document(
        title="examples/simple/igraph_biconnected_components.c and .out",
        by="igraph development team",
        year="2022",
        where="source of the igraph C library 0.10.2",
    ),
    "igraph-disjoint": Document(
        title="tests/unit/igraph_vertex_disjoint_paths.c",
        by="igraph development team",
        year="2022",
        where="source of the igraph C library 0.10.2",
    ),
    "postgis-manual": Document(
        title="PostGIS 3.3 manual, reference of measurement functions",
        by="PostGIS development group",
        year="2022",
        where="PostGIS 3.3.2, doc/reference_measure.xml",
    ),
    "boost-point-to-segment": Document(
        title="distance_geo_pl_l.cpp (point to segment on WGS 84)",
        by="Boost.Geometry",
        year="2018",
        where="Boost C++ Libraries 1.81, libs/geometry/test/algorithms/distance",
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

# RFCs: what is said there of diverse paths, shared risks and single failures.
_RFCS = {
    "rfc-3717": Document(
        title="IP over Optical Networks: A Framework",
        by="B. Rajagopalan, J. Luciani, D. Awduche",
        year="2004",
        where="IETF, RFC 3717",
    ),
    "rfc-4054": Document(
        title="Impairments and Other Constraints on Optical Layer Routing",
        by="J. Strand and A. Chiu",
        year="2005",
        where="IETF, RFC 4054",
    ),
    "rfc-4202": Document(
        title="Routing Extensions in Support of Generalized Multi-Protocol Label Switching (GMPLS)",
        by="K. Kompella and Y. Rekhter",
        year="2005",
        where="IETF, RFC 4202",
    ),
    "rfc-4428": Document(
        title="Analysis of Generalized Multi-Protocol Label Switching (GMPLS)-based Recovery "
        "Mechanisms (including Protection and Restoration)",
        by="D. Papadimitriou and E. Mannie",
        year="2006",
        where="IETF, RFC 4428",
    ),
    "rfc-4872": Document(
        title="RSVP-TE Extensions in Support of End-to-End Generalized Multi-Protocol Label "
        "Switching (GMPLS) Recovery",
        by="J. P. Lang, Y. Rekhter, D. Papadimitriou",
        year="2007",
        where="IETF, RFC 4872",
    ),
    "rfc-5286": Document(
        title="Basic Specification for IP Fast Reroute: Loop-Free Alternates",
        by="A. Atlas and A. Zinin",
        year="2008",
        where="IETF, RFC 5286",
    ),
    "rfc-5298": Document(
        title="Analysis of Inter-Domain Label Switched Path (LSP) Recovery",
        by="T. Takeda, A. Farrel, Y. Ikejiri, J.-P. Vasseur",
        year="2008",
        where="IETF, RFC 5298",
    ),
    "rfc-6372": Document(
        title="MPLS Transport Profile (MPLS-TP) Survivability Framework",
        by="N. Sprecher and A. Farrel",
        year="2011",
        where="IETF, RFC 6372",
    ),
    "rfc-6981": Document(
        title="A Framework for IP and MPLS Fast Reroute Using Not-Via Addresses",
        by="S. Bryant, S. Previdi, M. Shand",
        year="2013",
        where="IETF, RFC 6981",
    ),
    "rfc-7490": Document(
        title="Remote Loop-Free Alternate (LFA) Fast Reroute (FRR)",
        by="S. Bryant, C. Filsfils, S. Previdi, M. Shand, N. So",
        year="2015",
        where="IETF, RFC 7490",
    ),
    "rfc-7811": Document(
        title="An Algorithm for Computing IP/LDP Fast Reroute Using Maximally Redundant Trees "
        "(MRT-FRR)",
        by="G. Enyedi, A. Csaszar, A. Atlas, C. Bowers, A. Gopalan",
        year="2016",
        where="IETF, RFC 7811",
    ),
    "rfc-7812": Document(
        title="An Architecture for IP/LDP Fast Reroute Using Maximally Redundant Trees (MRT-FRR)",
        by="A. Atlas, C. Bowers, G. Enyedi",
        year="2016",
        where="IETF, RFC 7812",
    ),
    "rfc-7916": Document(
        title="Operational Management of Loop-Free Alternates",
        by="S. Litkowski, B. Decraene, C. Filsfils, K. Raza, M. Horneffer, P. Sarkar",
        year="2016",
        where="IETF, RFC 7916",
    ),
    "rfc-8001": Document(
        title="RSVP-TE Extensions for Collecting Shared Risk Link Group (SRLG) Information",
        by="F. Zhang, O. Gonzalez de Dios, C. Margaria, M. Hartley, Z. Ali",
        year="2017",
        where="IETF, RFC 8001",
    ),
    "rfc-8102": Document(
        title="Remote-LFA Node Protection and Manageability",
        by="P. Sarkar, S. Hegde, C. Bowers, H. Gredler, S. Litkowski",
        year="2017",
        where="IETF, RFC 8102",
    ),
    "rfc-8390": Document(
        title="RSVP-TE Path Diversity Using Exclude Route",
        by="Z. Ali, G. Swallow, F. Zhang, D. Beller",
        year="2018",
        where="IETF, RFC 8390",
    ),
}

# What figures are held to: loss, delay, availability, geometry, limits.
_FIGURES = {
    "wilson-hawkes": Document(
        title="Optoelectronics: An Introduction, 2nd ed.",
        by="J. Wilson and J. F. B. Hawkes",
        where="Prentice Hall",
        read_in="two other documents that restate the example",
    ),
    "juniper-m40": Document(
        title="M40 Hardware Guide", by="Juniper Networks", where="Juniper documentation"
    ),
    "juniper-mx10003": Document(
        title="MX10003 Hardware Guide", by="Juniper Networks", where="Juniper documentation"
    ),
    "lucent-363-206-305": Document(
        title="Document 363-206-305",
        by="Lucent Technologies",
        year="June 2000",
        where="Lucent documentation",
    ),
    "nortel-212257-b": Document(
        title="Document 212257-B", by="Nortel Networks", where="Nortel documentation"
    ),
    "palais": Document(
        title="Fiber Optic Communications", by="J. C. Palais", where="Prentice Hall"
    ),
    "keiser": Document(
        title="Optical Fiber Communications, 4th ed.",
        by="G. Keiser",
        year="2008",
        where="McGraw-Hill",
    ),
    "khare": Document(
        title="Fiber Optics and Optoelectronics", by="R. P. Khare", where="Oxford University Press"
    ),
    "kolimbiris": Document(
        title="Fiber Optics Communications", by="H. Kolimbiris", where="Prentice Hall"
    ),
    "extreme-hardware": Document(
        title="Consolidated Hardware Guide",
        by="Extreme Networks",
        where="Extreme Networks documentation",
    ),
    "ibm-linuxone-3932": Document(
        title="LinuxONE 3932-AGL: Loss calculation example for a single-mode link",
        by="IBM",
        where="IBM documentation",
    ),
    "ibm-z-connectivity": Document(
        title="IBM Z Connectivity Handbook", by="IBM", where="IBM Redbooks"
    ),
    "ieee-802-3": Document(
        title="IEEE Std 802.3, Ethernet",
        by="IEEE",
        where="IEEE",
        read_in="documents that quote it",
    ),
    "abb-1mrk-505-382": Document(
        title="Document 1MRK 505 382-UEN", by="ABB", where="ABB product documentation"
    ),
    "abb-1mrk-505-370": Document(
        title="Document 1MRK 505 370-UUS", by="ABB", where="ABB product documentation"
    ),
    "ieee-c37-94": Document(
        title="IEEE Std C37.94-2002, scope and purpose", by="IEEE", year="2002", where="IEEE"
    ),
    "mil-std-2042-6b": Document(
        title="MIL-STD-2042-6B(SH)", by="US Department of Defense", where="US military standards"
    ),
    "amd-ug1602": Document(
        title="UG1602 v1.2, section Asymmetric Networks",
        by="AMD",
        year="2024",
        where="AMD technical information portal",
    ),
    "toshiba-grl100": Document(
        title="GRL100 line differential relay, instruction manual 6F2S0850",
        by="Toshiba",
        where="Toshiba product documentation",
    ),
    "ge-l30": Document(
        title="L30 line current differential system, instruction manual",
        by="GE",
        where="GE product documentation",
    ),
    "fis-faq": Document(
        title="FAQ: fiber optics (SMF-28e)",
        by="Fiber Instrument Sales",
        where="pages of Fiber Instrument Sales",
    ),
    "geographiclib": Document(
        title="geographiclib/test/test_geodesic.py",
        by="C. F. F. Karney",
        where="Python package geographiclib 2.1",
    ),
    "singh": Document(
        title="Electric Power Generation, Transmission and Distribution, 2nd ed.",
        by="S. N. Singh",
        year="2012",
        where="PHI Learning",
        read_in="a companion of solved examples",
    ),
    "gonen": Document(
        title="Electric Power Transmission System Engineering, 2nd ed.",
        by="T. Gonen",
        where="CRC Press",
    ),
    "alcoa-fujikura": Document(
        title="Reliability of Fiber Optic Cable Systems",
        by="Alcoa Fujikura",
        year="May 2001",
        where="Alcoa Fujikura Telecommunications; rates of buried cable are Bellcore's",
    ),
    "fishercom-a14": Document(
        title="A14 Calculation of Availability ... in Tandem",
        by="fishercom",
        where="pages of fishercom",
    ),
    "mynbaev": Document(
        title="Fiber-Optic Communications Technology",
        by="D. K. Mynbaev and L. L. Scheiner",
        where="Prentice Hall",
        read_in="a companion of solved examples",
    ),
    "iec-61850-5": Document(
        title="IEC 61850-5:2013, Communication requirements for functions and device models",
        by="IEC",
        where="IEC",
        read_in="documents that quote it",
    ),
    "itu-t-g841": Document(
        title="Recommendation G.841 (10/98), Types and characteristics of SDH network protection "
        "architectures",
        by="ITU-T",
        where="ITU",
        read_in="documents that quote it",
    ),
    "iso-iec-11801": Document(
        title="ISO/IEC 11801, ed. 2.2 (2010), Generic cabling for customer premises",
        by="ISO/IEC",
        where="ISO",
        read_in="documents that tabulate it",
    ),
    "foa-loss-budget": Document(
        title="Loss budget (reference pages)",
        by="The Fiber Optic Association",
        where="reference guide on the pages of the association",
    ),
    "scipy-constants": Document(
        title="scipy.constants (CODATA recommended values)",
        by="NIST, SciPy developers",
        where="Python package scipy",
    ),
    "itu-r-p453": Document(
        title="Recommendation P.453-13, The radio refractive index: its formula and refractivity "
        "data",
        by="ITU-R",
        year="2017",
        where="ITU",
        read_in="Python package itur 0.4.0",
    ),
    "ghatak": Document(
        title="An Introduction to Fiber Optics",
        by="A. Ghatak and K. Thyagarajan",
        where="Cambridge University Press",
        read_in="Python package ofiber 1.0.1",
    ),
    "ge-b30": Document(
        title="B30 bus differential system, instruction manual",
        by="GE",
        where="GE product documentation",
    ),
    "ufgs-16768a": Document(
        title="UFGS-16768A",
        by="US Department of Defense",
        where="Unified Facilities Guide Specifications",
    ),
    "epsg": Document(
        title="EPSG Geodetic Parameter Dataset",
        by="IOGP",
        where="database of PROJ, in Python package pyproj",
    ),
}

# What nobody can find from what is known of it, or nobody here has opened: counts for nothing.
_APART = {
    "untitled-developer-handbook": Document(
        title="a handbook for developers, chapter on parallel versus serial availability",
        kind="untitled",
    ),
    "untitled-public-notes": Document(title="public notes on availability", kind="untitled"),
    "untitled-design-primer": Document(title="a primer on system design", kind="untitled"),
    "untitled-telecom-article": Document(
        title="an article on latency in telecommunications", kind="untitled"
    ),
    "untitled-opgw-specification": Document(
        title="a transmission utility's technical specification of optical ground wire",
        kind="untitled",
    ),
    "untitled-opgw-data-sheet": Document(
        title="a data sheet of optical ground wire with G.652 fibre", kind="untitled"
    ),
    "untitled-loose-tube-data-sheet": Document(
        title="a table of fibres in a data sheet of loose-tube cable", kind="untitled"
    ),
    "untitled-review-problem": Document(
        title="a university's review problem of mathematics", kind="untitled"
    ),
    "untitled-catenary": Document(title="an article on the catenary", kind="untitled"),
    "untitled-textbook": Document(
        title="a textbook on optical communication, perhaps J. M. Senior's", kind="untitled"
    ),
    "untitled-example-set": Document(
        title="a set of textbook examples on power budgets", kind="untitled"
    ),
    "untitled-engineering-note": Document(
        title="an engineering note on link budgets at 1310 nm", kind="untitled"
    ),
    "untitled-core-mismatch": Document(
        title="a page of optics-fibers.com on fibres of different cores (a weak source)",
        kind="untitled",
    ),
    "ieee-802-3-er4-mail": Document(
        title="mail in the IEEE 802.3 working group on the loss of 40 km links",
        by="an editor of ITU-T Q6/15",
        kind="untitled",
    ),
    "ieee-c37-243": Document(
        title="IEEE Std C37.243, Guide for Application of Digital Line Current Differential "
        "Relays Using Digital Communication",
        by="IEEE",
        where="IEEE",
        kind="memory",
    ),
}

DOCUMENTS: dict[str, Document] = {**_MAIN_JOB, **_RFCS, **_FIGURES, **_APART}
