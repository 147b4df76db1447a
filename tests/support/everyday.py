"""Which cases of a long list are tried every day; all are tried with --all.

Every subject keeps some tests every day. More of the same waits for --all, and so do most
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


NIGHTLY = frozenset(
    {
        "cli/test_nothing_lost.py::test_two_runs_give_the_same_bytes",
        "cli/test_output.py::test_a_disk_that_fills_up_leaves_the_old_files",
        "cli/test_output.py::test_a_full_disk_is_told_plainly",
        "cli/test_output.py::test_odd_columns_and_texts_come_through_an_export",
        "cli/test_output.py::test_read_only_places_as_an_ordinary_user",
        "export/test_export.py::test_exporting_twice_replaces_the_first",
        "export/test_export.py::test_random_studies_come_back_the_same",
        "findings/test_figures_availability.py::test_a_duct_in_a_trench_does_not_count_the_dig_twice",
        "findings/test_figures_availability.py::test_a_path_out_of_service_is_known_whatever_it_lacks",
        "findings/test_figures_availability.py::test_an_internal_hop_is_part_of_the_equipment_at_its_ends",
        "findings/test_figures_delay.py::test_reversing_a_circuit_or_its_rows_changes_no_figure",
        "findings/test_figures_delay.py::test_turning_back_far_out_is_the_worst_state",
        "findings/test_figures_length.py::test_twenty_metres_are_allowed_on_short_cables",
        "findings/test_figures_loss.py::test_more_length_never_improves_a_margin",
        "findings/test_figures_loss.py::test_overload_is_not_checked_where_the_receiver_states_none",
        "findings/test_figures_loss.py::test_with_the_right_length_a_high_loss_is_no_other_cable",
        "findings/test_optics.py::test_a_single_mode_cable_in_a_multimode_link_as_well",
        "findings/test_optics.py::test_a_stretch_of_just_one_reel_needs_no_joint",
        "findings/test_optics.py::test_a_tested_cable_needs_none_either",
        "findings/test_optics.py::test_an_open_limit_may_still_be_broken",
        "findings/test_optics.py::test_fibres_of_one_core_are_no_step",
        "findings/test_optics.py::test_fibres_that_change_their_numbers_are_no_gap",
        "findings/test_optics.py::test_joints_of_the_carrier_are_no_splices_of_what_it_carries",
        "findings/test_optics.py::test_links_that_end_in_one_multiplexer_need_no_other",
        "findings/test_optics.py::test_recording_a_joint_never_lowers_the_worst_loss",
        "findings/test_optics.py::test_without_an_attenuation_at_the_wavelength",
        "findings/test_power_and_clock.py::test_a_board_that_either_charger_feeds_hangs_on_neither",
        "findings/test_power_and_clock.py::test_two_fuses_in_one_board_hang_on_the_board",
        "findings/test_power_and_clock.py::test_what_is_shared_otherwise_is_no_need",
        "findings/test_profiles.py::test_the_picture_is_the_same_in_every_process",
        "findings/test_protects.py::test_a_circuit_with_one_path_may_be_silent_too",
        "findings/test_protects.py::test_a_span_of_the_line_brings_its_towers",
        "findings/test_protects.py::test_it_is_waived_as_any_other_shared_thing",
        "findings/test_protects.py::test_own_line_counts_what_leaves_nothing_while_a_path_is_out",
        "findings/test_protects.py::test_own_line_counts_where_nothing_remains",
        "findings/test_protects.py::test_own_line_sees_what_two_supplies_have_in_common",
        "findings/test_protects.py::test_random_lines_are_confirmed",
        "findings/test_redundant_supplies.py::test_a_board_that_either_charger_feeds",
        "findings/test_redundant_supplies.py::test_a_relay_on_one_battery_and_a_multiplexer_on_both",
        "findings/test_redundant_supplies.py::test_random_studies_against_events_played_through",
        "findings/test_separation_places.py::test_grid_search_never_finds_a_worse_place",
        "findings/test_separation_places.py::test_no_circle_of_a_fine_grid_takes_a_set_that_was_not_found",
        "findings/test_spacing.py::test_a_crossing_of_a_segment_that_a_path_uses_twice_is_one",
        "findings/test_spacing.py::test_a_short_run_beside_a_shared_pit_is_folded",
        "findings/test_spacing.py::test_a_site_on_the_way_that_both_pass_is_no_crossing",
        "findings/test_spacing.py::test_it_does_not_matter_which_of_three_paths_lies_between",
        "findings/test_spacing.py::test_what_is_short_along_both_paths_goes_with_a_waived_pit",
        "findings/test_spacing.py::test_where_end_zones_cover_a_path_there_is_no_figure",
        "findings/test_tails.py::test_a_cord_in_a_tray_is_tail",
        "findings/test_tails.py::test_a_service_may_count_its_tails",
        "findings/test_tails.py::test_every_path_has_to_run_through_it",
        "findings/test_tails.py::test_the_tail_does_not_hang_on_the_order_of_rows_or_ends",
        "findings/test_unknown_figures.py::test_a_path_of_unknown_delay_is_no_answer_of_reroute",
        "findings/test_unknown_figures.py::test_a_stated_length_goes_before_the_line_between_masts",
        "findings/test_unknown_figures.py::test_directions_that_switch_together_pass_the_same_equipment",
        "findings/test_unknown_figures.py::test_no_record_that_is_filled_in_leads_below_the_bound",
        "findings/test_unknown_figures.py::test_the_terminal_calls_no_leased_line_fibre",
        "findings/test_unknown_figures.py::test_unknown_delay_on_the_shorter_path_may_make_up_the_difference",
        "network/test_ages.py::test_a_leased_hop_without_a_route_is_told_once",
        "network/test_ages.py::test_a_test_of_the_day_itself_counts",
        "network/test_ages.py::test_an_old_test_of_loss_leaves_delay_alone",
        "network/test_conflicts.py::test_a_structure_of_unknown_kind_far_from_all_plant_touches_nothing",
        "network/test_conflicts.py::test_no_conflict_of_many_makes_anything_apart",
        "network/test_conflicts.py::test_which_row_keeps_the_id_does_not_hang_on_their_order",
        "network/test_matching.py::test_cables_drawn_along_random_chains",
        "network/test_rings.py::test_a_tail_of_two_hops_is_read_from_either_end",
        "network/test_rings.py::test_a_tail_that_leaves_the_site_is_shared",
        "network/test_rings.py::test_main_way_is_stated_ring_by_ring",
        "network/test_rings.py::test_one_path_has_nothing_to_change_over_to",
        "network/test_rings.py::test_rings_that_join_at_two_nodes_hang_on_neither",
        "network/test_spares.py::test_free_fibres_are_the_paths_of_random_plants",
        "recheck/test_evidence_mutations.py::test_nothing_rests_on_what_is_not_held",
        "recheck/test_forged_gaps.py::test_sound_evidence_of_damaged_records_is_confirmed",
        "recheck/test_hostile_evidence.py::test_it_is_refused_quickly_in_few_words",
        "recheck/test_mutations.py::test_a_run_counts_what_it_does",
        "recheck/test_mutations.py::test_damage_is_caught",
        "recheck/test_mutations.py::test_every_kind_of_damage_finds_something_to_damage",
        "recheck/test_mutations.py::test_harmless_changes_are_passed_over",
        "reliance/test_feeding.py::test_a_ring_of_three_boards_with_one_source",
        "reliance/test_feeding.py::test_either_board_each_with_either_rectifier",
        "reliance/test_feeding.py::test_with_a_rectifier_out_of_service_its_tied_board_relies_on_the_other_side",
        "reliance/test_reliance.py::test_an_ignored_holder_in_nothing_leaves_nothing",
        "reliance/test_reliance.py::test_through_does_not_hang_on_which_path_is_main",
        "report/test_notebook.py::test_a_map_of_hostile_text_runs_none_of_it",
        "report/test_report_compare.py::test_the_command_says_and_returns_the_same_with_a_page",
        "report/test_report_compare.py::test_what_reroute_would_build_shows_as_added",
        "report/test_report_hostile.py::test_none_of_it_reaches_a_report_for_outside",
        "report/test_report_reroute.py::test_recheck_checks_what_the_page_carries",
        "report/test_report_reroute.py::test_the_command_says_and_returns_the_same_with_a_page",
        "report/test_report_reroute.py::test_where_nothing_is_to_be_rerouted_the_page_says_so",
        "report/test_report_reroute.py::test_without_scripts_and_on_paper_pictures_replace_the_map",
        "report/test_report_tools.py::test_a_large_report_puts_an_entry_in_when_it_is_opened",
        "report/test_report_valid.py::test_a_large_report_is_valid",
        "reroute/test_reroute_build.py::test_equal_to_trying_everything",
        "reroute/test_reroute_cost.py::test_a_bound_over_the_budget_is_over_it_and_one_below_is_open",
        "reroute/test_reroute_cost.py::test_a_budget_marks_what_costs_more",
        "reroute/test_reroute_cost.py::test_a_kind_without_a_price_has_that_of_all_others",
        "reroute/test_reroute_cost.py::test_a_layer_with_a_price_that_the_study_lacks_is_told",
        "reroute/test_reroute_cost.py::test_changes_at_a_site_have_a_price_of_their_own",
        "reroute/test_reroute_cost.py::test_costs_that_are_none_are_refused_all_at_once",
        "reroute/test_reroute_cost.py::test_crossings_are_separate_places_of_a_layer",
        "reroute/test_reroute_cost.py::test_given_costs_without_prices_are_as_given",
        "reroute/test_reroute_cost.py::test_it_is_printed_on_one_line_and_written",
        "reroute/test_reroute_cost.py::test_optics_are_fitted_at_both_ends",
        "reroute/test_reroute_cost.py::test_the_cheapest_comes_first_by_price_not_by_length",
        "reroute/test_reroute_cost.py::test_the_common_proposal_has_a_budget_too",
        "reroute/test_reroute_cost.py::test_the_example_on_the_page",
        "reroute/test_reroute_cost.py::test_what_is_apart_once_recorded_counts_per_cost_and_is_said",
        "reroute/test_reroute_cost.py::test_without_prices_the_cost_is_metres",
        "reroute/test_reroute_demo.py::test_a_tampered_proof_is_told",
        "reroute/test_reroute_demo.py::test_one_thing_to_build_works_for_each",
        "reroute/test_reroute_groups.py::test_four_paths_equal_to_enumeration",
        "reroute/test_reroute_groups.py::test_random_groups_are_decided_as_every_choice_of_paths_is_proved",
        "reroute/test_reroute_groups.py::test_working_paths_equal_to_enumeration",
        "reroute/test_reroute_outside.py::test_medium_nets_as_an_integer_programme_solves_them",
        "reroute/test_reroute_rooms.py::test_a_clock_in_the_old_room_is_left_behind",
        "reroute/test_reroute_rooms.py::test_a_room_and_a_duct_are_one_set",
        "reroute/test_reroute_rooms.py::test_it_is_fed_from_a_new_supply_where_none_on_record_is_clear",
        "reroute/test_reroute_rooms.py::test_it_is_fed_from_a_supply_on_record_that_is_clear",
        "reroute/test_reroute_rooms.py::test_it_is_printed_and_rechecked",
        "reroute/test_reroute_rooms.py::test_its_panel_moves_with_it",
        "reroute/test_reroute_rooms.py::test_no_room_for_the_one_multiplexer_that_all_pass",
        "reroute/test_reroute_rooms.py::test_no_room_where_another_rack_on_record_is_clear",
        "reroute/test_reroute_rooms.py::test_rules_that_call_a_blank_room_a_gap_are_kept_to",
        "reroute/test_reroute_sets.py::test_the_set_is_the_cheapest_of_all_subsets",
        "reroute/test_reroute_spliced.py::test_a_cable_is_led_into_a_joint_that_holds_the_other",
        "reroute/test_reroute_spliced.py::test_a_fibre_that_leads_elsewhere_within_a_cable_is_not_taken",
        "reroute/test_reroute_spliced.py::test_a_splice_between_two_spares_is_opened_only_where_nothing_else_does",
        "reroute/test_reroute_spliced.py::test_one_fibre_for_both_directions_has_one_port",
        "reroute/test_reroute_study.py::test_a_closure_where_cables_pass_each_other_is_proposed",
        "reroute/test_reroute_study.py::test_a_given_segment_that_lies_in_nothing_is_proved_apart",
        "reroute/test_reroute_study.py::test_a_joint_on_record_lets_a_link_change_cable",
        "reroute/test_reroute_study.py::test_a_path_over_its_budget_is_no_answer",
        "reroute/test_reroute_study.py::test_asymmetry_beyond_its_limit_is_no_answer",
        "reroute/test_reroute_study.py::test_different_things_on_one_road_are_said_so",
        "reroute/test_reroute_study.py::test_given_candidates_are_ranked_by_their_cost",
        "reroute/test_reroute_study.py::test_loss_is_compared_without_what_is_kept_for_later",
        "reroute/test_reroute_study.py::test_nothing_is_built_in_a_forbidden_area",
        "reroute/test_reroute_study.py::test_optics_on_record_elsewhere_are_proposed_where_the_budget_is_all",
        "reroute/test_reroute_study.py::test_the_shortest_path_is_no_trap",
        "reroute/test_reroute_study.py::test_too_few_free_fibres_are_no_path",
        "reroute/test_reroute_study.py::test_what_is_to_be_avoided_is_avoided",
        "reroute/test_reroute_study.py::test_where_accuracy_may_hide_a_near_approach_it_is_gone_round_too",
        "reroute/test_reroute_where.py::test_a_route_follows_the_corridor_with_leads_at_its_ends",
        "reroute/test_reroute_where.py::test_a_route_stays_in_the_land_that_is_offered",
        "reroute/test_reroute_where.py::test_a_search_relies_on_all_that_new_plant_enters",
        "reroute/test_reroute_where.py::test_keep_out_bars_building_and_not_the_plant_that_exists",
        "reroute/test_reroute_where.py::test_old_pits_within_snap_are_relied_on_and_told",
        "reroute/test_reroute_where.py::test_what_is_to_be_avoided_may_be_in_the_cut_itself",
        "reroute/test_reroute_where_random.py::test_no_proposal_lies_in_or_along_what_its_proof_names",
        "study/test_fuzz_reading.py::test_any_text_in_any_cell",
        "study/test_fuzz_reading.py::test_damaged_files",
        "study/test_hostile.py::test_a_cable_with_a_hundred_thousand_runs",
        "study/test_hostile_layers.py::test_a_hundred_thousand_columns_of_a_feature",
        "study/test_hostile_layers.py::test_parquet_that_unpacks_without_end",
        "verdicts/test_invariance.py::test_the_plants_hold_every_verdict_and_what_is_hard_to_judge",
        "verdicts/test_plain_script.py::test_one_answer",
        "verdicts/test_waivers.py::test_a_crossing_is_covered_where_both_members_lie_in_it",
        "verdicts/test_waivers.py::test_a_holder_of_a_kind_that_the_rules_ignore_may_still_be_named",
        "verdicts/test_waivers.py::test_a_long_list_is_cut_in_the_terminal_alone",
        "verdicts/test_waivers.py::test_a_waived_trench_that_becomes_a_bridge_with_four_more_ducts",
        "verdicts/test_waivers.py::test_few_things_are_offered_one_by_one",
        "verdicts/test_waivers.py::test_ids_with_signs_that_cannot_be_seen_are_pasted_as_they_are",
        "verdicts/test_waivers.py::test_recheck_follows_near_approaches_in_a_thing",
        "verdicts/test_waivers.py::test_recheck_reads_a_last_day_in_quotes",
        "verdicts/test_waivers.py::test_waiving_a_trench_waives_the_lane_through_it",
        "verdicts/test_waivers.py::test_what_lies_in_it_at_any_depth_is_covered",
        "whatif/test_compare.py::test_random_studies_compared_with_themselves",
        "whatif/test_compare_proposal.py::test_a_proposal_on_a_proposal_is_told_whole_or_by_itself",
        "whatif/test_compare_proposal.py::test_a_proposal_that_is_not_read_at_all_says_so_though_nothing_changed",
        "whatif/test_compare_proposal.py::test_evidence_before_takes_what_extends_the_study_of_its_name",
        "whatif/test_compare_proposal.py::test_files_of_a_proposal_in_between_are_named_with_their_folder",
        "whatif/test_compare_proposal.py::test_hostile_names_of_files_come_through_as_text",
        "whatif/test_compare_proposal.py::test_layers_and_sheets_of_files_that_are_read_are_named_too",
        "whatif/test_compare_proposal.py::test_plant_that_no_circuit_uses_is_told_as_such",
        "whatif/test_compare_proposal.py::test_the_same_figures_stand_on_terminal_and_in_json",
        "whatif/test_compare_proposal.py::test_what_belongs_to_another_study_or_is_no_layer_is_not_named",
        "whatif/test_weakened.py::test_nothing_is_weakened_where_both_stand_or_none",
        "whatif/test_weakened.py::test_stand_ins_and_newly_fatal_things_are_what_the_oracle_says",
        "whatif/test_works_crew.py::test_hours_make_days_of_their_own",
    }
)
"""Costly tests that wait for --all as a whole: fuzz, random plants, comparison with other programs,
rare states of a disk, and what other tests of the same file show on less."""


ONE_OF = {
    "cli/test_cli.py::test_bad_input_gets_its_error_and_exit_status_2": 8,
    "cli/test_cli.py::test_plant_without_circuits_is_checked_dug_and_exported": 4,
    "cli/test_nothing_lost.py::test_no_output_overwrites_an_input": 2,
    "cli/test_output.py::test_an_error_at_any_step_leaves_all_as_it_was": 2,
    "cli/test_output.py::test_files_of_others_are_replaced_when_forced_own_ones_always": 4,
    "cli/test_output.py::test_no_name_leads_over_an_input": 2,
    "docs/test_docs_site.py::test_every_block_runs": 40,
    "findings/test_figures_availability.py::test_what_a_hop_relies_on_may_have_a_rate": 2,
    "findings/test_optics.py::test_a_stated_coupling_loss_is_added_once_per_step": 2,
    "findings/test_optics.py::test_between_recorded_joints_the_rest_is_estimated": 2,
    "findings/test_optics.py::test_one_fibre_with_two_links": 4,
    "findings/test_optics.py::test_what_closes_the_gap_of_joints": 2,
    "findings/test_protects.py::test_recheck_confirms_it": 6,
    "findings/test_protects.py::test_where_it_counts_what_nobody_knows_is_a_gap": 4,
    "findings/test_redundant_supplies.py::test_every_figure_is_the_sum_over_all_states": 6,
    "findings/test_spacing.py::test_a_crossing_says_which_kinds_cross": 3,
    "findings/test_spacing.py::test_a_path_across_two_that_run_together_takes_all_three": 2,
    "findings/test_spacing.py::test_recheck_decides_of_three_paths_where_they_come_together": 2,
    "findings/test_spacing.py::test_the_limit_of_the_kinds_that_meet_counts": 3,
    "findings/test_spacing.py::test_the_rules_say_which_kinds_may_not_cross": 3,
    "findings/test_unknown_figures.py::test_a_limit_is_broken_where_the_bound_alone_breaks_it": 2,
    "findings/test_unknown_figures.py::test_a_radio_hop_without_two_masts_runs_from_its_sites": 3,
    "findings/test_unknown_figures.py::test_recheck_agrees_on_hops_without_cables": 4,
    "network/test_blanks.py::test_naming_ones_own_site_is_no_route": 3,
    "network/test_blanks.py::test_what_the_rules_say_of_a_blank": 2,
    "network/test_conflicts.py::test_a_conflict_leaves_open_what_it_touches": 20,
    "network/test_conflicts.py::test_strictly_the_same_is_an_error": 2,
    "network/test_contradictions.py::test_a_joint_anywhere_along_its_cable_is_none": 3,
    "network/test_hazards.py::test_a_hazard_in_the_air_must_take_radio": 3,
    "network/test_hazards.py::test_a_hazard_takes_the_kinds_that_it_names": 4,
    "network/test_matching.py::test_two_ducts_of_one_trench": 3,
    "network/test_rings.py::test_rings_that_do_not_lead_across_are_a_gap": 3,
    "network/test_trace.py::test_every_trap_is_found_by_name": 3,
    "recheck/test_coherent_forgeries.py::test_a_forgery_is_told": 2,
    "recheck/test_evidence_mutations.py::test_changes_are_told": 6,
    "recheck/test_evidence_mutations.py::test_changes_in_a_file_are_told": 3,
    "recheck/test_forged_gaps.py::test_a_conflict_that_is_struck_out_is_told": 9,
    "recheck/test_forged_gaps.py::test_a_gap_that_is_made_up_is_told": 9,
    "recheck/test_forged_gaps.py::test_a_gap_that_is_struck_out_is_told": 9,
    "recheck/test_recheck.py::test_distances_hold_anywhere_on_earth": 6,
    "recheck/test_recheck.py::test_ids_may_hold_anything": 4,
    "recheck/test_recheck.py::test_random_studies_are_confirmed": 8,
    "recheck/test_recheck_limits.py::test_a_figure_that_is_not_so_is_told": 12,
    "recheck/test_reroute_forgeries.py::test_a_forged_rerouting_is_told": 15,
    "recheck/test_reroute_recheck.py::test_a_damaged_proof_is_told": 8,
    "recheck/test_reroute_recheck.py::test_a_forged_proposal_is_told": 8,
    "recheck/test_sound_evidence.py::test_what_is_proved_is_confirmed": 6,
    "reliance/test_feeding.py::test_recheck_confirms_it": 4,
    "report/test_report_browser.py::test_no_part_is_wider_than_the_window": 8,
    "report/test_report_compare.py::test_the_answer_comes_first_on_wide_and_narrow_screens": 2,
    "report/test_report_compare.py::test_the_engine_finds_nothing": 4,
    "report/test_report_hostile.py::test_it_is_shown_as_it_is": 16,
    "report/test_report_links.py::test_a_hash_in_the_address_lands": 4,
    "report/test_report_links.py::test_links_of_a_large_report_land": 2,
    "report/test_report_links.py::test_the_first_click_after_loading_lands": 4,
    "report/test_report_outside.py::test_no_canary_of_any_figure_is_in_the_page": 2,
    "report/test_report_outside.py::test_no_canary_of_any_text_is_in_the_page": 8,
    "report/test_report_outside.py::test_no_coordinate_in_degrees_is_in_the_file": 3,
    "report/test_report_reroute.py::test_nothing_is_wider_than_a_phone": 2,
    "report/test_report_reroute.py::test_the_commands_of_the_page_lead_from_it_to_the_notice": 6,
    "report/test_report_valid.py::test_the_report_for_readers_outside_is_valid": 4,
    "report/test_report_works.py::test_the_command_says_and_returns_the_same_with_a_page": 4,
    "report/test_report_works.py::test_the_engine_finds_nothing": 8,
    "reroute/test_reroute_build.py::test_a_cover_equal_to_trying_every_set": 3,
    "reroute/test_reroute_cli.py::test_wrong_calls_are_exit_status_2": 6,
    "reroute/test_reroute_cost.py::test_a_forged_line_is_told": 8,
    "reroute/test_reroute_cost.py::test_what_has_no_price_is_unknown_never_nought": 8,
    "reroute/test_reroute_spliced.py::test_cables_that_end_at_a_site_are_joined_by_a_cord": 4,
    "reroute/test_reroute_spliced.py::test_evidence_of_the_proposal_holds": 4,
    "reroute/test_reroute_split.py::test_equal_to_enumeration": 10,
    "reroute/test_reroute_split.py::test_equal_to_enumeration_within_limits": 10,
    "reroute/test_reroute_where.py::test_a_duct_across_the_shared_trench_is_shown_or_forbidden": 2,
    "reroute/test_reroute_where.py::test_a_duct_beside_the_shared_trench_keeps_the_separation": 4,
    "reroute/test_reroute_where.py::test_a_second_entry_is_built_and_the_cables_use_it": 4,
    "reroute/test_reroute_where.py::test_what_a_candidate_states_counts_and_a_blank_is_unknown": 4,
    "study/test_bad_input.py::test_bad_input_is_told_with_its_place": 8,
    "study/test_blank_tables.py::test_what_is_filled_in_reads_and_proves_as_the_original": 4,
    "study/test_formats_prove.py::test_proves_identically": 6,
    "study/test_fuzz_reading.py::test_a_day_that_no_record_is_of": 4,
    "study/test_fuzz_reading.py::test_odd_settings": 6,
    "study/test_hostile.py::test_a_chain_of_ten_thousand_is_refused_with_a_reason": 6,
    "study/test_hostile.py::test_heights_and_measures_change_nothing": 6,
    "study/test_hostile.py::test_names_cannot_steer_the_terminal": 6,
    "study/test_hostile_layers.py::test_a_view_without_end_is_refused": 8,
    "study/test_hostile_layers.py::test_geoparquet_with_odd_metadata": 4,
    "study/test_postgres.py::test_values_of_types_that_no_column_has_are_told": 6,
    "study/test_read_written.py::test_what_is_written_is_read_back_the_same": 6,
    "study/test_words.py::test_ids_that_look_alike": 6,
    "study/test_workbooks.py::test_hostile_workbooks_are_refused_by_name": 4,
    "verdicts/test_accuracy.py::test_ducts_seven_metres_apart": 4,
    "verdicts/test_against_oracle.py::test_every_path_relies_on_what_the_oracle_says": 6,
    "verdicts/test_deletion.py::test_deleting_a_row_makes_nothing_apart": 8,
    "verdicts/test_invariance.py::test_names_order_and_which_path_is_main_change_nothing": 8,
    "verdicts/test_record_first.py::test_the_exact_order_against_all_choices": 3,
    "verdicts/test_record_first.py::test_the_greedy_order_is_sound_and_never_said_to_be_best": 3,
    "verdicts/test_waivers.py::test_all_that_is_offered_signed_leaves_nothing_shared": 4,
    "verdicts/test_waivers.py::test_recheck_confirms_records_and_tells_false_ones": 2,
    "verdicts/test_waivers.py::test_waivers_that_lapse_within_90_days_are_listed": 4,
    "verdicts/test_waivers.py::test_what_changes_a_record_and_what_does_not": 6,
    "verdicts/test_waivers.py::test_what_is_offered_can_be_pasted_and_is_then_accepted": 4,
    "whatif/test_dig_random.py::test_a_dig_of_one_asset_is_its_row_of_the_contingency_table": 8,
    "whatif/test_dig_random.py::test_a_proof_and_its_study_give_the_same": 8,
    "whatif/test_dig_random.py::test_every_state_is_what_the_oracle_says": 8,
}
"""Tests of which one of so many cases is tried every day: those whose cases cost most together."""


def beyond_one_of(items: Iterable[pytest.Item]) -> Iterator[pytest.Item]:
    """The cases that wait for --all: those of `NIGHTLY`, and all but the first of so many.

    Parameters
    ----------
    items : iterable of pytest.Item
        Collected tests that are not marked slow yet.
    """
    seen = Counter[str]()
    for item in items:
        name = "/".join(item.nodeid.split("[")[0].split("/")[-2:])
        if name in NIGHTLY:
            yield item
        elif name in ONE_OF:
            if seen[name] % ONE_OF[name]:
                yield item
            seen[name] += 1
