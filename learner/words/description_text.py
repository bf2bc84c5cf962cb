"""An engine description written out as TOML, every key explained: to start from, and to hand on.

The explanations, ranges and defaults are those of the models in
`breathmap.learner.words.description`, so that the text cannot differ from what is checked. What is
not set stands commented out. No I/O.
"""

import json
from collections.abc import Iterator, Sequence
from textwrap import wrap
from typing import Any

from annotated_types import Ge, Gt, Le, Lt
from pydantic import BaseModel
from pydantic.fields import FieldInfo

from breathmap.learner.words.description import (
    Column,
    EngineDescription,
    Log,
    TimeColumn,
    Trims,
    parse_description,
    part_of,
)

WIDTH = 92

# A four-cylinder on two banks, invented; with a log, so that every key has its example.
EXAMPLE: dict[str, Any] = {
    "engine": {
        "name": "example engine (invented)",
        "displacement_cm3": 1198.0,
        "cylinders": 4,
        "stoichiometric_afr": 14.3,
    },
    "axes": {
        "load_axis": "map_kpa",
        "speed_rpm": [1000, 1800, 2600, 3400, 4200, 5000, 6000, 7000],
        "load": [25, 35, 45, 55, 65, 75, 85, 95],
    },
    "bank": [
        {"name": "left", "table": "left.csv", "delay": {"exhaust_volume_cm3": 700}},
        {"name": "right", "table": "right.csv", "delay": {"exhaust_volume_cm3": 1100}},
    ],
    "log": {
        "time": {"column": "Time (ms)", "unit": "ms"},
        "speed_rpm": {"column": "Engine speed"},
        "map_kpa": {"column": "Manifold pressure (mbar)", "scale": 0.1},
        "throttle_pct": {"column": "Throttle"},
        "coolant_c": {"column": "Coolant (F)", "scale": 0.5556, "offset": -17.78},
        "intake_c": {"constant": 25},
        "battery_v": {"column": "Battery"},
        "target_lambda": {"column": "Target AFR", "unit": "afr"},
        "fuel_cut": {"column": "Cut"},
        "bank": [
            {"measured_lambda": {"column": "AFR left", "unit": "afr"}},
            {"measured_lambda": {"column": "AFR right", "unit": "afr"}},
        ],
    },
}


def annotated_example(
    description: EngineDescription | None = None, preface: Sequence[str] = ()
) -> str:
    """Return TOML text that `parse_description` accepts, each key with a comment above it.

    description: what to write, by default an invented example. preface: lines put at the top as
    comments. Unset keys are there, commented out.
    """
    shown = description or parse_description(EXAMPLE)
    lines = [f"# {line}".rstrip() for line in preface]
    lines += ["# Engine description for breathmap. Units are in the names of the keys.", ""]
    for name, value in shown:
        if value is not None:
            lines += _tables(name, value)
    if shown.trims is None and len(shown.bank) > 1:
        lines += ["# --- one table and trims: remove the first # of each line to use it"]
        lines += [f"# {line}".rstrip() for line in _tables("trims", Trims())]
    if shown.log is None:
        example = parse_description(EXAMPLE).log
        lines += ["# --- a CSV log for `replay`: remove the first # of each line to use it"]
        lines += [f"# {line}".rstrip() for line in _tables("log", example)]
    return "\n".join(lines).rstrip() + "\n"


def mapping_text(log: Log, preface: Sequence[str] = ()) -> str:
    """Return a [log] part alone as TOML text, each key with a comment above it."""
    return "\n".join([*(f"# {line}" for line in preface), *_tables("log", log)]).rstrip() + "\n"


def _tables(path: str, value: Any) -> Iterator[str]:
    """The TOML tables of one part, or of each part in a list."""
    for part in value if isinstance(value, list) else [value]:
        doc = (type(part).__doc__ or "").strip()
        yield from _comment(doc)
        yield f"[[{path}]]" if isinstance(value, list) else f"[{path}]"
        later: list[tuple[str, Any]] = []
        for name, info in type(part).model_fields.items():
            inner = getattr(part, name)
            # A column stays on one line; everything else that has keys gets its own heading.
            entry = inner[0] if isinstance(inner, list) and inner else inner
            if _is_part(entry) and not isinstance(entry, (Column, TimeColumn)):
                later.append((f"{path}.{name}", inner))
            else:
                yield from _key(type(part), name, info, inner)
        yield ""
        for inner_path, inner in later:
            yield from _tables(inner_path, inner)


def _is_part(value: object) -> bool:
    return isinstance(value, BaseModel)


def _key(model: type[BaseModel], name: str, info: FieldInfo, value: Any) -> Iterator[str]:
    notes = [info.description or ""]
    allowed = _range(info)
    if allowed:
        notes.append(allowed)
    default = info.get_default(call_default_factory=True) if not info.is_required() else None
    if default is not None and not _is_part(default):
        notes.append(f"default {_toml(default)}")
    elif info.is_required():
        notes.append("required")
    yield from _comment("; ".join(notes))
    if value is not None:
        yield f"{name} = {_toml(value)}"
    else:
        yield f"# {name} = {_stand_in(model, name, info)}"


def _stand_in(model: type[BaseModel], name: str, info: FieldInfo) -> str:
    """A plausible value for a key that is not set."""
    if part_of(model, name) is not None:
        return '{ column = "its heading" }'
    example = {"stoichiometric_afr": "14.7", "cylinders": "1"}
    return example.get(name, "...")


def _range(info: FieldInfo) -> str:
    low = high = ""
    for rule in info.metadata:
        if isinstance(rule, Ge):
            low = f"{rule.ge:g} or more"
        elif isinstance(rule, Gt):
            low = f"above {rule.gt:g}"
        elif isinstance(rule, Le):
            high = f"at most {rule.le:g}"
        elif isinstance(rule, Lt):
            high = f"below {rule.lt:g}"
    choices = getattr(info.annotation, "__args__", ())
    if choices and all(isinstance(choice, str) for choice in choices):
        return " or ".join(f'"{choice}"' for choice in choices)
    if low.endswith("or more") and high.startswith("at most"):
        return f"{low.split()[0]} to {high.split()[-1]}"
    return ", ".join(part for part in (low, high) if part)


def _comment(text: str) -> Iterator[str]:
    for line in wrap(" ".join(text.split()), WIDTH - 2):
        yield f"# {line}"


def _toml(value: Any) -> str:
    """One value as TOML writes it; parts become inline tables without their defaults."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e9:
        return f"{value:.0f}" if value != 0 else "0"
    if isinstance(value, BaseModel):
        inner = value.model_dump(exclude_defaults=True)
        return "{ " + ", ".join(f"{k} = {_toml(v)}" for k, v in inner.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(_toml(entry) for entry in value) + "]"
    # TOML's basic strings and numbers are written as JSON's (non-ASCII text stays readable).
    return json.dumps(value, ensure_ascii=False)
