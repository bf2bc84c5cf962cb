"""What a run of learning says of itself in summary.json: every key, defined once.

Units stand in the names. Whoever reads a summary, reads it through these models; keys that only a
later version writes are kept.
"""

from typing import Annotated, Any, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from breathmap.learner.core.alarms import LEAN, NAMES
from breathmap.learner.words.description import BankName

# More samples than anybody has; a count beyond is damage.
Count = Annotated[int, Field(ge=0, le=10**15)]
# Of a reason or a counter, and of a decision, as the program names them.
Reason = Annotated[str, Field(pattern=r"\A[a-z0-9_]{1,60}\z")]
Key = Annotated[str, Field(pattern=r"\A[a-z0-9_ -]{1,60}\z")]


class Part(BaseModel):
    """A part of the summary; unchangeable, and tolerant of keys that it does not know."""

    model_config = ConfigDict(extra="allow", frozen=True)


class DelaySummary(Part):
    """Delay, injection to reading, over the used samples; None before any was used."""

    mean_s: float | None
    least_s: float | None
    most_s: float | None

    @model_validator(mode="after")
    def _all_or_none(self) -> Self:
        """Where there is one of the three there are all."""
        if len({value is None for value in (self.mean_s, self.least_s, self.most_s)}) > 1:
            raise ValueError("one of mean_s, least_s and most_s is missing")
        return self


class DelayModelSummary(Part):
    """The delay model that was learned with."""

    cycles: float
    exhaust_volume_cm3: float
    sensor_lag_s: float
    exhaust_temp_k: float


class TermSummary(Part):
    """A global term's coefficient."""

    value: float
    standard_error: float


class FilmSummary(Part):
    """The fuel film; told: the drive was enough to say so."""

    share: float
    share_standard_error: float
    time_s: float
    time_standard_error_s: float
    told: bool


class BankSummary(Part):
    """One bank. refused: samples by reason. cells: how many of each decision, empty where nothing
    was proposed."""

    samples: Count
    used: Count
    refused: dict[Reason, Count]
    noise_pct: float
    autocorrelation_widening: float = 1.0
    median_standard_error_pct: float | None
    delay: DelaySummary
    delay_model: DelayModelSummary | None = None
    terms: dict[str, TermSummary] = {}
    film: FilmSummary | None = None
    cells: dict[Key, Count] = {}

    @property
    def film_is_learned(self) -> bool:
        """True where the terms suffice to tell the film, whether or not the drive did."""
        return "film_time" in self.terms


class DelayFoundSummary(Part):
    """What the search for the delay found for a bank; why: the reason when it found nothing."""

    told: bool
    why: str | None = None
    parameters_told_apart: bool | None = None
    delay_s: float | None = None
    delay_standard_error_s: float | None = None
    cycles: float | None = None
    exhaust_volume_cm3: float | None = None
    sensor_lag_s: float | None = None
    noise_pct: float | None = None
    noise_described_pct: float | None = None
    samples: int | None = None


Span = Annotated[float, Field(ge=0, allow_inf_nan=False)]


class AlarmSummary(Part):
    """One alarm. bank: None where it belongs to none. time_s: from its source's first sample.
    worst, limit: what was seen and what it was held against, in `unit`; of a lost sensor its state,
    and no limit. speed_rpm, load: when it was worst."""

    kind: str
    bank: str | None
    source: str
    time_s: Span
    duration_s: Span
    worst: float
    limit: float | None
    unit: str
    speed_rpm: float | None
    load: float | None


class AlarmsSummary(Part):
    """The alarms of a run. counts: by kind, of all that was looked for. running_s: how long the
    engine ran; lean_watched_s: how long of that it was loaded enough for a lean alarm. episodes:
    the first ones, and the worst of the others."""

    counts: dict[str, int]
    running_s: float
    lean_watched_s: float
    load_unit: str
    episodes: list[AlarmSummary]

    @model_validator(mode="after")
    def _lean_is_whole(self) -> "AlarmsSummary":
        """A lean alarm that was counted is among the episodes, with all that is said of it."""
        name = NAMES[LEAN]
        lean = [one for one in self.episodes if one.kind == name]
        lacking = any(None in (one.limit, one.speed_rpm, one.load) for one in lean)
        if lacking or (self.counts.get(name) and not lean):
            raise ValueError(f"{name} is counted, and its limit or operating point is not told")
        return self

    def brief(self, most: int = 10) -> "AlarmsSummary":
        """Return them with at most so many episodes of a kind: the first ones, and the worst."""
        kept: list[AlarmSummary] = []
        for kind in self.counts:
            found = [one for one in self.episodes if one.kind == kind]
            worst = sorted(found[most - 1 :], key=lambda one: one.worst - (one.limit or 0.0))[-1:]
            kept += [*found[: most - 1], *worst]
        return self.model_copy(update={"episodes": kept})


class PortSummary(Part):
    """What happened to a port. times_lost: how often it went; lost_s: for how long in all. refused:
    how many other devices came in its place. unknown: files of what came from nobody knows whom,
    and was not learned. unrecorded_...: what a full disk did not take: since when (time of day),
    why, how much."""

    times_lost: Count = 0
    lost_s: float = 0.0
    refused: Count = 0
    unknown: list[str] = []
    unrecorded_from: str | None = None
    unrecorded_why: str | None = None
    unrecorded_bytes: Count = 0


class Summary(Part):
    """A run. link: what the link counted. delay_found: only where it was looked for. alarms: None
    of a run of 0.1.0. port: of a run from one."""

    software_version: str
    protocol_version: int
    engine: str
    device: str | None
    sources: list[str]
    samples: Count
    banks: dict[BankName, BankSummary]
    link: dict[Reason, Count] = {}
    alarms: AlarmsSummary | None = None
    port: PortSummary | None = None
    warnings: list[str] = []
    delay_found: dict[str, DelayFoundSummary] | None = None

    def as_dict(self) -> dict[str, Any]:
        """Return it as it is written: only what was set."""
        return self.model_dump(exclude_unset=True)
