"""The simulated bench as a device: over a port, or into a recording file.

Turns the words of the command line into a drive, faults and tables, and reports in one line what it
does not understand.
"""

import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Protocol

from breathmap.learner.words.csv_text import separator_of
from breathmap.learner.words.description import EngineDescription
from breathmap.protocol.host.calibration import Calibration
from breathmap.protocol.wire.sample import Sample
from breathmap.simulator.control_server import ControlServer, calibration_of, put_into
from breathmap.simulator.controller import Controller
from breathmap.simulator.drives import (
    WLTC,
    Altitude,
    BrakeSweep,
    Chain,
    Drive,
    HotSoak,
    Idle,
    RoadRide,
    schedule,
)
from breathmap.simulator.faults import FAULTS, Cable, Fault, fault
from breathmap.simulator.parameters import TWIN_AXES, EngineParameters
from breathmap.simulator.run import TruthTrace, simulate
from breathmap.simulator.service import FrameStream, Service, standing_times
from breathmap.simulator.settings import normal_setup
from breathmap.tools.base.disk import errors_about, new_file, settle, why
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.files import Sheet, read_table, read_text, rows_in
from breathmap.tools.base.port import Stop
from breathmap.tools.base.screen import Screen
from breathmap.tools.demo.teaching_bench import BANKS, college_bench, college_description
from breathmap.tools.job.calibration import calibration_files, read_calibration
from breathmap.tools.job.folder import save_folder
from breathmap.tools.logs.export import KINDS, export_recording

PORT_LINE = "port: "
# Not a drive: switched on, engine not running.
STANDING = "standing"
SETUPS = ("learning", "normal")
LOOK_EVERY_S = 0.1

# name -> (what it is, from minutes and seed to a drive)
DRIVES: dict[str, tuple[str, Callable[[float, int], Drive]]] = {
    "road": (
        "a rider in town, country and on fast road, for --minutes",
        lambda minutes, seed: RoadRide(60.0 * minutes, seed),
    ),
    "brake": (
        "an engine brake, point by point over speed and load, 7 minutes",
        lambda minutes, seed: BrakeSweep(),
    ),
    "ramp": (
        "the same, moving from point to point, 7 minutes",
        lambda minutes, seed: BrakeSweep(mode="ramp"),
    ),
    "european": (
        "the speed schedule of UN Regulation No. 83, 20 minutes",
        lambda minutes, seed: schedule("european"),
    ),
    "idle": ("idling, for --minutes", lambda minutes, seed: Idle(60.0 * minutes)),
    "altitude": (
        "a road to 2,000 m and back, for --minutes",
        lambda minutes, seed: Altitude(RoadRide(60.0 * minutes, seed)),
    ),
    "soak": ("switched off hot, started again, 5 minutes", lambda minutes, seed: HotSoak()),
}


def _published(name: str) -> Callable[[float, int], Drive]:
    return lambda minutes, seed: schedule(name)


for _name in WLTC:
    DRIVES[_name] = ("a WLTC schedule, if the package wltp is there", _published(_name))

Watched = Callable[[Iterator[Sample]], Iterator[Sample]]


@dataclass(frozen=True)
class Order:
    """What is to be simulated. tables: CSV files, one per bank, in place of the starting tables.

    setup: how the controller is set up, "learning" or "normal". memory: folder that keeps what the
    controller holds from one run to the next; when it is there, it goes before setup and tables.
    """

    drive: str = "road"
    minutes: float = 30.0
    seed: int = 1
    faults: str = ""
    rate_hz: float = 25.0
    truth: str = "continuous"
    sensor: str = "wideband"
    tables: tuple[Path, ...] = ()
    setup: str = "learning"
    memory: Path | None = None


@dataclass(frozen=True)
class Bench:
    """An order made ready to run. drive: None while the engine stands still. trace: what nobody at
    the bench sees, filled where it is wanted."""

    parameters: EngineParameters
    controller: Controller
    drive: Drive | None
    faults: list[Fault]
    order: Order
    server: ControlServer
    trace: TruthTrace | None = None

    def stream(self, watched: Watched | None = None) -> FrameStream:
        """Return the frames of one run. watched: is given its samples, and passes them on."""
        rate_hz = self.order.rate_hz
        if self.drive is None:
            return FrameStream(
                standing_times(), self.parameters.banks, None, rate_hz, control=self.server
            )
        samples = simulate(
            self.parameters,
            self.controller,
            self.drive,
            self.order.seed,
            rate_hz,
            self.faults,
            self.trace,
            reuse=True,
        )
        if watched is not None:
            samples = watched(samples)
        return FrameStream(samples, self.parameters.banks, None, rate_hz, control=self.server)

    def cable(self) -> Cable:
        """Return the cable, as bad as the faults say."""
        return Cable(self.faults, self.order.seed)


