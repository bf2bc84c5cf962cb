# Board-safe: runs on CPython and MicroPython alike.
"""The field table as the board needs it. Do not edit: `python -m breathmap.tools.make.board`.

Plain constants: the table itself, with its units and ranges, costs more heap than the learner.
"""

SAMPLE_SHAPE = (19, ((18, 1, 8, 5),))
REQUEST_SHAPE = (10, ())
EVIDENCE_SHAPE = (66, ())
PART_SHAPE = (10, ((9, 1, 224, 1),))
REQUEST_FORMAT = "<BBII"
EVIDENCE_FORMAT = "<IIIBBBBBBIIII16s16s"
PART_FORMAT = "<IBIB"
IDENTITY_FORMAT = "<16s16sBHBBB"
STATUS_FORMAT = "<IIIIIBIIB"
ROW_FORMAT = "<IBBB"
ANSWER_FORMAT = "<IB"
RATE_PER_HZ = 10
SPEED_PER_RPM = 2
LOAD_PER_UNIT = 100
VE_PER_PCT = 100
# name, counts a unit, lowest raw, highest raw, may it be missing, bytes
SAMPLE_FIXED = (
    ("flags", 1, 0, 65534, False, 2),
    ("speed_rpm", 2, 0, 60000, True, 2),
    ("map_kpa", 100, 0, 50000, True, 2),
    ("throttle_pct", 100, 0, 10000, True, 2),
    ("coolant_c", 10, -600, 2500, True, 2),
    ("intake_c", 10, -600, 2500, True, 2),
    ("battery_v", 1000, 0, 36000, True, 2),
    ("pulse_width_ms", 1000, 0, 60000, True, 2),
    ("target_lambda", 10000, 4000, 20000, True, 2),
    ("banks", 1, 1, 8, False, 1),
)
SAMPLE_BANK = (
    ("measured_lambda", 10000, 3000, 60000, True, 2),
    ("fuel_multiplier", 10000, 2000, 30000, True, 2),
    ("sensor_state", 1, 0, 3, False, 1),
)
