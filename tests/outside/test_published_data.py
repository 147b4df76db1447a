"""Data that other tests rest on: networks as a package carries them, against a paper's table."""

from __future__ import annotations

import pytest
import topohub

from published import published


@published(
    "tapolcai-2017",
    "table I, sizes of networks",
    "German 17 nodes and 26 links, EU (Nobel) 28 and 41, EU (COST266) 37 and 57, US 26 and 42",
    of="data",
)
@pytest.mark.parametrize(
    ("name", "nodes", "links"),
    [
        ("sndlib/nobel-germany", 17, 26),
        ("sndlib/nobel-eu", 28, 41),
        ("sndlib/cost266", 37, 57),
        ("sndlib/janos-us", 26, 42),
    ],
)
def test_reference_networks_have_their_size(name: str, nodes: int, links: int) -> None:
    found = topohub.get(name)
    assert (len(found["nodes"]), len(found["edges"])) == (nodes, links)
