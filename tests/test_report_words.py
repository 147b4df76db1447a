"""Words of the report: times as they are read, and the order of ids."""

from __future__ import annotations

import pytest

from waysapart.report.words import counted, moment


@pytest.mark.parametrize(
    ("stamp", "said"),
    [
        ("2026-11-25T11:35:54Z", "25 November 2026, 11:35 UTC"),
        ("2026-03-02T09:41Z", "2 March 2026, 09:41 UTC"),
        ("2026-13-02T09:41Z", "2026-13-02T09:41Z"),
        ("yesterday", "yesterday"),
        ("", ""),
    ],
)
def test_a_time_is_said_in_words(stamp, said):
    assert moment(stamp) == said


def test_numbers_in_ids_count():
    names = ["C10", "C2", "circuit-3", "C2b", "C", "2", ""]
    assert sorted(names, key=counted) == ["", "2", "C", "C2", "C2b", "C10", "circuit-3"]
