"""Made-up drives for the tests of plots."""

import numpy as np

from breathmap.learner.core.gates import PRESSURE_MOVING, THROTTLE_MOVING
from breathmap.tools.plot.drive import Alarm, BankLines, Drive


def made_up_drive(title: str, count: int, banks: tuple[str, ...] = ("left", "right")) -> Drive:
    """Return an invented drive of so many samples, 50 a second: a ramp of speed with one peak of
    8000 rpm in its middle, a tenth of it refused, one alarm after 2 s."""
    random = np.random.default_rng(1)
    time_s = np.arange(count) / 50.0
    speed_rpm = np.linspace(1000.0, 5000.0, count) + random.normal(0.0, 5.0, count)
    speed_rpm[count // 2] = 8000.0
    verdicts = np.zeros(count, dtype=np.int32)
    verdicts[: count // 10] = PRESSURE_MOVING | THROTTLE_MOVING
    lines = [
        BankLines(
            bank,
            0.9 + random.normal(0.0, 0.01, count),
            np.full(count, 0.9) + 1e-4 * random.normal(size=count),
            np.full(count, 0.004),
            np.full(count, 0.95),
            verdicts,
        )
        for bank in banks
    ]
    load = 60.0 + random.normal(0.0, 0.5, count)
    alarm = Alarm(2.0, 3.0, f"lean under load, bank {banks[0]}", f"at 0:02 on {title}")
    parts = [(0.0, f"{title}-1"), (time_s[-1] / 2.0, f"{title}-2")]
    return Drive(title, time_s, speed_rpm, load, "kPa", lines, [alarm], parts)
