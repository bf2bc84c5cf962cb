# Board-safe: runs on CPython and MicroPython alike.
"""The one table of everything that crosses the wire: frames, fields, flags, states, reasons.

Every codec (struct, numpy), their declaration (construct), the C header and the tables in SPEC.md
are derived from what stands here, and a test fails when one of them is stale. Adding a frame is one
entry in FRAMES, one entry in SPEC.md and one vector in vectors.json.
"""

from breathmap.protocol.wire.codes import (
    ACCELERATION_ENRICHMENT,
    CLOSED_LOOP,
    CRC_BYTES,
    DECELERATION_ENLEANMENT,
    FUEL_CUT,
    HEADER_BYTES,
    IDLE_CONTROL,
    LONG_TERM_ADAPTATION,
    MAX_BANKS,
    MAX_BREAKPOINTS,
    MAX_FRAME_BYTES,
    MAX_PAYLOAD_BYTES,
    MAX_WIRE_BYTES,
    NO_BANK,
    POWER_ENRICHMENT,
    PROTOCOL_VERSION,
    REV_LIMIT,
    SENSOR_ABSENT,
    SENSOR_FAULT,
    SENSOR_READY,
    SENSOR_WARMING,
    WARM_UP_ENRICHMENT,
)
from breathmap.protocol.wire.names import FLAGS, LOAD_AXES, REASONS, SENSOR_STATES

# What `breathmap.protocol.wire.codes` holds belongs to the table: whoever has the table has it,
# too.
__all__ = (
    "ACCELERATION_ENRICHMENT",
    "CLOSED_LOOP",
    "CRC_BYTES",
    "DECELERATION_ENLEANMENT",
    "FLAGS",
    "FRAMES",
    "FUEL_CUT",
    "HEADER_BYTES",
    "IDENTITY",
    "IDLE_CONTROL",
    "LOAD_AXES",
    "LONG_TERM_ADAPTATION",
    "MAX_BANKS",
    "MAX_BREAKPOINTS",
    "MAX_FRAME_BYTES",
    "MAX_PAYLOAD_BYTES",
    "MAX_WIRE_BYTES",
    "NO_BANK",
    "POWER_ENRICHMENT",
    "PROTOCOL_VERSION",
    "REASONS",
    "RESERVED",
    "REV_LIMIT",
    "SAMPLE",
    "SENSOR_ABSENT",
    "SENSOR_FAULT",
    "SENSOR_READY",
    "SENSOR_STATES",
    "SENSOR_WARMING",
    "STATUS",
    "WARM_UP_ENRICHMENT",
    "WIRE_TYPES",
    "Field",
    "FrameType",
    "Group",
)

# name -> (struct code, bytes, lowest raw, highest raw, null raw or None)
WIRE_TYPES = {
    "u8": ("B", 1, 0, 255, None),
    "u16": ("H", 2, 0, 65534, 65535),
    "i16": ("h", 2, -32767, 32767, -32768),
    "u32": ("I", 4, 0, 4294967295, None),
    "text16": ("16s", 16, 0, 0, None),
}


class Field:
    """One value on the wire.

    name: unique within its frame or group; carries the unit.
    wire: a key of WIRE_TYPES.
    per_unit: raw counts per unit, an integer; value = raw / per_unit. 1 for counts and codes.
    unit: as printed in SPEC.md; "" for pure numbers.
    low, high: the range of meaningful values, in units.
    """

    def __init__(
        self, name: str, wire: str, per_unit: int, unit: str, low: float, high: float
    ) -> None:
        self.name = name
        self.wire = wire
        self.per_unit = per_unit
        self.unit = unit
        self.low = low
        self.high = high
        self.raw_low = max(WIRE_TYPES[wire][2], int(low * per_unit))
        self.raw_high = min(WIRE_TYPES[wire][3], int(high * per_unit))

    # Looked up and not stored: thirty fields times three numbers are 2 KB of a board's heap.

    @property
    def struct_code(self) -> str:
        """The struct module's code."""
        return WIRE_TYPES[self.wire][0]

    @property
    def size(self) -> int:
        """Bytes on the wire."""
        return WIRE_TYPES[self.wire][1]

    @property
    def null_raw(self) -> "int | None":
        """The raw value that says "not measured", or None where there is none."""
        return WIRE_TYPES[self.wire][4]

    @property
    def is_measurement(self) -> bool:
        """True when the value is a measured quantity that may be missing (decodes to a float)."""
        return self.null_raw is not None


