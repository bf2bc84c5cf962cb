"""What a drive's samples tell of the set-up: is the learning set-up in, is it out again?

Each sign needs enough of the drive to be sure: a target seen over ground where the original one
varies, a throttle opened fast several times, minutes of warm running. Where a drive had less, it is
said that the sign was not looked for: that is no all-clear.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from breathmap.learner.core.table import Table
from breathmap.learner.exact.replay import locate
from breathmap.learner.words.description import EngineDescription
from breathmap.protocol.host.calibration import Calibration
from breathmap.protocol.host.recording import read_recording
from breathmap.protocol.wire import fields as wire
from breathmap.tools.job.setup import SPARK_RETARD, SWITCHING_OFF, WIDEBAND_OFF, WORDS

Array = NDArray[np.float64]

RUNNING_RPM = 600.0
WARM_C = 70.0
# Common practice, no source: what counts as a quick hand, a wide throttle, and often enough.
QUICK_PCT_PER_S = 80.0
WIDE_PCT = 85.0
OFTEN = 3
WARM_S = 60.0
# A flat target varies less than this where the original one varies by more.
FLAT = 0.01
VARIED = 0.04
AGREES = 0.015

FLAGS = {
    "acceleration_enrichment": wire.ACCELERATION_ENRICHMENT,
    "deceleration_enleanment": wire.DECELERATION_ENLEANMENT,
    "power_enrichment": wire.POWER_ENRICHMENT,
    "closed_loop": wire.CLOSED_LOOP,
    "long_term_adaptation": wire.LONG_TERM_ADAPTATION,
}


class Drive:
    """A recording's samples with the engine running."""

    def __init__(self, data: bytes, start: Calibration) -> None:
        table = read_recording(data).table
        self.samples = table[table["speed_rpm"] > RUNNING_RPM]
        s = self.samples
        steps = np.diff(s["time_us"], prepend=s["time_us"][:1]) * 1e-6
        self.step_s = np.clip(steps, 0.0, 1.0)
        name = "throttle_pct" if start.load_axis == "throttle_pct" else "map_kpa"
        self.expected: Array | None = None
        if start.target_lambda is not None and len(s):
            axes = Table(list(start.speed_rpm), list(start.load), list(start.target_lambda))
            load = np.nan_to_num(s[name])
            _, _, self.expected = locate(axes, np.nan_to_num(s["speed_rpm"]), load)
        self.commanded = s["target_lambda"]

    def flag_seen(self, name: str) -> bool:
        """True when a sample carries the flag."""
        return bool((self.samples["flags"] & FLAGS[name]).any())

    def chances(self, name: str) -> bool:
        """True when the drive gave a function that is on every chance to act."""
        s = self.samples
        if name in ("acceleration_enrichment", "deceleration_enleanment"):
            if len(s) < 2:
                return False
            rate = np.diff(s["throttle_pct"]) / np.maximum(self.step_s[1:], 1e-3)
            sign = 1.0 if name == "acceleration_enrichment" else -1.0
            return bool((sign * rate > QUICK_PCT_PER_S).sum() >= OFTEN)
        if name == "power_enrichment":
            return bool(self.step_s[s["throttle_pct"] > WIDE_PCT].sum() > 2.0)
        return bool(self.step_s[s["coolant_c"] > WARM_C].sum() > WARM_S)

    def target_varies(self) -> bool:
        """True when the original target varies over the ground of this drive."""
        return self.expected is not None and bool(np.ptp(self.expected) >= VARIED)

    def target_is_flat(self) -> bool:
        """True when the target stayed where the original one varies."""
        if not self.target_varies() or not np.isfinite(self.commanded).any():
            return False
        low, high = np.nanpercentile(self.commanded, [1.0, 99.0])
        return bool(high - low < FLAT)

    def target_agrees(self) -> float:
        """Share of the time in which the target is the original one's."""
        if self.expected is None or not len(self.samples):
            return float("nan")
        near = np.abs(self.commanded - self.expected) < AGREES
        return float(near.mean())


@dataclass(frozen=True)
class Look:
    """What a drive tells. signs: what shows that the learning set-up is still in, a line each.
    looked_for, not_looked_for: what this drive could show, and what it could not, and why."""

    signs: list[str]
    looked_for: list[str]
    not_looked_for: list[str]

    def and_of(self, other: "Look") -> "Look":
        """Return what two drives tell together."""
        looked_for = list(dict.fromkeys([*self.looked_for, *other.looked_for]))
        missed = [
            line
            for line in dict.fromkeys([*self.not_looked_for, *other.not_looked_for])
            if line.partition(":")[0] not in looked_for
        ]
        return Look([*self.signs, *other.signs], looked_for, missed)


