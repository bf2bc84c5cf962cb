"""The learner's public door on a host: everything that the way from a recording to proposed tables
takes, in one place. What it names stays; all else may move.

    description = parse_description(tomllib.loads(text))   # the engine, as in `breathmap check`
    learner = Learner(description.settings(tables))        # per bank a flat list of VE, per cent
    for sample in read_recording(data).samples():          # or LogReader(text, description)
        learner.learn_one(sample)
    for bank in learner.banks:
        solution = solve(bank.evidence, cells_pct=bank.table.cells)
        proposal = propose(bank.table.cells, solution, description.storage, description.axes)

`learn_many(learner, read_recording(data).table)` does what that loop does, in C where a compiler
built the core.

Or in one step, from a file, a pandas or polars data frame or a structured array:

    run = learn(read("ride.csv", "engine.toml"), "engine.toml")
    run.propose("cautious"), run.diagnose(), run.to_frame(), run.report("report.html")

What this module imports does no I/O; `read`, `learn` and `Run` lead to what opens files
(`breathmap.tools.door`), loaded when they are first used. A board imports the modules themselves
(`breathmap.learner.core.stream` and what it needs).
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

from breathmap.learner.core.gates import reason_names
from breathmap.learner.core.history import DelayModel
from breathmap.learner.core.kernel import Evidence
from breathmap.learner.core.settings import SWITCHING, WIDEBAND, BankSettings, Settings
from breathmap.learner.core.stream import BankLearner
from breathmap.learner.core.table import Table
from breathmap.learner.decide.proposal import (
    CHANGED,
    DECISIONS,
    FREE,
    HELD,
    LIMITED,
    NEIGHBOURS,
    PART,
    PRESETS,
    SATURATED,
    UNTOUCHED,
    Clip,
    Proposal,
    Rules,
    propose,
)
from breathmap.learner.exact.alive import CarefulLearner as Learner
from breathmap.learner.exact.delay import FoundDelay, find_delay
from breathmap.learner.exact.replay import BankReplay
from breathmap.learner.exact.solve import FilmEstimate, Solution, film_of, solve
from breathmap.learner.fast.many import Verdicts, learn_many
from breathmap.learner.words.description import (
    Axes,
    DescriptionError,
    EngineDescription,
    Storage,
    parse_description,
)
from breathmap.learner.words.log import LogError, LogReader
from breathmap.learner.words.reasons import EXPLANATIONS
from breathmap.protocol.host.recording import Recording, read_recording
from breathmap.protocol.wire.codes import (
    SENSOR_ABSENT,
    SENSOR_FAULT,
    SENSOR_READY,
    SENSOR_WARMING,
)
from breathmap.protocol.wire.sample import Sample

if TYPE_CHECKING:
    from breathmap.tools.door.run import Run, learn, read

__all__ = (
    "CHANGED",
    "DECISIONS",
    "EXPLANATIONS",
    "FREE",
    "HELD",
    "LIMITED",
    "NEIGHBOURS",
    "PART",
    "PRESETS",
    "SATURATED",
    "SENSOR_ABSENT",
    "SENSOR_FAULT",
    "SENSOR_READY",
    "SENSOR_WARMING",
    "SWITCHING",
    "UNTOUCHED",
    "WIDEBAND",
    "Axes",
    "BankLearner",
    "BankReplay",
    "BankSettings",
    "Clip",
    "DelayModel",
    "DescriptionError",
    "EngineDescription",
    "Evidence",
    "FilmEstimate",
    "FoundDelay",
    "Learner",
    "LogError",
    "LogReader",
    "Proposal",
    "Recording",
    "Rules",
    "Run",
    "Sample",
    "Settings",
    "Solution",
    "Storage",
    "Table",
    "Verdicts",
    "film_of",
    "find_delay",
    "learn",
    "learn_many",
    "parse_description",
    "propose",
    "read",
    "read_recording",
    "reason_names",
    "solve",
)

# Above this room, and only on first use: what learns imports nothing that opens files.
_DOOR = "breathmap.tools.door.run"
_BEHIND_THE_DOOR = ("Run", "learn", "read")


def __getattr__(name: str) -> Any:
    if name not in _BEHIND_THE_DOOR:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(_DOOR), name)