class Group:
    """A run of fields repeated `count_field` times at the end of a frame.

    count_field: name of a u8 in the frame's fixed part.
    most: the largest count that is accepted.
    """

    def __init__(self, name: str, count_field: str, most: int, fields: "list[Field]") -> None:
        self.name = name
        self.count_field = count_field
        self.most = most
        self.fields = fields
        self.size = sum([f.size for f in fields])


class FrameType:
    """One kind of frame: a fixed part, then its groups in order."""

    def __init__(
        self, number: int, name: str, fields: "list[Field]", groups: "list[Group]"
    ) -> None:
        self.number = number
        self.name = name
        self.fields = fields
        self.groups = groups
        self.fixed_size = sum([f.size for f in fields])
        self.fixed_format = "<" + "".join([f.struct_code for f in fields])
        self.shape = (self.fixed_size, [self._shape_of(g) for g in groups])

    def offset_of(self, name: str) -> "tuple[Field, int]":
        """Return a field of the fixed part and where it begins. Raises ValueError without it."""
        offset = 0
        for field in self.fields:
            if field.name == name:
                return field, offset
            offset += field.size
        raise ValueError("frame %s has no field %s" % (self.name, name))

    def _shape_of(self, group: Group) -> "tuple[int, int, int, int]":
        # (offset of the count, least, most, bytes of one entry)
        field, offset = self.offset_of(group.count_field)
        return (offset, field.raw_low, min(field.raw_high, group.most), group.size)


IDENTITY = FrameType(
    1,
    "identity",
    [
        Field("device_name", "text16", 1, "", 0, 0),
        Field("firmware", "text16", 1, "", 0, 0),
        Field("banks", "u8", 1, "", 1, MAX_BANKS),
        Field("sample_rate_hz", "u16", 10, "Hz", 0.1, 1000),
        Field("load_axis", "u8", 1, "code", 0, 2),
        Field("speed_count", "u8", 1, "", 0, MAX_BREAKPOINTS),
        Field("load_count", "u8", 1, "", 0, MAX_BREAKPOINTS),
    ],
    [
        Group(
            "speed_points",
            "speed_count",
            MAX_BREAKPOINTS,
            [Field("speed_rpm", "u16", 2, "rpm", 0, 30000)],
        ),
        Group(
            "load_points",
            "load_count",
            MAX_BREAKPOINTS,
            [Field("load", "u16", 100, "kPa or %", 0, 500)],
        ),
    ],
)

SAMPLE = FrameType(
    2,
    "sample",
    [
        Field("flags", "u16", 1, "bits", 0, 65534),
        Field("speed_rpm", "u16", 2, "rpm", 0, 30000),
        Field("map_kpa", "u16", 100, "kPa", 0, 500),
        Field("throttle_pct", "u16", 100, "%", 0, 100),
        Field("coolant_c", "i16", 10, "degC", -60, 250),
        Field("intake_c", "i16", 10, "degC", -60, 250),
        Field("battery_v", "u16", 1000, "V", 0, 36),
        Field("pulse_width_ms", "u16", 1000, "ms", 0, 60),
        Field("target_lambda", "u16", 10000, "lambda", 0.4, 2),
        Field("banks", "u8", 1, "", 1, MAX_BANKS),
    ],
    [
        Group(
            "bank",
            "banks",
            MAX_BANKS,
            [
                Field("measured_lambda", "u16", 10000, "lambda", 0.3, 6),
                Field("fuel_multiplier", "u16", 10000, "", 0.2, 3),
                Field("sensor_state", "u8", 1, "code", 0, 3),
            ],
        )
    ],
)

STATUS = FrameType(
    3,
    "status",
    [
        Field("uptime_s", "u32", 1, "s", 0, 4294967295),
        Field("frames_sent", "u32", 1, "", 0, 4294967295),
        Field("frames_dropped", "u32", 1, "", 0, 4294967295),
        Field("frames_received", "u32", 1, "", 0, 4294967295),
        Field("bad_received", "u32", 1, "", 0, 4294967295),
        Field("bank", "u8", 1, "", 0, 255),
        Field("samples_seen", "u32", 1, "", 0, 4294967295),
        Field("samples_used", "u32", 1, "", 0, 4294967295),
        Field("reason_count", "u8", 1, "", 0, 40),
    ],
    [
        Group(
            "refusals",
            "reason_count",
            40,
            [Field("refused", "u32", 1, "", 0, 4294967295)],
        )
    ],
)

FRAMES = (IDENTITY, SAMPLE, STATUS)

# Numbers set aside for later frames; a version-1 reader skips and counts them.
RESERVED = (
    (16, 31, "tables"),
    (32, 47, "settings"),
    (48, 63, "evidence"),
    (64, 79, "requests"),
)
