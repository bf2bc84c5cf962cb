"""Every frame declared with `construct`: the specification's own reading of the field table.

`tools/make/spec.py` computes the vectors' payloads and values with it, and the codecs that devices
and hosts run (`breathmap.protocol.wire.payload`, `breathmap.protocol.host.bulk`) are held to it by
the vectors and by tests. It says where each field lies, in which integer, and how counts and groups
hang together; scaling, null and text are those of `breathmap.protocol.wire.scaling`.
"""

from typing import Any

import construct as c

from breathmap.protocol.wire.fields import Field, FrameType, Group
from breathmap.protocol.wire.scaling import (
    TEXT_BYTES,
    raw_from_value,
    text_from_bytes,
    text_to_bytes,
    value_from_raw,
)

_INTEGERS = {"u8": c.Int8ul, "u16": c.Int16ul, "i16": c.Int16sl, "u32": c.Int32ul}


def _declared_field(field: Field) -> Any:
    if field.wire == "text16":
        text = c.ExprAdapter(
            c.Bytes(TEXT_BYTES),
            lambda raw, _: text_from_bytes(raw),
            lambda text, _: text_to_bytes(text),
        )
        return field.name / c.Default(text, "")
    number = c.ExprAdapter(
        _INTEGERS[field.wire],
        lambda raw, _: value_from_raw(field, raw),
        lambda value, _: raw_from_value(field, value),
    )
    # What is left out travels as null where the field may be missing, and is refused elsewhere.
    return field.name / c.Default(number, None)


def _declared_count(field: Field, group: Group) -> Any:
    least, most = field.raw_low, min(field.raw_high, group.most)
    count = c.ExprValidator(_INTEGERS[field.wire], lambda count, _: least <= count <= most)
    return field.name / c.Rebuild(count, c.len_(c.this[group.name]))


def declaration_of(frame_type: FrameType) -> Any:
    """Return the `construct` Struct of a frame's payload; counts are rebuilt from the groups.

    Parsing raises construct.ConstructError when length or counts do not match.
    """
    groups = {g.count_field: g for g in frame_type.groups}
    members = []
    for field in frame_type.fields:
        group = groups.get(field.name)
        members.append(_declared_count(field, group) if group else _declared_field(field))
    for group in frame_type.groups:
        entry = c.Struct(*[_declared_field(f) for f in group.fields])
        members.append(group.name / c.Array(c.this[group.count_field], entry))
    return c.Struct(*members, c.Terminated)


def build_declared(frame_type: FrameType, values: dict[str, Any]) -> bytes:
    """Return the payload for values by field name, as `pack_payload` takes them."""
    groups: dict[str, Any] = {g.name: [] for g in frame_type.groups}
    payload: bytes = declaration_of(frame_type).build({**groups, **values})
    return payload


def parse_declared(frame_type: FrameType, payload: bytes) -> dict[str, Any]:
    """Return the values of a payload by field name, groups as lists of mappings."""
    values: dict[str, Any] = _plain(declaration_of(frame_type).parse(payload))
    return values


def _plain(value: Any) -> Any:
    """What construct parsed, as plain dicts and lists without its own entries."""
    if isinstance(value, dict):
        return {k: _plain(v) for k, v in value.items() if not k.startswith("_")}
    if isinstance(value, list):
        return [_plain(v) for v in value]
    return value
