"""What the job's tests share: controllers on ports, an engine to drive, recordings made up."""

import random
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from math import exp
from pathlib import Path
from unittest import mock

from breathmap.learner.causes.diagnose import Diagnosis
from breathmap.learner.causes.since import Earlier
from breathmap.learner.exact.solve import Solution
from breathmap.learner.words.description_text import annotated_example
from breathmap.protocol.host.calibration import Calibration
from breathmap.protocol.wire.fields import SENSOR_READY
from breathmap.protocol.wire.sample import Sample
from breathmap.simulator.control_server import ControlServer, calibration_of, put_into
from breathmap.simulator.drives import BrakeSweep, Drive
from breathmap.simulator.faults import Cable
from breathmap.simulator.run import bench, simulate
from breathmap.simulator.service import FrameStream, Service, standing_times
from breathmap.simulator.settings import learning_setup, normal_setup
from breathmap.simulator.table import Axes, Table
from breathmap.tools.job.calibration import calibration_files
from breathmap.tools.job.new import Origin, described
from breathmap.tools.run.session import Session

# Small and not uniform, so that tests are quick.
SMALL = Axes((1000, 1700, 2600, 3600, 5000, 7500), (20, 32, 45, 60, 80, 105))

# Few breakpoints, so that a smooth truth does not fit between them, and a minute on the brake.
COARSE = Axes((1000, 2600, 4200, 5800, 7500), (20, 50, 75, 105))
SWEEP = BrakeSweep((1300, 2100, 3000, 3900, 4800, 5800, 6900), (28, 42, 56, 72, 92), 2.0)


@contextmanager
def standing(server: ControlServer, kind: str = "tcp", cable: Cable | None = None) -> Iterator[str]:
    """Serve a controller whose engine stands still; yields the port's URL."""
    stream = FrameStream(standing_times(), server.calibration.banks, control=server)
    with Service(stream, kind, 5.0, cable, hear=server.feed) as service:
        yield service.url


class Twin:
    """The college's twin with its controller, set up for use, and what serves them."""

    def __init__(
        self,
        method: str = "wideband",
        displacement_cm3: float = 689.0,
        axes: Axes = SMALL,
        truth: str = "grid",
    ) -> None:
        self.parameters, self.controller = bench(method, truth, seed=1, rms=0.06, axes=axes)
        controller = self.controller
        controller.write_settings(normal_setup(axes, method))
        factor = controller.displacement_cm3 / displacement_cm3
        for bank in range(2):
            cells = [min(102.0, cell * factor) for cell in controller.read_ve(bank)]
            controller.write_ve(bank, cells)
        controller.write_displacement(displacement_cm3)
        self.server = ControlServer(
            calibration_of(controller), lambda new: put_into(controller, new)
        )

    @contextmanager
    def standing(self, kind: str = "tcp") -> Iterator[str]:
        """Serve the controller alone."""
        with standing(self.server, kind) as url:
            yield url

    @contextmanager
    def driving(
        self, drive: Drive, seed: int = 1, kind: str = "tcp", at_once: bool = False
    ) -> Iterator[str]:
        """Serve a drive, as fast as the reader takes it; yields the port's URL. It sets off for the
        second who opens the port and asks nothing: a command reads the controller first, by an
        opening of its own, and may take long over what it read. at_once: for the first, and at
        twenty times real time, so that it is not over before a busy reader has asked."""
        asking: set[int] = set()
        since_s = [time.monotonic()]

        def hear(data: bytes) -> None:
            asking.add(service.readers)
            since_s[0] = time.monotonic()
            self.server.feed(data)

        def has_set_off() -> bool:
            # A pseudo-terminal that is closed and opened again between two looks is one reader.
            is_second = service.readers > 1 and service.readers not in asking
            return time.monotonic() - since_s[0] > (0.6 if is_second else 10.0)

        def standing_first() -> Iterator[Sample | int]:
            # Its clock goes on, so that it says again who it is.
            now_us, readers = 0, 0
            while not at_once and (readers != service.readers or not has_set_off()):
                if readers != service.readers:
                    readers, since_s[0] = service.readers, time.monotonic()
                time.sleep(0.001)
                now_us += 20_000
                yield now_us
            for sample in simulate(self.parameters, self.controller, drive, seed, reuse=True):
                sample.time_us += now_us
                yield sample

        stream = FrameStream(standing_first(), 2, control=self.server)
        service = Service(stream, kind, 20.0 if at_once else None, hear=hear)
        with service:
            yield service.url

    def errors_pct(self, bank: int, cells_pct: Sequence[float] | None = None) -> list[float]:
        """Return VE x displacement against the truth, cell by cell, per cent; by default of the
        table in the controller."""
        truth = self.parameters.truth
        points = [(n, p) for p in SMALL.load_kpa for n in SMALL.speed_rpm]
        factor = self.controller.displacement_cm3 / self.parameters.displacement_cm3
        return [
            100.0 * (cell * factor / truth.ve_pct(bank, n, p) - 1.0)
            for cell, (n, p) in zip(cells_pct or self.controller.read_ve(bank), points, strict=True)
        ]


