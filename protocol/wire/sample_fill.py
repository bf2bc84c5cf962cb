# Board-safe: runs on CPython and MicroPython alike.
"""Raw values into a Sample: the inner loop of reading, which a board runs many times a second.

What the field table says of each field is handed in: (name, counts a unit, lowest raw, highest raw,
may it be missing), so that this works with the table and on boards without it.
"""

from breathmap.protocol.wire.sample import NAN, Sample


def fill_sample(raws: tuple, sample: Sample, banks: int, fixed: tuple, each: tuple) -> None:  # type: ignore[type-arg]
    """Fill every measured attribute of `sample` from a frame's raw values; its times stay.

    raws: as struct unpacks them. fixed, each: the fields of the fixed part and of one bank.
    Per-bank lists grow when they are too short.
    """
    at = 0
    for name, per_unit, low, high, measured in fixed:
        raw = raws[at]
        at += 1
        if not measured:
            setattr(sample, name, raw)
        elif low <= raw <= high:
            setattr(sample, name, raw / per_unit)
        else:
            setattr(sample, name, NAN)
    for position, (name, per_unit, low, high, measured) in enumerate(each):
        values = getattr(sample, name)
        for bank in range(banks):
            value = raws[at + position + bank * len(each)]
            if measured:
                value = value / per_unit if low <= value <= high else NAN
            if bank < len(values):
                values[bank] = value
            else:
                values.append(value)
