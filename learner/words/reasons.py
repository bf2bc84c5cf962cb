"""What each refusal means and what to do about it, for people. Host only.

Keys are the reason names of `breathmap.protocol.wire.fields.REASONS`; a test holds that none is
missing.
"""

# name -> (what it means, what to do)
EXPLANATIONS: dict[str, tuple[str, str]] = {
    "engine_not_running": (
        "the engine turns slower than the running limit",
        "start the engine, or lower limits.speed_min_rpm",
    ),
    "coolant_cold": (
        "the coolant is below the limit, so warm-up fuel and condensation disturb the mixture",
        "let the engine warm up, or lower limits.coolant_min_c if it never gets that warm",
    ),
    "engine_too_hot": (
        "the coolant is above the limit",
        "ease off or stop and let the engine cool: heat-soaked air and a hot engine mislead",
    ),
    "battery_low": (
        "battery voltage is below the limit, so injector dead time is uncertain",
        "check the charging system, or lower limits.battery_min_v",
    ),
    "sensor_not_ready": (
        "the lambda sensor is not at working temperature or not fitted",
        "wait for its heater; if it stays so, check heater supply and wiring",
    ),
    "sensor_fault": (
        "the lambda sensor or its controller reports a fault, or its reading is stuck",
        "stop learning and check the sensor, its wiring and its calibration",
    ),
    "lambda_out_of_range": (
        "measured lambda is outside what the sensor reads reliably",
        "if it stays so the table is far off here or the sensor reads free air: check before load",
    ),
    "fuel_cut": (
        "fuel is cut (over-run or limiter): the sensor sees air",
        "open the throttle a little, or switch over-run fuel cut off while learning",
    ),
    "fuel_cut_recovery": (
        "fuel was cut moments ago: the film refills and the exhaust still holds air",
        "hold the throttle open for a few seconds, or switch over-run fuel cut off while learning",
    ),
    "acceleration_enrichment": (
        "transient fuel is being added or removed, or was within the delay",
        "switch acceleration enrichment and deceleration enleanment off while learning",
    ),
    "other_enrichment": (
        "power or warm-up enrichment acts, or did within the delay",
        "switch it off while learning, or let the engine warm up",
    ),
    "throttle_moving": (
        "the throttle moved too far within the last moments",
        "move the throttle more slowly",
    ),
    "pressure_moving": (
        "the load moved too far within the last moments",
        "hold the load steadier, a second or two at a time",
    ),
    "speed_moving": (
        "engine speed moved too far within the last moments",
        "hold the speed steadier, or accelerate in a higher gear",
    ),
    "outside_axes_now": (
        "the operating point is outside the table's axes",
        "stay within the axes, or extend them if the engine runs there",
    ),
    "outside_axes_at_injection": (
        "the fuel now measured was injected outside the table's axes",
        "stay within the axes for a second or two",
    ),
    "closed_loop_wrong": (
        "closed-loop or long-term correction is not in the state that this method needs",
        "set the controller's closed loop as the method says and switch long-term adaptation off",
    ),
    "target_changed": (
        "target lambda changed within the delay",
        "set one flat target over the whole table while learning",
    ),
    "history_short": (
        "there is not yet enough history to look back over the delay",
        "nothing: it passes within a second or two; if not, raise method.history_s",
    ),
    "frames_lost": (
        "samples are missing within the delay",
        "if it persists check cable, grounding and baud rate",
    ),
    "value_missing": (
        "a value that is needed was not sent or is not a number",
        "check that speed, load, target and measured lambda and the fuel multiplier are sent",
    ),
    "loop_not_settled": (
        "the closed loop is still on its way: the switching sensor does not switch back and forth",
        "hold speed and load for a few seconds; if it never settles, the table is further off than "
        "the loop may correct, or the sensor is dead",
    ),
}
