"""The prose that goes with the field table: one line per frame, field, flag, state.

Host only. Kept apart from `fields` because a board needs the numbers and not the sentences (they
cost a third of a small heap). A test holds that every name of the table has its line and no other.
"""

FRAME_TEXTS = {
    "identity": "Says who is sending: sent when the device starts, again at least every 5 s, and "
    "whenever the axes change.",
    "sample": "One time-aligned set of measurements of the running engine, taken at the header's "
    "device time.",
    "status": "Counters of the sender, and what its learner (if it has one) did with its samples: "
    "one frame per bank, at most once a second.",
    "table_row": "One row of a controller's table, as stored counts: sent when asked for, or to "
    "the controller to be written.",
    "axes": "The breakpoints of the controller's tables: sent when asked for by a device that can "
    "change them, or to the controller to be written.",
    "constants": "The controller's displacement and how it stores tables: sent when asked for, or "
    "to the controller to change the displacement.",
    "switches": "What the controller has switched on: sent when asked for, or to the controller to "
    "be written.",
    "controller": "Which controller this is, and the mark that a host left in it: sent when asked "
    "for, or to the controller to change the mark.",
    "request": "Asks a controller to send something, or to put what was written into force.",
    "answer": "Says what became of a frame that was sent to the controller.",
    "evidence": "Head of what a learner has accumulated for one bank: whose it is, its shape, and "
    "the check over all of its parts.",
    "evidence_part": "A run of the numbers that an `evidence` frame announced.",
    "learner_row": "One row of the table that a learner learns on: sent when asked for.",
    "learner_request": "Asks a learner to send something, to keep what it has, or to begin anew.",
    "learner_answer": "Says what became of a `learner_request`.",
}

FIELD_TEXTS = {
    "identity.device_name": "name of the device, UTF-8, zero-padded",
    "identity.firmware": "firmware version, UTF-8, zero-padded",
    "identity.banks": "banks that each sample frame carries",
    "identity.sample_rate_hz": "nominal rate of sample frames",
    "identity.load_axis": "what the load axis is, see load axes",
    "identity.speed_count": "speed breakpoints; 0: not known",
    "identity.load_count": "load breakpoints; 0: not known",
    "identity.speed_points.speed_rpm": "speed breakpoint, ascending",
    "identity.load_points.load": "load breakpoint, ascending",
    "sample.flags": "state flags, see flags",
    "sample.speed_rpm": "engine speed",
    "sample.map_kpa": "manifold absolute pressure",
    "sample.throttle_pct": "throttle opening",
    "sample.coolant_c": "coolant (or head) temperature",
    "sample.intake_c": "intake air temperature",
    "sample.battery_v": "battery voltage",
    "sample.pulse_width_ms": "injector pulse width, mean of banks",
    "sample.target_lambda": "commanded lambda",
    "sample.banks": "number of bank groups that follow",
    "sample.bank.measured_lambda": "lambda sensor reading",
    "sample.bank.fuel_multiplier": "closed-loop fuel multiplier in force; 1 when open loop",
    "sample.bank.sensor_state": "see sensor states",
    "status.uptime_s": "time since the device started",
    "status.frames_sent": "frames sent, this one not counted",
    "status.frames_dropped": "frames not sent for want of time",
    "status.frames_received": "whole frames received",
    "status.bad_received": "received runs that were no frame",
    "status.bank": "bank the rest is about, from 0; 255: no learner",
    "status.samples_seen": "samples the learner was given",
    "status.samples_used": "samples the learner used",
    "status.reason_count": "refusal counters that follow",
    "status.refusals.refused": "samples refused for the reason of this position, see reasons",
    "table_row.table": "which table, see tables",
    "table_row.bank": "bank, from 0; 0 for a table that all banks share",
    "table_row.row": "row, from 0: position of the load breakpoint",
    "table_row.cell_count": "cells that follow, one per speed breakpoint",
    "table_row.cells.count": "stored count; cell = count × step, see constants",
    "axes.speed_count": "speed breakpoints, as many as in `identity`",
    "axes.load_count": "load breakpoints, as many as in `identity`",
    "axes.speed_points.speed_rpm": "speed breakpoint, ascending",
    "axes.load_points.load": "load breakpoint, ascending",
    "controller.controller_name": "what the controller calls itself",
    "controller.serial": "a number or text that no other controller has and that stays; empty: "
    "none",
    "controller.firmware": "firmware version of the controller",
    "controller.mark": "what a host wrote and the controller keeps; empty: none",
    "constants.displacement_mm3": "displacement that the fuel is computed from; 1 cm3 is 1000 mm3",
    "constants.ve_step_pct": "VE of one count",
    "constants.ve_most_count": "largest count that a VE cell can store",
    "constants.target_step_lambda": "lambda of one count of the target table",
    "constants.target_most_count": "largest count that a target cell can store",
    "switches.switch_count": "settings that follow",
    "switches.switches.setting": "which setting, see settings",
    "switches.switches.value": "1 on, 0 off; for an angle its value",
    "request.action": "what to do, see actions",
    "request.table": "for a row: which table, else 0",
    "request.bank": "for a row: bank, from 0, else 0",
    "request.row": "for a row: row, from 0, else 0",
    "answer.answered_sequence": "sequence number of the frame that is answered",
    "answer.outcome": "what became of it, see outcomes",
    "evidence.origin": "drawn at random when the learner began at nothing; the same while it adds",
    "evidence.snapshot": "number of this snapshot, larger than that of every earlier one",
    "evidence.fingerprint": "of axes, VE cells and terms that were learned on, see there",
    "evidence.bank": "bank, from 0",
    "evidence.bank_count": "banks of this snapshot, each with a head and parts of its own",
    "evidence.number_bytes": "bytes of each number of cells and border: 4 or 8",
    "evidence.speed_count": "speed breakpoints",
    "evidence.load_count": "load breakpoints",
    "evidence.term_count": "global terms",
    "evidence.samples_seen": "samples the learner was given since its origin",
    "evidence.samples_used": "samples the learner used since its origin",
    "evidence.part_count": "parts that belong to this head",
    "evidence.data_crc": "CRC-32 of the data of all parts, in order",
    "evidence.engine": "name of the engine, UTF-8, zero-padded",
    "evidence.bank_name": "name of the bank, UTF-8, zero-padded",
    "evidence_part.snapshot": "snapshot it belongs to",
    "evidence_part.bank": "bank it belongs to",
    "evidence_part.part": "which part, from 0",
    "evidence_part.byte_count": "data bytes that follow",
    "evidence_part.data.byte": "a byte of the data",
    "learner_row.fingerprint": "of axes, VE cells and terms, as in `evidence`",
    "learner_row.bank": "bank, from 0",
    "learner_row.row": "row, from 0: position of the load breakpoint",
    "learner_row.cell_count": "cells that follow, one per speed breakpoint",
    "learner_row.cells.ve_pct": "VE of one cell",
    "learner_request.action": "what to do, see learner actions",
    "learner_request.bank": "bank, from 0, else 0",
    "learner_request.place": "first part, or row, from 0, else 0",
    "learner_request.of": "for parts the snapshot, for `clear` the origin, else 0",
    "learner_answer.answered_sequence": "sequence number of the frame that is answered",
    "learner_answer.outcome": "what became of it, see learner outcomes",
}

