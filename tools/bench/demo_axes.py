"""The demo's engine once more, its tables on the axes that its own recording advises.

    python3 tools/start.py demo
    .venv/bin/python -m breathmap.tools.bench.demo_axes

Prints what `breathmap.tools.demo.axes` finds: what the tables leave on the present axes and on the
advised ones, and what stated errors let expect. Nothing in the folder is changed.
"""

import argparse
import sys
from pathlib import Path

from breathmap.tools.base.errors import UserError
from breathmap.tools.base.screen import Screen, Table
from breathmap.tools.base.uncertain import value_text
from breathmap.tools.demo.axes import Made, advised_in, made_of


def table_of(found: dict[str, list[Made]]) -> Table:
    """Return the demo's table with what the advised axes leave beside it."""
    view = Table(
        title="Fuelling error, the demo's continuous truth, same ground", title_justify="left"
    )
    for heading in ("bank", "", "before", "after", "on advised axes"):
        view.add_column(heading, no_wrap=True)
    for name, each in found.items():
        view.add_row(name, "rms", *(f"{one.rms:.2f} %" for one in each))
        learned = each[1:]
        view.add_row("", "under no rule", "", *(f"{one.free:.2f} %" for one in learned))
        expected = [one.expected for one in learned if one.expected is not None]
        view.add_row(
            "", "expected", "", *(value_text(one.value, one.error, "%", 2) for one in expected)
        )
        view.add_row("", "worst", *(f"{one.worst:.1f} %" for one in each))
    return view


def main(arguments: list[str] | None = None) -> int:
    """Command line."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("folder", type=Path, nargs="?", default=Path("demo-out"))
    folder = parser.parse_args(arguments).folder
    screen = Screen()
    try:
        advised = advised_in(folder, screen)
        choices = (advised.advice.present, advised.advice.best)
        screen.show(table_of(made_of(folder, advised, choices, screen)))
        best = advised.advice.best
        gain, error = 100.0 * best.gain.value, 100.0 * best.gain.error
        screen.say(
            f"The advice itself: {best.verdict}; {value_text(gain, error, '%', 3)} to be gained."
        )
    except UserError as error:
        print(f"Error: {error}", file=sys.stderr)
        return 2
    for what, points in zip(("speeds, rpm", "loads, kPa"), vars(advised.advice.best.grid).values(),
                            strict=True):  # fmt: skip
        screen.say(f"{what}: {' '.join(f'{point:g}' for point in points)}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
