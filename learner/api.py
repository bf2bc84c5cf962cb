"""The learner's public door on a host: what the README shows, in one place.

A board imports the modules themselves (`learner.stream` and what it needs).
"""

from learner.delay import FoundDelay, find_delay
from learner.description import DescriptionError, EngineDescription, parse_description
from learner.gates import reason_names
from learner.history import DelayModel
from learner.kernel import Evidence
from learner.reasons import EXPLANATIONS
from learner.replay import BankReplay
from learner.settings import SWITCHING, WIDEBAND, BankSettings, Settings
from learner.solve import FilmEstimate, Solution, film_of, solve
from learner.stream import BankLearner, Learner
from learner.table import Table
from protocol.sample import Sample

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