def learning_signs(data: bytes, start: Calibration, description: EngineDescription) -> Look:
    """Look for the learning set-up in a recording."""
    drive = Drive(data, start)
    if not len(drive.samples):
        return Look([], [], ["anything: it holds no sample of a running engine"])
    look = Look([], [], [])
    _look_at_target(drive, look)
    switching = description.method.is_switching
    for name in SWITCHING_OFF if switching else WIDEBAND_OFF:
        _look_at_function(name, drive, start.settings.get(name), look)
    if switching:
        look.not_looked_for.append(f"{WORDS[SPARK_RETARD]}: samples do not carry it")
    return look


def _look_at_target(drive: Drive, look: Look) -> None:
    word = "target table"
    if drive.expected is None:
        look.not_looked_for.append(f"{word}: the job does not know the original one")
    elif not np.isfinite(drive.commanded).any():
        look.not_looked_for.append(f"{word}: the device does not tell the commanded lambda")
    elif not drive.target_varies():
        look.not_looked_for.append(f"{word}: the original one hardly varies on this ground")
    else:
        look.looked_for.append(word)
    if drive.target_is_flat():
        look.signs.append(
            f"the target stayed flat at lambda {float(np.nanmedian(drive.commanded)):.3f} on "
            "ground where the original table varies: the learning target is still in."
        )


def _look_at_function(name: str, drive: Drive, was_on: float | None, look: Look) -> None:
    word = WORDS[name]
    if name not in FLAGS:
        look.not_looked_for.append(f"{word}: samples do not show it")
    elif was_on is None:
        look.not_looked_for.append(f"{word}: the job does not know whether it was on")
    elif not was_on:
        look.not_looked_for.append(f"{word}: it was off at the start")
    elif drive.flag_seen(name):
        look.looked_for.append(word)
    elif not drive.chances(name):
        look.not_looked_for.append(f"{word}: the drive did not call for it")
    else:
        look.looked_for.append(word)
        look.signs.append(
            f"{word} never acted, though this drive called for it: it seems to be switched off "
            "still."
        )


def missing_setup(data: bytes, start: Calibration, description: EngineDescription) -> list[str]:
    """Return what shows that the learning set-up is not in while learning, a line each."""
    drive = Drive(data, start)
    if not len(drive.samples):
        return []
    lines = []
    low, high = np.nanpercentile(drive.commanded, [1.0, 99.0])
    if high - low > VARIED:
        lines.append(
            f"the target ran from lambda {low:.2f} to {high:.2f}: it is not the flat one of the "
            "set-up sheet."
        )
    switching = description.method.is_switching
    for name in SWITCHING_OFF if switching else WIDEBAND_OFF:
        if name in FLAGS and drive.flag_seen(name):
            lines.append(f"{WORDS[name]} acted: it is not switched off as the sheet says.")
    return lines


def drive_lines(data: bytes, start: Calibration) -> list[str]:
    """Return how a drive with everything back on followed the original target table."""
    drive = Drive(data, start)
    s = drive.samples
    agrees = drive.target_agrees()
    if agrees != agrees:
        return []
    lines = [f"Commanded lambda was that of the original target table in {agrees:.0%} of the time."]
    disturbed = wire.FUEL_CUT | wire.ACCELERATION_ENRICHMENT | wire.DECELERATION_ENLEANMENT
    calm = (s["flags"] & (disturbed | wire.POWER_ENRICHMENT | wire.WARM_UP_ENRICHMENT)) == 0
    ready = s["sensor_state"] == wire.SENSOR_READY
    for bank in range(s["measured_lambda"].shape[1]):
        use = calm & ready[:, bank] & (s["measured_lambda"][:, bank] > 0.0)
        if use.sum() < 50 or drive.expected is None:
            continue
        ratio = s["measured_lambda"][use, bank] / drive.expected[use] - 1.0
        lines.append(
            f"Bank {bank + 1}: measured lambda against the original target, median "
            f"{100.0 * float(np.median(ratio)):+.1f} %, half of it within "
            f"{100.0 * float(np.median(np.abs(ratio))):.1f} %."
        )
    return lines
