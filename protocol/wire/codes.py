# Board-safe: runs on CPython and MicroPython alike.
"""The numbers of the protocol that need no field table: limits, flags, states.

Apart from `fields`, so that a learner on a small board need not load the table itself; their names
stand in `names`.
"""

PROTOCOL_VERSION = 1

# A whole frame before stuffing, header and CRC included, is at most this long. It is below the 254
# bytes of one COBS block, so that a board never meets the long-block case (code byte FF).
MAX_FRAME_BYTES = 250
HEADER_BYTES = 8  # version u8, type u8, sequence u16, device time u32
CRC_BYTES = 4
MAX_PAYLOAD_BYTES = MAX_FRAME_BYTES - HEADER_BYTES - CRC_BYTES
# One code byte and one delimiter.
MAX_WIRE_BYTES = MAX_FRAME_BYTES + 2

MAX_BANKS = 8
MAX_BREAKPOINTS = 32

# Sample flags.
FUEL_CUT = 1
CLOSED_LOOP = 2
ACCELERATION_ENRICHMENT = 4
DECELERATION_ENLEANMENT = 8
POWER_ENRICHMENT = 16
WARM_UP_ENRICHMENT = 32
IDLE_CONTROL = 64
REV_LIMIT = 128
LONG_TERM_ADAPTATION = 256

# Sensor states, by number. Zero means "none", so that a frame of zeros never looks healthy.
SENSOR_ABSENT = 0
SENSOR_WARMING = 1
SENSOR_READY = 2
SENSOR_FAULT = 3

# Reasons for refusing a sample.
REASON_COUNT = 22

NO_BANK = 255