def prepare(order: Order) -> Bench:
    """Return the bench that an order asks for; UserError names what is not understood."""
    try:
        parameters, controller = college_bench(order.truth, order.sensor)
        faults = parse_faults(order.faults)
        drive = None
        if order.drive != STANDING:
            drive = parse_drive(order.drive, order.minutes, order.seed)
        if order.setup not in SETUPS:
            raise UserError(f"--setup must be {' or '.join(SETUPS)}, got {order.setup}")
        if order.setup == "normal":
            controller.write_settings(normal_setup(TWIN_AXES, order.sensor))
        if not 0.1 <= order.rate_hz <= 1000.0:
            raise UserError(f"--rate must be 0.1 to 1000 Hz, got {order.rate_hz:g}")
        if order.tables:
            put_tables(controller, order.tables)
    except ValueError as error:
        raise UserError(error) from None
    server = server_of(parameters, controller, order)
    return Bench(parameters, controller, drive, faults, order, server)


def server_of(
    parameters: EngineParameters, controller: Controller, order: Order, writes_axes: bool = True
) -> ControlServer:
    """Return what answers for the controller, with its memory if it has one. writes_axes: whether
    it takes other axes over the wire."""
    memory = order.memory
    description = college_description(parameters, order.sensor)
    mark = ""
    if memory is not None:
        with errors_about(memory):
            settle(memory)
    if memory is not None and memory.exists():
        try:
            kept = read_calibration(memory, on_axes_in(memory, description))
            put_into(controller, kept)
            mark = kept.mark or ""
        except ValueError as error:
            raise UserError(f"{memory}: {error}") from None

    def in_force(new: Calibration) -> None:
        put_into(controller, new)
        if memory is not None:
            save_folder(memory, calibration_files(new, _on(description, new.speed_rpm, new.load)))

    held = replace(calibration_of(controller), mark=mark)
    if memory is not None and not memory.exists():
        save_folder(memory, calibration_files(held, description))
    return ControlServer(held, in_force, "college bench", order.rate_hz, writes_axes=writes_axes)


def on_axes_in(memory: Path, description: EngineDescription) -> EngineDescription:
    """Return the description on the axes that a controller's memory was kept with: those that the
    header of its first table names."""
    path = memory / f"{description.bank[0].name}.csv"
    text = read_text(path, "table (CSV)")
    sheet = Sheet(path, rows_in(path, text), separator_of(text))
    return _on(description, sheet.speed_rpm, sheet.load)


def _on(
    description: EngineDescription, speed_rpm: Sequence[float], load: Sequence[float]
) -> EngineDescription:
    axes = {"speed_rpm": list(speed_rpm), "load": list(load)}
    return description.model_copy(update={"axes": description.axes.model_copy(update=axes)})


def put_tables(controller: Controller, tables: tuple[Path, ...]) -> None:
    """Store CSV tables in the controller, one per bank."""
    if len(tables) != len(BANKS):
        raise UserError(
            f"--tables needs {len(BANKS)} files, for {' and '.join(BANKS)}; got {len(tables)}"
        )
    for bank, path in enumerate(tables):
        cells = read_table(path, TWIN_AXES.speed_rpm, TWIN_AXES.load_kpa)
        try:
            controller.write_ve(bank, cells)
        except ValueError as error:
            raise UserError(f"{path}: {error}") from None


def parse_drive(text: str, minutes: float, seed: int) -> Drive:
    """Return the drive that comma-separated names ask for, one after another."""
    names = [name.strip() for name in text.split(",")]
    for name in names:
        if name not in DRIVES:
            raise UserError(f"there is no drive {name!r}; there are {', '.join(DRIVES)}")
    drives = [DRIVES[name][1](minutes, seed + place) for place, name in enumerate(names)]
    return drives[0] if len(drives) == 1 else Chain(*drives)


def parse_faults(text: str) -> list[Fault]:
    """Return the faults of a comma-separated list of NAME, NAME=SIZE or NAME=SIZE@BANK."""
    return [_parse_fault(part.strip()) for part in text.split(",") if part.strip()]


def _parse_fault(text: str) -> Fault:
    head, _, bank_text = text.partition("@")
    name, _, size_text = head.partition("=")
    try:
        size = float(size_text) if size_text else None
    except ValueError:
        raise UserError(f"fault {name}: {size_text!r} is not a number") from None
    if name not in FAULTS:
        raise UserError(f"there is no fault {name!r}; there are {', '.join(FAULTS)}")
    bank = 0
    if bank_text:
        if bank_text not in BANKS:
            raise UserError(f"fault {name}: there is no bank {bank_text!r}; {' or '.join(BANKS)}")
        if not FAULTS[name].per_bank:
            raise UserError(f"fault {name} belongs to no bank; leave @{bank_text} out")
        bank = BANKS.index(bank_text)
    return fault(name, size, bank)


