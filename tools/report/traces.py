"""What trace.json must hold before anything is drawn of it; its keys are those of
`breathmap.tools.run.trace`."""

from collections.abc import Sequence
from typing import Annotated, Any, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

# Per cent or minutes; more is damage, and would overflow in the drawing.
Value = Annotated[float, Field(ge=-1e9, le=1e9)]
Count = Annotated[int, Field(ge=1, le=10**12)]


class Part(BaseModel):
    """A part of the trace, tolerant of keys that it does not know."""

    model_config = ConfigDict(allow_inf_nan=False, populate_by_name=True)


def _same_length(columns: Sequence[Sequence[Any]]) -> None:
    if len({len(column) for column in columns}) > 1:
        raise ValueError("columns of different length")


class OverTime(Part):
    """Errors over time; None where no sample was used."""

    bin_s: Value
    minutes: list[Value]
    used_pct: list[Value]
    before_mean_pct: list[Value | None]
    before_rms_pct: list[Value | None]
    after_mean_pct: list[Value | None]
    after_rms_pct: list[Value | None]

    @model_validator(mode="after")
    def _fits(self) -> Self:
        _same_length([
            self.minutes, self.used_pct, self.before_mean_pct, self.before_rms_pct,
            self.after_mean_pct, self.after_rms_pct,
        ])  # fmt: skip
        return self


class Against(Part):
    """Residuals against one condition, in bins that hold some."""

    low: list[Value] = Field(alias="from")
    high: list[Value] = Field(alias="to")
    count: list[Count]
    mean_pct: list[Value]
    rms_pct: list[Value]

    @model_validator(mode="after")
    def _fits(self) -> Self:
        _same_length([self.low, self.high, self.count, self.mean_pct, self.rms_pct])
        return self


class AgainstAll(Part):
    """Against each condition."""

    speed_rpm: Against
    load: Against
    coolant_c: Against
    intake_c: Against


class BankTrace(Part):
    """One bank's."""

    over_time: OverTime
    against: AgainstAll


class Trace(Part):
    """All banks', by name."""

    banks: dict[str, BankTrace]
