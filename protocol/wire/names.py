# Board-safe: runs on CPython and MicroPython alike.
"""The names of the protocol's numbers, by number: flags, states, axes, reasons.

Apart from `codes`, because a small board sends the numbers alone.
"""

# Sample flags, by bit number.
FLAGS = (
    "fuel_cut",
    "closed_loop",
    "acceleration_enrichment",
    "deceleration_enleanment",
    "power_enrichment",
    "warm_up_enrichment",
    "idle_control",
    "rev_limit",
    "long_term_adaptation",
)

# Sensor states.
SENSOR_STATES = (
    "absent",
    "warming",
    "ready",
    "fault",
)

# What the load axis is, by number.
LOAD_AXES = (
    "unknown",
    "map_kpa",
    "throttle_pct",
)

# Why a sample was refused, by number. The learner's gates give each its explanation and remedy.
# Numbers are never reused; a later version only appends.
REASONS = (
    "engine_not_running",
    "coolant_cold",
    "engine_too_hot",
    "battery_low",
    "sensor_not_ready",
    "sensor_fault",
    "lambda_out_of_range",
    "fuel_cut",
    "fuel_cut_recovery",
    "acceleration_enrichment",
    "other_enrichment",
    "throttle_moving",
    "pressure_moving",
    "speed_moving",
    "outside_axes_now",
    "outside_axes_at_injection",
    "closed_loop_wrong",
    "target_changed",
    "history_short",
    "frames_lost",
    "value_missing",
    "loop_not_settled",
)
