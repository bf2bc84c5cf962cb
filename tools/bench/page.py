"""What the page costs with several viewers, and how soon they see: on the simulated bench.

The bench streams over a loopback TCP port at 50 Hz in real time; `learn` shows it on a page that
several viewers in a process of their own follow, ten snapshots a second. Printed: the share of one
core that the whole program (learner, page, solving) takes, and how long it takes from the making of
a snapshot until a viewer has it.

    python -m breathmap.tools.bench.page [--seconds 30] [--rate 50] [--viewers 8]
"""

import argparse
import json
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from urllib.parse import urlsplit

from breathmap.tools.base.port import Stop, open_port
from breathmap.tools.base.screen import Screen
from breathmap.tools.bench.view import BAUD
from breathmap.tools.demo.teaching_bench import college_bench, college_description
from breathmap.tools.page.address import take_address
from breathmap.tools.page.show import OnPage, Page
from breathmap.tools.run.observer import Observer
from breathmap.tools.run.session import Session
from breathmap.tools.run.sources import PortSource

SETTLE_S = 2.0
MOST_SHARE = 0.5


def measure(url: str, seconds: float, viewers: int, folder: Path) -> tuple[float, list[float]]:
    """Run for so long; return the CPU share, and of the viewers messages a second, bytes a second,
    median and worst age in ms."""
    parameters, controller = college_bench()
    tables = [controller.read_ve(bank) for bank in range(parameters.banks)]
    session = Session(college_description(parameters, "wideband"), tables)
    stop, screen = Stop(), Screen(quiet=True)
    device = PortSource(open_port(url, BAUD), url, folder, seconds, BAUD)
    share = float("nan")
    figures: list[float] = []

    def work(observer: Observer) -> None:
        device.read(session, stop, observer)

    def watch(link: str) -> None:
        nonlocal share
        command = [sys.executable, "-m", "breathmap.tools.bench.page", "--look", link]
        command += ["--viewers", str(viewers), "--seconds", str(seconds)]
        time.sleep(SETTLE_S)
        began, cpu = time.monotonic(), time.process_time()
        figures.extend(json.loads(subprocess.run(command, stdout=subprocess.PIPE).stdout))
        share = (time.process_time() - cpu) / (time.monotonic() - began)
        stop.asked = True

    with Page(take_address(port=0), screen) as page:
        watcher = threading.Thread(target=watch, args=(page.server.address.link,))
        watcher.start()
        OnPage(page, screen)(session, stop, folder, work)
        watcher.join()
    return share, figures


class Looker(threading.Thread):
    """One viewer: reads for so long and notes how old each message was."""

    def __init__(self, link: str, seconds: float) -> None:
        super().__init__()
        where = urlsplit(link)
        self._socket = socket.create_connection((where.hostname or "", where.port or 80))
        request = f"GET {where.path}events HTTP/1.1\r\nHost: {where.netloc}\r\n\r\n"
        self._socket.sendall(request.encode())
        self._seconds = seconds
        self.ages_ms: list[float] = []
        self.bytes = 0

    def run(self) -> None:
        """Read."""
        until = time.monotonic() + self._seconds
        with self._socket, self._socket.makefile("rb") as lines:
            while time.monotonic() < until and (line := lines.readline()):
                self.bytes += len(line)
                if line.startswith(b"data: "):
                    message = json.loads(line[6:])
                    now_ms = 1e3 * time.monotonic()
                    self.ages_ms.append(now_ms - message["clock_ms"] + message["age_ms"])


def look(link: str, viewers: int, seconds: float) -> int:
    """Be the viewers; print their figures as JSON."""
    lookers = [Looker(link, seconds) for _ in range(viewers)]
    for looker in lookers:
        looker.start()
    for looker in lookers:
        looker.join()
    ages = [age for looker in lookers for age in looker.ages_ms]
    count, size = len(ages), sum(looker.bytes for looker in lookers)
    each = viewers * seconds
    print(json.dumps([count / each, size / each, statistics.median(ages), max(ages)]))
    return 0


def main(arguments: list[str] | None = None) -> int:
    """Print what was measured; exit code 1 when it is more than promised."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--seconds", type=float, default=30.0, help="how long")
    parser.add_argument("--rate", type=float, default=50.0, help="samples a second")
    parser.add_argument("--viewers", type=int, default=8, help="how many look at once")
    parser.add_argument("--look", default="", help=argparse.SUPPRESS)
    asked = parser.parse_args(arguments)
    if asked.look:
        return look(asked.look, asked.viewers, asked.seconds)
    share, figures = one_run(asked.seconds, asked.rate, asked.viewers)
    per_s, bytes_per_s, median_ms, worst_ms = figures
    print(
        f"{asked.viewers} viewers at {per_s:.1f} snapshots a second each: {100 * share:.0f} % of "
        f"one core (wanted: below {100 * MOST_SHARE:.0f})"
    )
    print(
        f"{bytes_per_s / 1e3:.1f} kB/s a viewer; from the run's thread to the viewer: median "
        f"{median_ms:.0f} ms, worst {worst_ms:.0f} ms"
    )
    return 0 if share < MOST_SHARE else 1


def one_run(seconds: float, rate_hz: float, viewers: int) -> tuple[float, list[float]]:
    """Measure beside a device in a process of its own."""
    command = [sys.executable, "-m", "breathmap.tools.bench.view", "--serve"]
    command += ["--seconds", str(seconds + 30.0), "--rate", str(rate_hz)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as server:
        assert server.stdout is not None
        url = server.stdout.readline().strip()
        with tempfile.TemporaryDirectory() as folder:
            measured = measure(url, seconds, viewers, Path(folder))
        server.terminate()
    return measured


if __name__ == "__main__":
    sys.exit(main())
