"""Writes an engine description as a C header for a board that learns on its own (learner/c/board).

    python -m breathmap.tools.make.engine ENGINE.toml engine.h

Exit codes: 0 done, 2 something must be put right first (one line says what).
"""

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path

from breathmap.learner.core.settings import Settings
from breathmap.tools.base.errors import UserError
from breathmap.tools.run.learning import load

_COUNTS = ("load_is_throttle", "sensor_kind", "closed_loop", "film_terms", "charge_lead")


def numbers(values: Sequence[float]) -> str:
    """Return exact C literals, comma-separated."""
    return ", ".join(float(value).hex() for value in values)


def bank_text(settings: Settings, number: int) -> str:
    """Return one bank's initialiser."""
    table, delay = settings.banks[number].table, settings.banks[number].delay
    shape = f".speed_count = {table.speed_count}, .load_count = {table.load_count}"
    model = (
        delay.cycles, delay.exhaust_volume_cm3, delay.sensor_lag_s, delay.exhaust_temp_k,
        delay.swept_cm3,
    )  # fmt: skip
    axes = ".speed_rpm = engine_speed_rpm, .load = engine_load"
    return (
        f"    {{{{{axes}, .cells = engine_cells_{number},\n      {shape}}},\n"
        f"     {{{numbers(model)}}}}},"
    )


def header_text(name: str, settings: Settings) -> str:
    """Return the header of an engine; texts are C strings without anything to escape."""
    table = settings.banks[0].table
    lines = [
        "/* Made by `python -m breathmap.tools.make.engine`. */",
        '#include "breathmap_learner.h"',
        f"#define ENGINE_RATE_HZ {float(settings.sample_rate_hz).hex()}",
        f"static const double engine_speed_rpm[] = {{{numbers(table.speed_rpm)}}};",
        f"static const double engine_load[] = {{{numbers(table.load)}}};",
    ]
    for number, bank in enumerate(settings.banks):
        cells = numbers(bank.table.cells)
        lines.append(f"static const bl_real engine_cells_{number}[] = {{{cells}}};")
    lines.append("static const struct bl_bank_settings engine_banks[] = {")
    lines += [bank_text(settings, number) for number in range(len(settings.banks))]
    values = ", ".join(f".{key} = {int(getattr(settings, key))}" for key in _COUNTS)
    lines += [
        "};",
        "static const struct bl_settings engine_settings = {",
        f"    .banks = engine_banks, .bank_count = {len(settings.banks)},",
        f"    .limits = {{{numbers(list(vars(settings.limits).values()))}}},",
        f"    .film_s = {float(settings.film_s).hex()}, "
        f".history_s = {float(settings.history_s).hex()}, .noise = {float(settings.noise).hex()},",
        f"    {values},",
        "};",
        "static const char *const engine_bank_names[] = {",
        *[f"    {text(bank.name)}," for bank in settings.banks],
        "};",
        f"static const struct bl_names engine_names = {{{text(name)}, engine_bank_names}};",
    ]
    return "\n".join(lines) + "\n"


def text(value: str) -> str:
    """Return a C string; what is no plain letter, digit or blank is written in octal."""
    return '"' + "".join(chr(b) if _is_plain(b) else f"\\{b:03o}" for b in value.encode()) + '"'


def _is_plain(byte: int) -> bool:
    return byte == 0x20 or (byte < 0x80 and chr(byte).isalnum())


def main(arguments: list[str] | None = None) -> int:
    """Run the command; return its exit code."""
    parser = argparse.ArgumentParser(prog="make_engine", description="Write an engine as C.")
    parser.add_argument("description", type=Path, metavar="ENGINE.toml")
    parser.add_argument("header", type=Path, help="the header to write")
    options = parser.parse_args(arguments)
    try:
        description, tables = load(options.description)
    except UserError as error:
        print(f"make_engine: {error}", file=sys.stderr)
        return 2
    made = header_text(description.engine.name, description.settings(tables))
    options.header.write_text(made, "utf-8", newline="\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