def made_up_calibration(
    banks: int, speeds: int, loads: int, load_axis: str = "throttle_pct", seed: int = 1
) -> Calibration:
    """Return an invented calibration on axes that are not uniform."""
    rng = random.Random(seed)
    speed_rpm = tuple(round(800 * 11 ** (k / (speeds - 1))) * 1.0 for k in range(speeds))
    load = tuple(round(2 + 98 * (k / (loads - 1)) ** 1.7, 1) for k in range(loads))
    size = speeds * loads
    return Calibration(
        load_axis,
        speed_rpm,
        load,
        tuple(
            tuple(round(0.4 * rng.randrange(110, 236), 1) for _ in range(size))
            for _ in range(banks)
        ),
        1998.5,
        tuple(round(0.005 * rng.randrange(170, 201), 3) for _ in range(size)),
        {"acceleration_enrichment": 1.0, "closed_loop": 1.0, "rev_limiter": 1.0},
    )


def made_up_ride(
    calibration: Calibration, error: Sequence[float], points: int = 30, seed: int = 1
) -> bytes:
    """Return a recording of an engine whose true VE is each bank's table times 1 + error, held for
    three seconds at each of some random points, flat target, 1 % noise."""
    rng = random.Random(seed)
    axes = Axes(calibration.speed_rpm, calibration.load)
    tables = [Table(axes, list(cells)) for cells in calibration.ve_pct]

    def samples() -> Iterator[Sample]:
        time_us = 0
        sample = Sample(calibration.banks)
        speed_rpm, load = 3000.0, 20.0
        for _ in range(points):
            wanted = rng.uniform(*axes.speed_rpm[:: len(axes.speed_rpm) - 1])
            wanted_load = rng.uniform(*axes.load_kpa[:: len(axes.load_kpa) - 1])
            for _ in range(100):
                step = 1.0 - exp(-0.04 / 0.3)
                speed_rpm += step * (wanted - speed_rpm)
                load += step * (wanted_load - load)
                time_us += 40_000
                sample.time_us = time_us
                sample.speed_rpm, sample.map_kpa, sample.throttle_pct = speed_rpm, 60.0, load
                if calibration.load_axis == "map_kpa":
                    sample.map_kpa, sample.throttle_pct = load, 20.0
                sample.coolant_c, sample.intake_c, sample.battery_v = 85.0, 25.0, 13.8
                sample.target_lambda = 0.89
                for bank, table in enumerate(tables):
                    value = table.value(speed_rpm, load)
                    true = value * (1.0 + error[bank])
                    sample.measured_lambda[bank] = 0.89 * true / value * rng.gauss(1.0, 0.01)
                    sample.sensor_state[bank] = SENSOR_READY
                yield sample

    stream = FrameStream(samples(), calibration.banks, control=ControlServer(calibration))
    return b"".join(frame for _, frame in stream)


def engine_files(folder: Path, calibration: Calibration | None = None) -> Path:
    """Write an invented engine with its tables and a ride; return the description's path."""
    calibration = calibration or made_up_calibration(1, 4, 4)
    description = described(Origin(), calibration)
    folder.mkdir(parents=True)
    (folder / "engine.toml").write_text(annotated_example(description))
    for name, text in calibration_files(calibration, description).items():
        (folder / name).write_text(text)
    ride = made_up_ride(calibration, [0.05] * calibration.banks, 25)
    (folder / "ride.bin").write_bytes(ride)
    return folder / "engine.toml"


def coarse_ride(folder: Path, seed: int) -> tuple[Path, Path]:
    """Write the twin's engine on few breakpoints and a minute of brake, set up for learning; return
    the description's path and the recording's."""
    twin = Twin(axes=COARSE, truth="continuous")
    twin.controller.write_settings(learning_setup("wideband"))
    engine = engine_files(folder / "bench", calibration_of(twin.controller))
    ride = folder / "ride-on-the-brake.bin"
    samples = simulate(twin.parameters, twin.controller, SWEEP, seed, reuse=True)
    ride.write_bytes(b"".join(frame for _, frame in FrameStream(samples, 2, control=twin.server)))
    return engine, ride


@contextmanager
def diagnosed_once() -> Iterator[None]:
    """Within, causes are looked for once only, for tests of one healthy ride that are about other
    things."""
    found: list[Diagnosis] = []
    real = Session.diagnose

    def diagnose(
        session: Session,
        earlier: Earlier | None = None,
        solutions: Sequence[Solution] | None = None,
    ) -> Diagnosis:
        if not found:
            found.append(real(session, earlier, solutions))
        return found[0]

    with mock.patch.object(Session, "diagnose", diagnose):
        yield
