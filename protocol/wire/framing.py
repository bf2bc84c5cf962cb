# Board-safe: runs on CPython and MicroPython alike.
"""Bytes on the wire: COBS stuffing, and a frame from its header and payload.

A device that only sends needs this and its payloads, and no reader.
"""

import struct
from binascii import crc32

from breathmap.protocol.wire.codes import MAX_PAYLOAD_BYTES, PROTOCOL_VERSION

HEADER_FORMAT = "<BBHI"


def cobs_encode(data: bytes) -> bytes:
    """Return `data` without zero bytes (Cheshire & Baker 1999, IEEE/ACM ToN 7(2)).

    A final block of 254 bytes gets no code byte after it.
    """
    data = bytes(data)
    out = bytearray()
    at = 0
    zero = 0
    # By the places of the zeros: a list of all blocks costs a board ten times the frame.
    while zero >= 0:
        zero = data.find(b"\0", at)
        end = zero if zero >= 0 else len(data)
        filled = False
        while end - at >= 254:
            out.append(0xFF)
            out.extend(data[at : at + 254])
            at += 254
            filled = True
        if filled and at == end and zero < 0:
            break
        out.append(end - at + 1)
        out.extend(data[at:end])
        at = end + 1
    return bytes(out)


def cobs_decode(data: bytes) -> bytes:
    """Return what `cobs_encode` was given. Raises ValueError on a zero byte or a cut block."""
    if data.find(b"\0") >= 0:
        raise ValueError("zero byte inside a COBS run")
    out = bytearray()
    at = 0
    while at < len(data):
        code = data[at]
        end = at + code
        if end > len(data):
            raise ValueError("COBS run ends inside a block")
        out.extend(data[at + 1 : end])
        at = end
        if code != 0xFF and at < len(data):
            out.append(0)
    return bytes(out)


def build_frame(type_number: int, sequence: int, time_us: int, payload: bytes) -> bytes:
    """Return the wire bytes of one frame, delimiter included.

    sequence and time_us may be running counters: the low 16 and 32 bits are sent.
    Raises ValueError when the payload is longer than MAX_PAYLOAD_BYTES.
    """
    if len(payload) > MAX_PAYLOAD_BYTES:
        raise ValueError(
            "payload of %d bytes is too long, at most %d" % (len(payload), MAX_PAYLOAD_BYTES)
        )
    body = (
        struct.pack(
            HEADER_FORMAT,
            PROTOCOL_VERSION,
            type_number,
            sequence & 0xFFFF,
            time_us & 0xFFFFFFFF,
        )
        + payload
    )
    return cobs_encode(body + struct.pack("<I", crc32(body))) + b"\0"
