"""Looks for the delay in what was just learned from, and says what to change. Never changes it.

Keeps the latest samples in bounded memory, so that a live run can do it, too.
"""

import numpy as np
from numpy.typing import NDArray

from breathmap.learner.core.settings import Settings
from breathmap.learner.exact.delay import FoundDelay, find_delay
from breathmap.learner.exact.replay import BankReplay
from breathmap.protocol.host.bulk import sample_dtype
from breathmap.protocol.wire.sample import Sample
from breathmap.tools.base.uncertain import error_text, value_text
from breathmap.tools.run.summary import DelayFoundSummary

# Ten minutes at 25 a second tell the delay; a replay may keep more.
LIVE_SAMPLES = 15_000
REPLAY_SAMPLES = 90_000
# A live run speaks up only when another delay leaves at least this much less noise.
WORTH_SAYING = 0.01


class RecentSamples:
    """A ring of the latest samples as the structured array that `breathmap.learner.exact.replay`
    takes.

    capacity: samples kept; about 100 bytes each. banks: banks of every sample.
    """

    def __init__(self, capacity: int, banks: int) -> None:
        self._rows = np.zeros(capacity, sample_dtype(banks))
        self._names = self._rows.dtype.names or ()
        self._count = 0

    def add(self, sample: Sample) -> None:
        """Copy one sample in."""
        row = tuple(getattr(sample, name) for name in self._names)
        self._rows[self._count % len(self._rows)] = row
        self._count += 1

    def add_many(self, samples: NDArray[np.void]) -> None:
        """Copy many samples in, rows of the same type."""
        size = len(self._rows)
        places = (self._count + np.arange(len(samples))) % size
        self._rows[places[-size:]] = samples[-size:]
        self._count += len(samples)

    def table(self) -> NDArray[np.void]:
        """The samples kept, oldest first."""
        size = len(self._rows)
        if self._count <= size:
            return self._rows[: self._count].copy()
        place = self._count % size
        return np.concatenate([self._rows[place:], self._rows[:place]])


def look_for_delay(recent: RecentSamples, settings: Settings) -> dict[str, FoundDelay | str]:
    """What each bank's samples say of its delay; a line of text where they do not suffice."""
    table = recent.table()
    found: dict[str, FoundDelay | str] = {}
    for number, bank in enumerate(settings.banks):
        try:
            found[bank.name] = find_delay(BankReplay(table, number, settings))
        except ValueError as error:
            found[bank.name] = str(error)
    return found


def delay_lines(found: dict[str, FoundDelay | str], settings: Settings) -> list[str]:
    """The report for a person: per bank what was found, how sure, and what to write where."""
    lines = []
    for bank in settings.banks:
        delay = found[bank.name]
        if isinstance(delay, str):
            lines.append(f"{bank.name}: delay not looked for: {delay}")
            continue
        found_ms = value_text(1000 * delay.delay_s, 1000 * delay.delay_error_s, "ms", 0)
        lines.append(
            f"{bank.name}: delay, injection to reading, median over the ground covered: "
            f"{found_ms}; residual noise "
            f"{100 * delay.noise:.2f} % (with the described delay {100 * delay.noise_before:.2f} %)"
        )
        lines += _advice(delay)
    return lines


def _advice(delay: FoundDelay) -> list[str]:
    model = delay.model
    if not delay.known:
        return [
            "  This drive does not excite the delay enough to tell it: change load and speed more, "
            "in steps held for some seconds, and look again. Keep the description as it is."
        ]
    cycles, volume, lag = (
        error_text(error, decimals=places)
        for error, places in zip(delay.errors, (2, 0, 3), strict=True)
    )
    better = delay.noise < (1.0 - WORTH_SAYING) * delay.noise_before
    lines = [
        "  "
        + ("" if better else "It leaves no less noise than the described one: no need to change. ")
        + "To use it, write under this [[bank]] of the engine description:",
        f"  cycles = {model.cycles:.2f}               # {cycles}",
        f"  exhaust_volume_cm3 = {model.exhaust_volume_cm3:.0f}   # {volume}",
        f"  sensor_lag_s = {model.sensor_lag_s:.3f}        # {lag}",
    ]
    if not delay.separate:
        lines.append(
            "  Only their combination, the delay at this ground, is determined: take all three."
        )
    return lines


def delay_summary(found: dict[str, FoundDelay | str]) -> dict[str, DelayFoundSummary]:
    """The same for summary.json."""
    return {name: _summary(delay) for name, delay in found.items()}


def _summary(delay: FoundDelay | str) -> DelayFoundSummary:
    if isinstance(delay, str):
        return DelayFoundSummary(told=False, why=delay)
    return DelayFoundSummary(
        told=delay.known,
        parameters_told_apart=delay.separate,
        delay_s=round(delay.delay_s, 4),
        delay_standard_error_s=round(delay.delay_error_s, 4),
        cycles=round(delay.model.cycles, 3),
        exhaust_volume_cm3=round(delay.model.exhaust_volume_cm3, 1),
        sensor_lag_s=round(delay.model.sensor_lag_s, 4),
        noise_pct=round(100 * delay.noise, 3),
        noise_described_pct=round(100 * delay.noise_before, 3),
        samples=delay.used,
    )


def worth_saying(found: dict[str, FoundDelay | str]) -> bool:
    """True when some bank's samples clearly want another delay than the described one."""
    return any(
        isinstance(delay, FoundDelay)
        and delay.known
        and delay.noise < (1.0 - WORTH_SAYING) * delay.noise_before
        for delay in found.values()
    )
