# Board-safe: runs on CPython and MicroPython alike.
"""The board's own file of its engine: what a host's engine description says, a line at a time.

The host writes it (`engine_text` of tools/install/files.py); lines are JSON, short enough that a
small heap can parse each: the settings, then per bank one line and one per row of its table.
"""

from array import array

from breathmap.learner.core.history import DelayModel
from breathmap.learner.core.settings import BankSettings, Settings
from breathmap.learner.core.table import Table

FORMAT = 2


class BadEngineFile(ValueError):  # noqa: N818 (says what was found)
    """The file is not one of ours: one line says why."""


class Engine:
    """What the board knows of its engine. lean: the limits of a mixture that is too lean, as
    `breathmap.learner.core.lean.Lean` takes them. typecode: how tables and evidence are stored."""

    def __init__(self, name: str, settings: Settings, lean, typecode: str) -> None:  # type: ignore[no-untyped-def]
        self.name = name
        self.settings = settings
        self.lean = lean
        self.typecode = typecode


def read_engine(lines, parse) -> Engine:  # type: ignore[no-untyped-def]
    """Return the engine from an iterator of lines; parse: turns one line of JSON into values.

    Raises BadEngineFile.
    """
    try:
        return _read(lines, parse)
    except BadEngineFile:
        raise
    # What a cut or foreign file may provoke, on either interpreter.
    except (ValueError, KeyError, IndexError, TypeError, AttributeError) as error:
        raise BadEngineFile("the engine file is damaged (%s); install it again" % error)  # noqa: B904


def _line(lines) -> str:  # type: ignore[no-untyped-def]
    for line in lines:
        return line  # type: ignore[no-any-return]
    raise BadEngineFile("the engine file ends early; install it again")


def _read(lines, parse) -> Engine:  # type: ignore[no-untyped-def]
    head = parse(_line(lines))
    if head["format"] != FORMAT:
        raise BadEngineFile(
            "the engine file has format %s, this software reads %d; install it again"
            % (head["format"], FORMAT)
        )
    typecode = "d" if head["number_bytes"] == 8 else "f"
    speeds = array("d", head["speed_rpm"])
    loads = array("d", head["load"])
    banks = []
    for _ in range(head["banks"]):
        bank = parse(_line(lines))
        cells = array(typecode, range(len(speeds) * len(loads)))
        at = 0
        for _row in range(len(loads)):
            row = parse(_line(lines))
            if len(row) != len(speeds):
                raise BadEngineFile("a row of the engine file is cut; install it again")
            for value in row:
                cells[at] = value
                at += 1
        table = Table(speeds, loads, cells, typecode)  # type: ignore[arg-type]  # arrays do
        # Axes are the same for every bank, and kept once.
        table.speed_rpm = speeds
        table.load = loads
        banks.append(BankSettings(bank["name"], table, DelayModel(*bank["delay"])))
    settings = Settings(
        banks,
        bool(head["load_is_throttle"]),
        head["sensor_kind"],
        bool(head["closed_loop"]),
        head["film_s"],
        head["film_terms"],
        bool(head["charge_lead"]),
        head["sample_rate_hz"],
        head["history_s"],
        head["noise"],
    )
    for name in head["limits"]:
        # A host of another version may know more gates than this board: those it keeps as they are.
        if hasattr(settings.limits, name):
            setattr(settings.limits, name, head["limits"][name])
    return Engine(head["engine"], settings, head["lean"], typecode)
