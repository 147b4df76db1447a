"""Which cases of a long list are tried every day; all are tried with --all.

Every test keeps some of its cases every day. More of the same waits for --all, and so do most
cases of the long lists of damage, forgeries and hostile input: they are alike in what they
need, and each costs a proof or two.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from typing import Any

import pytest


def some(cases: Iterable[Any], every: int) -> list[Any]:
    """Cases as parameters of a test: the first of so many every day, the others marked slow.

    Parameters
    ----------
    cases : iterable
        All of them, in an order that puts cases of one kind side by side; a plain tuple is a case
        of several parameters.
    every : int
        One of so many is tried every day, beginning with the first.
    """
    return [
        case
        if number % every == 0
        else pytest.param(*(case if type(case) is tuple else (case,)), marks=pytest.mark.slow)
        for number, case in enumerate(cases)
    ]


WITH_ALL = [False]
"""Whether the run was started with --all: conftest.py says so before any test is collected."""


def examples(number: int, every_day: int) -> int:
    """How many examples a property is tried on: so many with --all, fewer every day."""
    return number if WITH_ALL[-1] else every_day


ONE_OF = {
    "cli/test_cli.py::test_bad_input_gets_its_error_and_exit_status_2": 3,
    "cli/test_cli.py::test_plant_without_circuits_is_checked_dug_and_exported": 2,
    "cli/test_output.py::test_files_of_others_are_replaced_when_forced_own_ones_always": 2,
    "docs/test_docs_site.py::test_every_block_runs": 2,
    "findings/test_optics.py::test_one_fibre_with_two_links": 2,
    "findings/test_protects.py::test_recheck_confirms_it": 3,
    "findings/test_protects.py::test_where_it_counts_what_nobody_knows_is_a_gap": 2,
    "findings/test_redundant_supplies.py::test_every_figure_is_the_sum_over_all_states": 3,
    "findings/test_unknown_figures.py::test_recheck_agrees_on_hops_without_cables": 2,
    "network/test_conflicts.py::test_a_conflict_leaves_open_what_it_touches": 6,
    "network/test_hazards.py::test_a_hazard_takes_the_kinds_that_it_names": 2,
    "recheck/test_evidence_mutations.py::test_changes_are_told": 3,
    "recheck/test_forged_gaps.py::test_a_conflict_that_is_struck_out_is_told": 4,
    "recheck/test_forged_gaps.py::test_a_gap_that_is_made_up_is_told": 4,
    "recheck/test_forged_gaps.py::test_a_gap_that_is_struck_out_is_told": 4,
    "recheck/test_recheck.py::test_distances_hold_anywhere_on_earth": 3,
    "recheck/test_recheck.py::test_ids_may_hold_anything": 2,
    "recheck/test_recheck.py::test_random_studies_are_confirmed": 2,
    "recheck/test_recheck_limits.py::test_a_figure_that_is_not_so_is_told": 4,
    "recheck/test_reroute_forgeries.py::test_a_forged_rerouting_is_told": 6,
    "recheck/test_reroute_recheck.py::test_a_damaged_proof_is_told": 4,
    "recheck/test_reroute_recheck.py::test_a_forged_proposal_is_told": 4,
    "recheck/test_sound_evidence.py::test_what_is_proved_is_confirmed": 3,
    "reliance/test_feeding.py::test_recheck_confirms_it": 2,
    "report/test_report_browser.py::test_no_part_is_wider_than_the_window": 2,
    "report/test_report_hostile.py::test_it_is_shown_as_it_is": 5,
    "report/test_report_outside.py::test_no_canary_of_any_text_is_in_the_page": 2,
    "report/test_report_valid.py::test_the_report_for_readers_outside_is_valid": 2,
    "report/test_report_works.py::test_the_command_says_and_returns_the_same_with_a_page": 2,
    "report/test_report_works.py::test_the_engine_finds_nothing": 3,
    "reroute/test_reroute_build.py::test_equal_to_trying_everything": 3,
    "reroute/test_reroute_cli.py::test_wrong_calls_are_exit_status_2": 3,
    "reroute/test_reroute_groups.py::test_working_ways_equal_to_enumeration": 2,
    "reroute/test_reroute_outside.py::test_medium_nets_as_an_integer_programme_solves_them": 2,
    "reroute/test_reroute_split.py::test_equal_to_enumeration": 3,
    "reroute/test_reroute_split.py::test_equal_to_enumeration_within_limits": 3,
    "study/test_bad_input.py::test_bad_input_is_told_with_its_place": 2,
    "study/test_formats_prove.py::test_proves_identically": 4,
    "study/test_fuzz_reading.py::test_a_day_that_no_record_is_of": 2,
    "study/test_fuzz_reading.py::test_odd_settings": 3,
    "study/test_hostile.py::test_a_chain_of_ten_thousand_is_refused_with_a_reason": 3,
    "study/test_hostile.py::test_heights_and_measures_change_nothing": 3,
    "study/test_hostile.py::test_names_cannot_steer_the_terminal": 3,
    "study/test_hostile_layers.py::test_a_view_without_end_is_refused": 4,
    "study/test_hostile_layers.py::test_geoparquet_with_odd_metadata": 2,
    "study/test_postgres.py::test_values_of_types_that_no_column_has_are_told": 3,
    "study/test_read_written.py::test_what_is_written_is_read_back_the_same": 3,
    "study/test_words.py::test_ids_that_look_alike": 3,
    "verdicts/test_accuracy.py::test_ducts_seven_metres_apart": 2,
    "verdicts/test_against_oracle.py::test_every_path_relies_on_what_the_oracle_says": 3,
    "verdicts/test_deletion.py::test_deleting_a_row_makes_nothing_apart": 2,
    "verdicts/test_invariance.py::test_names_order_and_which_way_is_main_change_nothing": 2,
    "verdicts/test_waivers.py::test_waivers_that_lapse_within_90_days_are_listed": 2,
    "verdicts/test_waivers.py::test_what_changes_a_record_and_what_does_not": 3,
    "whatif/test_dig_random.py::test_a_dig_of_one_asset_is_its_row_of_the_contingency_table": 2,
    "whatif/test_dig_random.py::test_a_proof_and_its_study_give_the_same": 2,
    "whatif/test_dig_random.py::test_every_state_is_what_the_oracle_says": 2,
}
"""Tests of which one of so many cases is tried every day: those whose cases cost most together."""


def beyond_one_of(items: Iterable[pytest.Item]) -> Iterator[pytest.Item]:
    """The cases of these tests that wait for --all: of each test all but the first of so many.

    Parameters
    ----------
    items : iterable of pytest.Item
        Collected tests that are not marked slow yet.
    """
    seen = Counter[str]()
    for item in items:
        name = "/".join(item.nodeid.split("[")[0].split("/")[-2:])
        if name in ONE_OF:
            if seen[name] % ONE_OF[name]:
                yield item
            seen[name] += 1
