"""What the job's tests share: a controller on a port, with or without an engine running."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from protocol.calibration import Calibration
from simulator.control_server import ControlServer, calibration_of, put_into
from simulator.controller import Controller
from simulator.drives import Drive
from simulator.faults import Cable
from simulator.parameters import EngineParameters
from simulator.run import bench, simulate
from simulator.service import FrameStream, Service, standing_times
from simulator.settings import normal_setup


@contextmanager
def standing(server: ControlServer, kind: str = "tcp", cable: Cable | None = None) -> Iterator[str]:
    """Serve a controller whose engine stands still; yields the port's URL."""
    stream = FrameStream(standing_times(), server.calibration.banks, control=server)
    with Service(stream, kind, 1.0, cable, hear=server.feed) as service:
        yield service.url


class Twin:
    """The college's twin with its controller, set up for use, and what serves them."""

    def __init__(self, method: str = "wideband", truth: str = "grid", rms: float = 0.08) -> None:
        self.parameters: EngineParameters
        self.controller: Controller
        self.parameters, self.controller = bench(method, truth, seed=1, rms=rms)
        self.controller.write_settings(normal_setup(self.controller.axes, method))
        self.server = self._serve()

    def _serve(self) -> ControlServer:
        controller = self.controller

        def in_force(calibration: Calibration) -> None:
            put_into(controller, calibration)

        return ControlServer(calibration_of(controller), in_force)

    def standing(self, kind: str = "tcp") -> "Callable[[], Iterator[str]]":
        """Serve the controller alone."""
        return standing(self.server, kind)

    @contextmanager
    def driving(self, drive: Drive, seed: int = 1, kind: str = "tcp") -> Iterator[str]:
        """Serve a drive, as fast as the reader takes it; yields the port's URL."""
        samples = simulate(self.parameters, self.controller, drive, seed, reuse=True)
        stream = FrameStream(samples, self.parameters.banks, control=self.server)
        with Service(stream, kind, None, hear=self.server.feed) as service:
            yield service.url
