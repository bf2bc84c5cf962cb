"""The learner's public door on a host: what the README shows, in one place.

A board imports the modules themselves (`breathmap.learner.core.stream` and what it needs).
"""

from breathmap.learner.core.gates import reason_names
from breathmap.learner.core.history import DelayModel
from breathmap.learner.core.kernel import Evidence
from breathmap.learner.core.settings import SWITCHING, WIDEBAND, BankSettings, Settings
from breathmap.learner.core.stream import BankLearner, Learner
from breathmap.learner.core.table import Table
from breathmap.learner.exact.delay import FoundDelay, find_delay
from breathmap.learner.exact.replay import BankReplay
from breathmap.learner.exact.solve import FilmEstimate, Solution, film_of, solve
from breathmap.learner.words.description import (
    DescriptionError,
    EngineDescription,
    parse_description,
)
from breathmap.learner.words.reasons import EXPLANATIONS
from breathmap.protocol.wire.sample import Sample

__all__ = (
    "EXPLANATIONS",
    "SWITCHING",
    "WIDEBAND",
    "BankLearner",
    "BankReplay",
    "BankSettings",
    "DelayModel",
    "DescriptionError",
    "EngineDescription",
    "Evidence",
    "FilmEstimate",
    "FoundDelay",
    "Learner",
    "Sample",
    "Settings",
    "Solution",
    "Table",
    "film_of",
    "find_delay",
    "parse_description",
    "reason_names",
    "solve",
)
