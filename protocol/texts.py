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
}

FLAG_TEXTS = {
    "fuel_cut": "injection is cut (over-run or limiter)",
    "closed_loop": "the closed-loop integrator acts on the fuel",
    "acceleration_enrichment": "acceleration enrichment adds fuel",
    "deceleration_enleanment": "deceleration enleanment removes fuel",
    "power_enrichment": "power enrichment changes the target or the fuel",
    "warm_up_enrichment": "after-start or warm-up enrichment adds fuel",
    "idle_control": "idle air or idle temperature management acts",
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
