"""What the live view costs, and how soon an alarm is seen: measured on the simulated bench.

The bench streams over a loopback TCP port at 50 Hz in real time; the view runs with its real
screens in a terminal that Textual's test driver stands in for. Printed: the time from receiving the
frame that confirms an alarm until its banner has been drawn, for several alarms, and the share of
one core that the whole program (learner, view, solving) takes.

    python -m breathmap.tools.bench.view [--seconds 40] [--rate 50]
"""

import argparse
import asyncio
import statistics
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path

from breathmap.learner.core.alarms import AlarmLimits
from breathmap.protocol.wire.sample import Sample
from breathmap.simulator.drives import RoadRide
from breathmap.simulator.run import simulate
from breathmap.simulator.service import FrameStream, Service
from breathmap.tools.base.port import Stop, open_port
from breathmap.tools.demo.teaching_bench import college_bench, college_description
from breathmap.tools.run.session import Session
from breathmap.tools.run.sources import PortSource
from breathmap.tools.view.app import View
from breathmap.tools.view.source import Notes, Source
from breathmap.tools.view.state import Knowing, Watch

ALARM_EVERY_S = 5.0
HOT_FOR_S = 1.0
BAUD = 115200


def heated(samples: Iterator[Sample]) -> Iterator[Sample]:
    """Let the coolant read far too hot for a second, again and again."""
    for sample in samples:
        if sample.time_us * 1e-6 % ALARM_EVERY_S > ALARM_EVERY_S - HOT_FOR_S:
            sample.coolant_c = AlarmLimits().coolant_max_c + 5.0
        yield sample


async def measure(url: str, seconds: float, folder: Path) -> tuple[list[float], float]:
    """Run the view for so long; return the banners' latencies (s) and the CPU share."""
    parameters, controller = college_bench()
    tables = [controller.read_ve(bank) for bank in range(parameters.banks)]
    session = Session(college_description(parameters, "wideband"), tables)
    lock, watch, stop = threading.Lock(), Watch(session), Stop()
    port = open_port(url, BAUD)
    device = PortSource(port, url, folder, seconds, BAUD)
    source = Source(session, watch, lock, stop, lambda seen: device.read(session, stop, seen))
    notes = Notes(folder)
    view = View(source, watch, Knowing(session, watch, lock), notes, lock)
    latencies: list[float] = []
    received: list[float] = []
    hand_over = session.feed

    def feed(data: bytes) -> None:
        before = watch.alarms.worst()
        now = time.monotonic()
        hand_over(data)
        if before < 0 <= watch.alarms.worst():
            received.append(now)

    session.feed = feed  # type: ignore[method-assign]
    async with view.run_test(size=(120, 40)) as pilot:
        await pilot.press("enter")
        began, cpu = time.monotonic(), time.process_time()
        while time.monotonic() - began < seconds:
            await asyncio.sleep(0.01)
            if received and view.banner_at is not None:
                latencies.append(view.banner_at - received.pop())
                await asyncio.sleep(1.5)
                await pilot.press("a")
        share = (time.process_time() - cpu) / (time.monotonic() - began)
        await pilot.press("q")
    stop.asked = True
    source.join()
    port.close()
    return latencies, share


def main(arguments: list[str] | None = None) -> int:
    """Print what was measured; exit code 1 when it is more than promised."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--seconds", type=float, default=40.0, help="how long")
    parser.add_argument("--rate", type=float, default=50.0, help="samples a second")
    parser.add_argument("--serve", action="store_true", help=argparse.SUPPRESS)
    asked = parser.parse_args(arguments)
    if asked.serve:
        return serve(asked.seconds, asked.rate)
    import subprocess

    command = [sys.executable, "-m", "breathmap.tools.bench.view", "--serve"]
    command += ["--seconds", str(asked.seconds + 5.0), "--rate", str(asked.rate)]
    # A process of its own, so that the simulated engine's work is not counted.
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as server:
        assert server.stdout is not None
        url = server.stdout.readline().strip()
        with tempfile.TemporaryDirectory() as folder:
            latencies, share = asyncio.run(measure(url, asked.seconds, Path(folder)))
        server.terminate()
    if not latencies:
        print("no alarm was seen")
        return 1
    worst = 1e3 * max(latencies)
    print(
        f"frame received to banner drawn: {len(latencies)} alarms, median "
        f"{1e3 * statistics.median(latencies):.0f} ms, worst {worst:.0f} ms (wanted: under 200)"
    )
    print(f"CPU at {asked.rate:g} Hz: {100 * share:.0f} % of one core (wanted: below 25)")
    return 0 if worst < 200.0 and share < 0.25 else 1


def serve(seconds: float, rate_hz: float) -> int:
    """Be the device: print the port's URL, then stream in real time."""
    parameters, controller = college_bench()
    samples = simulate(parameters, controller, RoadRide(seconds, 1), 1, rate_hz, reuse=True)
    stream = FrameStream(heated(samples), parameters.banks, None, rate_hz, "bench")
    with Service(stream, "tcp", 1.0) as service:
        print(service.url, flush=True)
        time.sleep(seconds)
    return 0


if __name__ == "__main__":
    sys.exit(main())