def parse_speed(text: str) -> float | None:
    """Return a multiple of real time, None for "max"."""
    if text == "max":
        return None
    try:
        speed = float(text)
    except ValueError:
        speed = 0.0
    if not 0.0 < speed < 1e6:
        raise UserError(f"--speed-up must be a number above 0, or max; got {text}")
    return speed


def frames_on_cable(bench: Bench) -> Iterator[tuple[float, bytes]]:
    """Yield (time in s, bytes that arrive) of one run."""
    cable = bench.cable()
    for time_us, frame in bench.stream():
        yield time_us / 1e6, cable.carry(frame, time_us / 1e6)


def write_recording(bench: Bench, out: Path, screen: Screen) -> int:
    """Write one run into a recording file that must not exist; return its size in bytes."""
    size = 0
    if bench.drive is None:
        raise UserError("a standing engine gives no recording: leave --out, or name a drive")
    try:
        with Stop() as stop, new_file(out) as file, screen.progress("simulating") as bar:
            for number, (time_s, data) in enumerate(frames_on_cable(bench)):
                file.write(data)
                size += len(data)
                if number % 500 == 0:
                    bar.update(time_s / bench.drive.duration_s)
                if stop.asked:
                    screen.say("Stopped as asked; the recording holds what there was until then.")
                    break
    except FileExistsError:
        raise UserError(f"{out} exists; a recording is never overwritten: give another") from None
    except OSError as error:
        raise UserError(f"{out}: cannot be written: {why(error)}") from None
    return size


def write_drive(bench: Bench, out: Path, screen: Screen) -> None:
    """Write a simulated drive into a new file: a recording or, by its suffix, a log."""
    if out.suffix not in KINDS.values():
        size = write_recording(bench, out, screen)
        screen.say(f"{out}: {size:,} bytes, a recording of invented data.")
        screen.result({"recording": str(out), "bytes": size, "invented": True})
        return
    with TemporaryDirectory(prefix="breathmap-") as folder:
        recording = Path(folder) / out.with_suffix(".bin").name
        write_recording(bench, recording, screen)
        rows = export_recording(recording, out.suffix[1:], out)
    screen.say(f"{out}: {rows:,} rows of invented data.")
    screen.result({"log": str(out), "rows": rows, "invented": True})


@contextmanager
def serving(bench: Bench, kind: str | None, speed: float | None) -> Iterator[str]:
    """Serve one run over a port in the background; yields the port's URL."""
    if bench.drive is None:
        speed = 1.0  # nothing happens that could be hurried
    with Service(bench.stream(), kind, speed, bench.cable(), hear=bench.server.feed) as service:
        yield service.url


class Onlooker(Protocol):
    """Looks on while an engine is served."""

    def watched(self, samples: Iterator[Sample]) -> Iterator[Sample]: ...
    def look(self, has_reader: bool) -> None: ...
    def over(self, bytes_sent: int) -> None: ...


def serve(
    bench: Bench,
    kind: str | None,
    tcp_port: int,
    speed: float | None,
    screen: Screen,
    onlooker: Onlooker | None = None,
) -> None:
    """Serve one run over a port; returns when the drive is over and read, or on Ctrl-C."""
    if bench.drive is None:
        speed = 1.0  # nothing happens that could be hurried
    stream = bench.stream(None if onlooker is None else onlooker.watched)
    try:
        service = Service(stream, kind, speed, bench.cable(), tcp_port, bench.server.feed)
    except (OSError, ValueError) as error:
        raise UserError(f"no port can be opened: {error}") from None
    with Stop() as stop, service:
        screen.say(f"{PORT_LINE}{service.url}")
        minutes = None if bench.drive is None else bench.drive.duration_s / 60.0
        # At once: whoever reads it wants to open the port.
        if screen.result({"port": service.url, "minutes": minutes, "invented": True}):
            sys.stdout.flush()
        if minutes is None:
            screen.say("The engine stands still; its controller can be read and written.")
            screen.say("Ctrl-C ends.")
        else:
            screen.say(f"The drive takes {minutes:.1f} minutes of engine time.")
            screen.say("It starts when a reader opens the port. Ctrl-C ends.")
        screen.flush()
        began = time.monotonic()
        with screen.status() as status:
            while not service.wait(LOOK_EVERY_S) and not stop.asked:
                elapsed = time.monotonic() - began
                status.update(f"{service.bytes_sent:,} bytes sent in {elapsed:.0f} s")
                if onlooker is not None:
                    onlooker.look(bool(service.readers))
    if onlooker is not None:
        onlooker.over(service.bytes_sent)
    screen.say(f"Ended; {service.bytes_sent:,} bytes sent.")