TABLE_TEXTS = {
    "ve": "VE of one bank, counts of `ve_step_pct`",
    "target_lambda": "commanded lambda of all banks, counts of `target_step_lambda`",
}

SETTING_TEXTS = {
    "acceleration_enrichment": "extra fuel when the throttle opens",
    "deceleration_enleanment": "less fuel when the throttle closes",
    "power_enrichment": "extra fuel at wide throttle",
    "overrun_fuel_cut": "no fuel on over-run",
    "closed_loop": "the lambda sensor trims the fuel",
    "long_term_adaptation": "trims are remembered",
    "idle_speed_control": "the idle is held at a speed, by air or spark",
    "warm_up_enrichment": "extra fuel after start and while cold",
    "rev_limiter": "fuel is cut above a speed",
    "spark_retard_deg": "spark retarded against its table, degrees",
    "idle_heat_protection": "fuel, air or spark is changed while a hot engine idles",
}

ACTION_TEXTS = {
    "send_identity": "send `identity`",
    "send_constants": "send `constants`",
    "send_switches": "send `switches`",
    "send_row": "send this `table_row`",
    "apply": "put everything written since the last `apply` into force at once, and keep it",
    "discard": "forget everything written since the last `apply`",
    "send_controller": "send `controller`",
    "send_axes": "send `axes`, which says that they can be written",
}

OUTCOME_TEXTS = {
    "done": "it was done",
    "not_writable": "this cannot be written, or not over the wire",
    "no_such_place": "there is no such action, table, bank, row, cell or setting",
    "bad_value": "a value does not fit",
    "busy": "not now, try again",
}

LEARNER_ACTION_TEXTS = {
    "send_identity": "send `identity`",
    "send_status": "send `status` of every bank",
    "take_snapshot": "keep what is learned now over a loss of power, and send its heads",
    "send_parts": "send the parts of this bank from `place` on to its last",
    "send_row": "send this `learner_row`",
    "clear": "forget what was learned since this origin, and begin anew",
}

LEARNER_OUTCOME_TEXTS = {
    "done": "it was done",
    "no_such_place": "there is no such action, bank, row or part",
    "other_evidence": "the learner holds another snapshot or origin by now",
    "not_kept": "it could not be written to memory",
}

FLAG_TEXTS = {
    "fuel_cut": "injection is cut (over-run or limiter)",
    "closed_loop": "the closed-loop integrator acts on the fuel",
    "acceleration_enrichment": "acceleration enrichment adds fuel",
    "deceleration_enleanment": "deceleration enleanment removes fuel",
    "power_enrichment": "power enrichment changes the target or the fuel",
    "warm_up_enrichment": "after-start or warm-up enrichment adds fuel",
    "idle_control": "idle speed control or idle heat protection acts",
    "rev_limit": "the speed limiter acts",
    "long_term_adaptation": "long-term adaptation may change the fuel",
}

SENSOR_STATE_TEXTS = {
    "absent": "no sensor is fitted or its state is not known",
    "warming": "the sensor is not yet at working temperature",
    "ready": "the reading can be used",
    "fault": "the sensor or its controller reports a fault",
}

LOAD_AXIS_TEXTS = {
    "unknown": "the device does not know its table",
    "map_kpa": "manifold absolute pressure, kPa",
    "throttle_pct": "throttle opening, %",
}

RESERVED_TEXTS = {
    "tables": "axes, cells and storage limits of a controller",
    "settings": "what a controller has switched on or off",
    "evidence": "what a learner has accumulated",
    "requests": "requests and their answers",
}
