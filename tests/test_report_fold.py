"""Many shared assets, few findings: what is shown under what."""

from hypothesis import given, settings
from hypothesis import strategies as st

from report_estuary import build_estuary
from waysapart.report.fold import folded


def shared(asset, role="segments", kind="span", main=("L1", "C1"), alternate=("L2", "C2"), **more):
    return {
        "asset": asset,
        "role": role,
        "kind": kind,
        "main_via": list(main),
        "alternate_via": list(alternate),
        **more,
    }


def tower(asset, span):
    return shared(asset, "structures", "tower", ("L1", "C1", span), ("L2", "C2", span))


def names(items):
    return [one["asset"] for one in items]


def test_spans_of_one_line_are_one_finding_with_their_towers():
    """Three spans of the same two cables, four towers on them, and the carrying cable."""
    spans = [shared(f"S{k}") for k in (1, 2, 3)]
    towers = [tower("T0", "S1"), tower("T1", "S1"), tower("T2", "S2"), tower("T3", "S3")]
    cable = shared("C1", "cables", "opgw", ("L1",), ("L2", "C2"))
    line, alone = folded([*towers, *spans, cable])
    assert line.label == "3 spans S1 to S3"
    assert names(line.members) == ["S1", "S2", "S3"]
    assert names(line.places) == ["T0", "T1", "T2", "T3"]
    assert alone.label == "opgw cable C1"


def test_other_cables_make_another_finding():
    found = folded([shared("S1"), shared("S2", main=("L1", "C9"))])
    assert [one.label for one in found] == ["span S1", "span S2"]


def test_a_tower_of_one_shared_span_stays_a_finding_of_its_own():
    """The tower could stay shared if the span were mended."""
    labels = [one.label for one in folded([tower("T1", "S1"), shared("S1")])]
    assert sorted(labels) == ["span S1", "tower T1"]


def test_a_holder_stands_under_what_it_holds():
    """The trench is shared only because the shared duct lies in it."""
    facts, _ = build_estuary()
    circuit = next(c for c in facts["circuits"] if c["id"] == "C-04")
    duct, pit = sorted(folded(circuit["shared"]), key=lambda one: one.label)
    assert (duct.label, names(duct.holders)) == ("duct DU4-013", ["TR-7"])
    assert (pit.label, pit.holders) == ("pit P-DU4-013", [])


def test_joints_of_one_cable_are_one_finding():
    """Two joints of the cable that both links use are one; that of another cable stands alone."""
    at = {"role": "joints", "kind": None}
    joints = [shared(f"J{k}", **at) for k in (1, 2)]
    other = shared("J3", main=("L1", "C9"), **at)
    together, alone = folded([*joints, other])
    assert together.label == "2 joints J1 to J2"
    assert names(together.members) == ["J1", "J2"]
    assert alone.label == "joint J3"


def test_many_of_a_kind_are_named_in_the_plural():
    found = folded([shared(f"S{k}", kind="entry") for k in (1, 2)])
    assert [one.label for one in found] == ["2 entries S1 to S2"]


def test_what_is_accepted_is_never_folded_into_what_is_not():
    open_span, accepted = folded([shared("S1", waived=True), shared("S2")])
    assert (open_span.label, open_span.waived) == ("span S2", False)
    assert (accepted.label, accepted.waived) == ("span S1", True)


def test_holders_that_name_each_other_are_still_shown():
    found = folded([shared("A", through="B"), shared("B", "holders", "trench", through="A")])
    assert sorted(one.label for one in found) == ["span A", "trench B"]


ASSETS = st.builds(
    shared,
    st.sampled_from([f"A{k}" for k in range(8)]),
    st.sampled_from(["segments", "structures", "holders", "joints"]),
    st.sampled_from(["span", "duct"]),
    st.sampled_from([("L1", "C1"), ("L1", "C1", "A1"), ("L1",), ()]),
    waived=st.booleans(),
    through=st.sampled_from([None, "A0", "A1", "A2"]),
)


@settings(derandomize=True, deadline=None)
@given(st.lists(ASSETS, unique_by=lambda one: one["asset"]))
def test_every_shared_asset_is_shown_exactly_once(given_assets):
    found = folded(given_assets)
    shown = [x for one in found for x in names([*one.members, *one.places, *one.holders])]
    assert sorted(shown) == sorted(names(given_assets))
