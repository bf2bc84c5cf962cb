# Board-safe: runs on CPython and MicroPython alike.
"""The frames in which a learner's evidence travels and is kept, and those by which it is asked.

Apart from `breathmap.protocol.wire.fields`, because a bridge that only sends samples needs none of
them. Codes and rules stand in `breathmap.protocol.wire.evidence_codes`, which a small board loads
without this table.
"""

from breathmap.protocol.wire.evidence_codes import (
    EVIDENCE_TYPE,
    LEARNER_ANSWER_TYPE,
    LEARNER_REQUEST_TYPE,
    LEARNER_ROW_TYPE,
    PART_BYTES,
    PART_TYPE,
)
from breathmap.protocol.wire.fields import MAX_BANKS, MAX_BREAKPOINTS, Field, FrameType, Group

_MOST = 4294967295

EVIDENCE = FrameType(
    EVIDENCE_TYPE,
    "evidence",
    [
        Field("origin", "u32", 1, "", 0, _MOST),
        Field("snapshot", "u32", 1, "", 0, _MOST),
        Field("fingerprint", "u32", 1, "", 0, _MOST),
        Field("bank", "u8", 1, "", 0, MAX_BANKS - 1),
        Field("bank_count", "u8", 1, "", 1, MAX_BANKS),
        Field("number_bytes", "u8", 1, "", 4, 8),
        Field("speed_count", "u8", 1, "", 2, MAX_BREAKPOINTS),
        Field("load_count", "u8", 1, "", 2, MAX_BREAKPOINTS),
        Field("term_count", "u8", 1, "", 0, 16),
        Field("samples_seen", "u32", 1, "", 0, _MOST),
        Field("samples_used", "u32", 1, "", 0, _MOST),
        Field("part_count", "u32", 1, "", 0, _MOST),
        Field("data_crc", "u32", 1, "", 0, _MOST),
        Field("engine", "text16", 1, "", 0, 0),
        Field("bank_name", "text16", 1, "", 0, 0),
    ],
    [],
)

EVIDENCE_PART = FrameType(
    PART_TYPE,
    "evidence_part",
    [
        Field("snapshot", "u32", 1, "", 0, _MOST),
        Field("bank", "u8", 1, "", 0, MAX_BANKS - 1),
        Field("part", "u32", 1, "", 0, _MOST),
        Field("byte_count", "u8", 1, "", 1, PART_BYTES),
    ],
    [Group("data", "byte_count", PART_BYTES, [Field("byte", "u8", 1, "", 0, 255)])],
)

LEARNER_ROW = FrameType(
    LEARNER_ROW_TYPE,
    "learner_row",
    [
        Field("fingerprint", "u32", 1, "", 0, _MOST),
        Field("bank", "u8", 1, "", 0, MAX_BANKS - 1),
        Field("row", "u8", 1, "", 0, MAX_BREAKPOINTS - 1),
        Field("cell_count", "u8", 1, "", 2, MAX_BREAKPOINTS),
    ],
    [Group("cells", "cell_count", MAX_BREAKPOINTS, [Field("ve_pct", "u16", 100, "%", 0, 655)])],
)

LEARNER_REQUEST = FrameType(
    LEARNER_REQUEST_TYPE,
    "learner_request",
    [
        Field("action", "u8", 1, "code", 0, 255),
        Field("bank", "u8", 1, "", 0, MAX_BANKS - 1),
        Field("place", "u32", 1, "", 0, _MOST),
        Field("of", "u32", 1, "", 0, _MOST),
    ],
    [],
)

LEARNER_ANSWER = FrameType(
    LEARNER_ANSWER_TYPE,
    "learner_answer",
    [
        Field("answered_sequence", "u32", 1, "", 0, 65535),
        Field("outcome", "u8", 1, "code", 0, 255),
    ],
    [],
)

EVIDENCE_FRAMES = (EVIDENCE, EVIDENCE_PART, LEARNER_ROW, LEARNER_REQUEST, LEARNER_ANSWER)
