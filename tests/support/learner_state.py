"""Everything that a learner holds, as plain values that compare bit for bit."""

import struct
from array import array
from typing import Any

_SKIPPED = {"settings", "delay", "name"}


def bits(value: float) -> bytes:
    """Return a number's bits: NaN equals NaN, 0 is not -0."""
    return struct.pack("<d", value)


def state_of(thing: Any, seen: frozenset[int] = frozenset()) -> Any:
    """Return an object's attributes by name, arrays as bytes, floats as bits; what it shares with
    others (settings, delay) left out."""
    if isinstance(thing, bool | int | str | None):
        return int(thing) if isinstance(thing, bool) else thing
    if isinstance(thing, float):
        return bits(thing)
    if isinstance(thing, array):
        return (thing.typecode, thing.tobytes())
    if isinstance(thing, list | tuple):
        return [state_of(one, seen) for one in thing]
    if id(thing) in seen:
        return "above"
    inner = seen | {id(thing)}
    return {
        name: state_of(value, inner)
        for name, value in sorted((thing if isinstance(thing, dict) else vars(thing)).items())
        if name not in _SKIPPED
    }


def differences(left: Any, right: Any, path: str = "") -> list[str]:
    """Return where two states differ, for a person."""
    if isinstance(left, dict) and isinstance(right, dict) and left.keys() == right.keys():
        return [w for k in left for w in differences(left[k], right[k], f"{path}.{k}")]
    if isinstance(left, list) and isinstance(right, list) and len(left) == len(right):
        pairs = zip(left, right, strict=True)
        return [w for k, (a, b) in enumerate(pairs) for w in differences(a, b, f"{path}[{k}]")]
    return [] if left == right else [f"{path}: {left!r:.200} and {right!r:.200}"]
