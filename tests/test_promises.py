"""What a person near a running engine is promised, and where each promise is held.

One line a promise and the tests that fail where it is broken; each of them failed at version 0.1.0.
"""

import ast
from pathlib import Path

import pytest

TESTS = Path(__file__).parent

PROMISES = {
    "Ready is only said of a controller that was read back, whatever dropped, at any message": [
        "job/test_vehicle.py::test_ready_is_only_said_of_a_controller_read_back_as_such",
        "job/test_vehicle.py::test_unknown_until_read_back",
    ],
    "Another vehicle with the same map, or its recording, is refused": [
        "job/test_vehicle.py::test_another_vehicle_with_the_same_map_is_refused",
        "job/test_vehicle.py::test_a_recording_of_another_device_is_refused",
    ],
    "A learning set-up is never taken for the original": [
        "job/test_vehicle.py::test_a_learning_set_up_is_no_original",
        "job/test_vehicle.py::test_originals_come_line_by_line",
        "job/test_vehicle.py::test_originals_that_lack_a_line_leave_it_doubtful",
    ],
    "No sign is only said of what a drive can show": [
        "job/test_learn_file.py::test_a_finished_job_checks_no_rubbish",
        "job/test_end_to_end.py::test_a_forgotten_set_up_is_told",
    ],
    "13 % lean at full load is called, in every run, and healthy engines are not": [
        "learner/test_alarms.py::test_thirteen_per_cent_lean_at_full_load_is_called",
        "learner/test_alarms.py::test_healthy_engines_raise_nothing_and_lean_ones_are_called",
        "learner/test_alarms.py::test_a_board_raises_the_same_alarms",
        "tools/test_alarms.py::test_a_plain_learn_tells_counts_and_reports_a_lean_engine",
    ],
    "Idling is never enough": [
        "job/test_idling.py::test_three_minutes_of_idling_are_never_enough",
        "job/test_idling.py::test_propose_says_what_was_never_visited",
    ],
    "A job that was never prepared is not finished unasked, and a sheet written on is kept": [
        "job/test_vehicle.py::test_a_job_that_was_never_prepared_is_not_finished_unasked",
        "job/test_vehicle.py::test_a_sheet_that_was_written_on_is_kept",
    ],
    "No file wedges a job": [
        "job/test_learn_file.py::test_what_does_not_fit_changes_nothing",
        "job/test_learn_file.py::test_noise_before_the_first_frame",
        "job/test_learn_file.py::test_a_device_that_does_not_fit_joined_at_a_port",
    ],
    "What is set aside is on record, counts nowhere, and can be taken back": [
        "job/test_drop.py::test_a_recording_set_aside_counts_nowhere",
        "job/test_drop.py::test_a_span_set_aside_counts_nowhere",
        "job/test_drop.py::test_undo_there_and_back",
    ],
    "No recording is overwritten, no link followed, and looking changes nothing": [
        "job/test_learn_file.py::test_numbers_are_never_used_again",
        "job/test_learn_file.py::test_links_are_not_followed",
        "job/test_learn_file.py::test_looking_changes_nothing",
    ],
    "Any altered byte and any lost end of a history is found": [
        "job/test_chain.py::test_any_altered_byte_is_found",
        "job/test_chain.py::test_any_lost_end_is_found",
        "job/test_verify.py::test_every_hash_is_compared",
    ],
    "A cable unplugged a hundred times loses what was in it, and no more": [
        "tools/test_reopen.py::test_a_hundred_times_unplugged_and_back",
        "tools/test_reopen.py::test_another_device_is_refused_and_the_right_one_taken",
        "tools/test_reopen.py::test_a_port_is_recorded_while_earlier_recordings_are_learned",
    ],
    "A full disk ends the recording, not the learning; a closed terminal loses nothing": [
        "tools/test_full_disk.py::test_a_full_disk_ends_the_recording_and_not_the_learning",
        "tools/test_hang_up.py::test_a_closed_terminal_loses_nothing",
    ],
    "What a command reported survives a power cut at any moment": [
        "job/test_power_cuts.py::test_what_was_reported_survives_a_power_cut",
    ],
    "A broken disk is one line, and nothing is half done": [
        "job/test_broken_disk.py::test_a_broken_operation_is_told_and_leaves_nothing_half_done",
    ],
    "A million samples are solved as well as a thousand": [
        "learner/test_prior_search.py::test_a_million_samples_are_solved_as_well_as_a_thousand",
    ],
    "No cell is leaned out beyond the risk that was accepted, however it is rounded": [
        "job/test_never_leaner.py::test_no_cell_is_leaned_out_beyond_the_risk",
        "job/test_never_leaner.py::test_a_rebase_keeps_the_rule",
    ],
    "A stuck sensor leaves nothing behind": [
        "learner/test_alive.py::test_a_stuck_sensor_leaves_nothing_behind",
    ],
    "No damaged file is a traceback": [
        "tools/test_fuzz.py::test_what_once_failed_is_no_fault_any_more",
        "tools/test_fuzz.py::test_damaged_files_are_no_fault",
    ],
    "No text is obeyed, by a terminal or by a browser": [
        "tools/test_screen.py::test_no_text_is_obeyed",
        "report/test_html.py::test_an_injected_script_does_not_run",
    ],
    "A table cut short, or a cell far from all its neighbours, is questioned": [
        "tools/test_odd_tables.py::test_one_wrong_cell_is_found_alone",
        "tools/test_odd_tables.py::test_check_questions_a_table_cut_short",
    ],
    "After an enrichment a wait is kept": [
        "learner/test_waits.py::test_a_wait_lasts_delay_lag_and_recovery",
    ],
}


@pytest.mark.parametrize("promise", PROMISES)
def test_a_promise_is_held_by_tests_that_are_there(promise: str) -> None:
    """Each test that holds a promise exists under its name, and asserts something."""
    for place in PROMISES[promise]:
        name, _, function = place.partition("::")
        tree = ast.parse((TESTS / name).read_text(encoding="utf-8"))
        found = [
            node
            for node in tree.body
            if isinstance(node, ast.FunctionDef) and node.name == function
        ]
        assert len(found) == 1, place
        says = ast.unparse(found[0])
        assert any(word in says for word in ("assert ", "refused(", "raises(")), place
