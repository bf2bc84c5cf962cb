# Board-safe: runs on CPython and MicroPython alike.
"""The frames by which a controller's tables and settings are read and written.

Apart from `breathmap.protocol.wire.fields`, because a bridge that only sends samples needs none of
them. Cells travel as the counts that the controller stores, so that what is read back compares
exactly.
"""

from breathmap.protocol.wire.fields import (
    IDENTITY,
    MAX_BANKS,
    MAX_BREAKPOINTS,
    Field,
    FrameType,
    Group,
)

# What a table row belongs to, by number.
TABLES = (
    "ve",
    "target_lambda",
)
TABLE_VE = 0
TABLE_TARGET = 1

# What a controller can have switched on (1) or off (0), by number, and one angle.
# Numbers are never reused; a later version only appends.
SETTINGS = (
    "acceleration_enrichment",
    "deceleration_enleanment",
    "power_enrichment",
    "overrun_fuel_cut",
    "closed_loop",
    "long_term_adaptation",
    "idle_speed_control",
    "warm_up_enrichment",
    "rev_limiter",
    "spark_retard_deg",
    "idle_heat_protection",
)

# What a request asks for, by number.
ACTIONS = (
    "send_identity",
    "send_constants",
    "send_switches",
    "send_row",
    "apply",
    "discard",
    "send_controller",
    "send_axes",
)
SEND_IDENTITY = 0
SEND_CONSTANTS = 1
SEND_SWITCHES = 2
SEND_ROW = 3
APPLY = 4
DISCARD = 5
SEND_CONTROLLER = 6
SEND_AXES = 7

# What became of a write or a request, by number.
OUTCOMES = (
    "done",
    "not_writable",
    "no_such_place",
    "bad_value",
    "busy",
)
DONE = 0
NOT_WRITABLE = 1
NO_SUCH_PLACE = 2
BAD_VALUE = 3
BUSY = 4

TABLE_ROW = FrameType(
    16,
    "table_row",
    [
        Field("table", "u8", 1, "code", 0, 255),
        Field("bank", "u8", 1, "", 0, MAX_BANKS - 1),
        Field("row", "u8", 1, "", 0, MAX_BREAKPOINTS - 1),
        Field("cell_count", "u8", 1, "", 2, MAX_BREAKPOINTS),
    ],
    [Group("cells", "cell_count", MAX_BREAKPOINTS, [Field("count", "u16", 1, "", 0, 65534)])],
)

# The breakpoints as `identity` tells them.
AXES = FrameType(
    17,
    "axes",
    [
        Field("speed_count", "u8", 1, "", 2, MAX_BREAKPOINTS),
        Field("load_count", "u8", 1, "", 2, MAX_BREAKPOINTS),
    ],
    IDENTITY.groups,
)

CONSTANTS = FrameType(
    32,
    "constants",
    [
        Field("displacement_mm3", "u32", 1, "mm3", 0, 4294967295),
        Field("ve_step_pct", "u16", 1000, "%", 0.001, 65),
        Field("ve_most_count", "u16", 1, "", 1, 65534),
        Field("target_step_lambda", "u16", 10000, "lambda", 0.0001, 6.5),
        Field("target_most_count", "u16", 1, "", 1, 65534),
    ],
    [],
)

SWITCHES = FrameType(
    33,
    "switches",
    [Field("switch_count", "u8", 1, "", 0, 64)],
    [
        Group(
            "switches",
            "switch_count",
            64,
            [
                Field("setting", "u8", 1, "code", 0, 255),
                Field("value", "u16", 100, "", 0, 600),
            ],
        )
    ],
)

CONTROLLER = FrameType(
    34,
    "controller",
    [
        Field("controller_name", "text16", 1, "", 0, 0),
        Field("serial", "text16", 1, "", 0, 0),
        Field("firmware", "text16", 1, "", 0, 0),
        Field("mark", "text16", 1, "", 0, 0),
    ],
    [],
)

REQUEST = FrameType(
    64,
    "request",
    [
        Field("action", "u8", 1, "code", 0, 255),
        Field("table", "u8", 1, "code", 0, 255),
        Field("bank", "u8", 1, "", 0, MAX_BANKS - 1),
        Field("row", "u8", 1, "", 0, MAX_BREAKPOINTS - 1),
    ],
    [],
)

ANSWER = FrameType(
    65,
    "answer",
    [
        Field("answered_sequence", "u32", 1, "", 0, 65535),
        Field("outcome", "u8", 1, "code", 0, 255),
    ],
    [],
)

CONTROL_FRAMES = (TABLE_ROW, AXES, CONSTANTS, SWITCHES, CONTROLLER, REQUEST, ANSWER)
