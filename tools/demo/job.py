"""The calibration job from beginning to end on the simulated bench, as a part of the demo.

Every step is the one that the command of the same name takes; the controller is read and written
over a port, the engine is driven over a port. At the end, and only here, tables are compared with
the truth.
"""

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np

from breathmap.learner.decide.proposal import CHANGED, Rules
from breathmap.learner.words.description_text import annotated_example
from breathmap.simulator.parameters import TWIN_AXES
from breathmap.simulator.run import fuelling_error
from breathmap.tools.base.files import write_text
from breathmap.tools.base.screen import Screen, Table
from breathmap.tools.demo.accuracy import fresh_points
from breathmap.tools.demo.main import prepare_folder
from breathmap.tools.demo.simulating import Order, prepare, serving
from breathmap.tools.demo.teaching_bench import BANKS, college_description
from breathmap.tools.job.finish import finish_job
from breathmap.tools.job.folder import DESCRIPTION, Job
from breathmap.tools.job.new import Origin, make_job
from breathmap.tools.job.passes import accept_job, prepare_job
from breathmap.tools.job.propose import propose_job
from breathmap.tools.job.records import Checked, Finished
from breathmap.tools.job.runs import learn_job

PASSES = 2
BAUD = 115200
WAIT_S = 10.0
TARGET = 0.02


@contextmanager
def _port(order: Order) -> Iterator[str]:
    """Serve the bench as ordered; its controller remembers from one order to the next."""
    with serving(prepare(order), None, None) as url:
        yield url


def run_job_demo(out: Path, screen: Screen, minutes: float = 6.0, seed: int = 1) -> Job:
    """Run a job into `out`/job and say each step in a line; return the finished job."""
    prepare_folder(out)
    folder, memory = out / "job", out / "controller"
    screen.say("A whole calibration job on the college's simulated twin. All of it is invented.")
    for old in (folder, memory):
        shutil.rmtree(old, ignore_errors=True)
    still = Order(drive="standing", setup="normal", memory=memory, truth="grid")
    quiet = Screen(quiet=True)
    before = _errors(still)
    with _port(still) as url:
        origin = Origin(url, banks=BANKS, name="college bench (invented)", sensor="wideband")
        job = make_job(folder, origin, quiet)
        _measure_exhausts(job, still)
        screen.say("new: read the controller's tables, targets and switches over the port")
        with job.working():
            prepare_job(job, url, BAUD, quiet)
        screen.say("prepare: flat target and everything off, written and read back")
    for number in range(1, PASSES + 1):
        ride = Order(minutes=minutes, seed=seed + number, memory=memory, truth="grid")
        with _port(ride) as url, job.working():
            learn_job(job, url, BAUD, WAIT_S, True, quiet, give_up_s=0.0)
        with _port(still) as url, job.working():
            plan = propose_job(job, "", Rules(), TARGET, quiet)
            accept_job(job, url, BAUD, quiet)
        changed = ", ".join(f"{b.name} {b.proposal.counts()[CHANGED]}" for b in plan.banks)
        screen.say(f"pass {number}: {minutes:g} min learned, cells changed: {changed}; accepted")
    with _port(still) as url, job.working():
        finish_job(job, url, BAUD, quiet, "", never_prepared=False)
    finished = job.all_of(Finished)[-1]
    screen.say(
        f"finish: {finished.compared} fields compared with the start, {finished.differing} "
        "differ, all of them VE; the controller was read back"
    )
    ride = Order(minutes=2.0, seed=seed + 90, memory=memory, truth="grid")
    with _port(ride) as url, job.working():
        learn_job(job, url, BAUD, WAIT_S, False, quiet, give_up_s=0.0)
    signs = job.all_of(Checked)[-1].signs
    screen.say("check drive: " + ("; ".join(signs) or "no sign of the learning set-up"))
    screen.show(_table(before, _errors(still)))
    # Here, because drawing takes half a second to load.
    from breathmap.tools.report.write import write_report

    report, _ = write_report(folder)
    screen.say(f"report, to be opened in any browser: {report}")
    screen.say(job.closing_line()[0])
    screen.result({"job": str(folder), "table": job.table, "report": str(report)})
    return job


def _measure_exhausts(job: Job, order: Order) -> None:
    """Put into the description what a person with a tape measure would."""
    measured = college_description(prepare(order).parameters, order.sensor)
    own = job.description()
    banks = [
        mine.model_copy(update={"delay": theirs.delay})
        for mine, theirs in zip(own.bank, measured.bank, strict=True)
    ]
    text = annotated_example(own.model_copy(update={"bank": banks}), ("All of it is invented.",))
    write_text(job.folder / DESCRIPTION, text)


def _errors(order: Order) -> list[float]:
    """Return each bank's rms fuelling error over a fresh road ride, per cent."""
    bench = prepare(order)
    speed_rpm, map_kpa = fresh_points(bench.parameters, bench.controller, minutes=3.0)
    inside = speed_rpm <= TWIN_AXES.speed_rpm[-1]
    return [
        100.0
        * float(
            np.sqrt(
                np.mean(
                    fuelling_error(
                        bench.parameters.truth,
                        bank,
                        TWIN_AXES,
                        bench.controller.read_ve(bank),
                        speed_rpm[inside],
                        map_kpa[inside],
                    )
                    ** 2
                )
            )
        )
        for bank in range(len(BANKS))
    ]


def _table(before: list[float], after: list[float]) -> Table:
    table = Table(
        title="Fuelling error over a fresh ride, rms, ground learned or not", title_justify="left"
    )
    for heading in ("bank", "as it was", "after the job"):
        table.add_column(heading, justify="right")
    for name, old, new in zip(BANKS, before, after, strict=True):
        table.add_row(name, f"{old:.2f} %", f"{new:.2f} %")
    return table
