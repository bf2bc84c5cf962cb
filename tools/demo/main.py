"""The main job with no hardware: a simulated engine with wrong tables, learned live over a port.

The simulator runs in a process of its own and speaks over a pseudo-terminal (a loopback TCP port
on Windows); the learner knows of it only what comes through. At the end, and only here, tables are
compared with the truth. Done twice: with a truth that no table can hold, and with one that it can.
"""

import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path

from breathmap.simulator.controller import Controller
from breathmap.simulator.parameters import EngineParameters
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.files import make_folder, write_text
from breathmap.tools.base.screen import Screen, Table, share_of
from breathmap.tools.demo.accuracy import Accuracy, accuracy, covered_points, fresh_points
from breathmap.tools.demo.simulating import PORT_LINE
from breathmap.tools.demo.teaching_bench import college_bench, write_college
from breathmap.tools.run.learning import learn_live
from breathmap.tools.run.results import SUMMARY, Outcome
from breathmap.tools.run.summary_text import refusals_table

DRIVE = "european,brake,road"
TRUTHS = {
    "continuous": "true VE is smooth in speed and load, so no table holds it exactly",
    "grid": "true VE lies on the table's own grid, so a table can hold it exactly",
}
ADVISED = "advised axes"
MARK = "made-by-the-demo.txt"
MARK_TEXT = "This folder was made by breathmap's demo, which replaces it. All data is invented.\n"

OPENING = (
    "breathmap demo. Everything here is invented: the engine, its tables, its data.",
    "",
    "A college's teaching bench: a 689 cc parallel twin, two exhausts, two lambda sensors. "
    "Its VE tables are wrong by about 8 %. It is driven, simulated, at 25 samples a second: "
    "the schedule of UN Regulation No. 83 (20 min), a brake sweep (7 min), a road ride "
    "({minutes:g} min).",
)
CAUTIONS = (
    "With a real engine:",
    "- Learn on a brake or a closed road; whoever rides or drives looks at no screen.",
    "- A lean mixture destroys engines. First check fuel pressure, sensors and leaks; under load "
    "watch for knock and lean mixture, and stop at once.",
    "- Exhaust gas is deadly indoors (carbon monoxide): draw it off. Parts are hot and rotate.",
    "- Emission and road law, and who may do this work, are your country's: know them first.",
    "- While learning, transient and protective fuel corrections are off. Put every one "
    "back before the vehicle is used.",
    "- A proposal is a proposal: look at the standard errors and decisions before storing it.",
)


@dataclass(frozen=True)
class Comparison:
    """A bank's fuelling error before and after, over the same points."""

    truth: str
    bank: str
    before: Accuracy
    after: Accuracy


def run_demo(
    out: Path, screen: Screen, minutes: float = 30.0, seed: int = 1, axes: bool = False
) -> list[Comparison]:
    """Run everything into `out`, print as it goes, and return what was compared. axes: also what
    is left on the axes that the first recording advises."""
    began = time.monotonic()
    prepare_folder(out)
    for line in OPENING:
        screen.say(line.format(minutes=minutes))
    comparisons: list[Comparison] = []
    outcome = None
    for truth, text in TRUTHS.items():
        screen.say()
        screen.say(f"{truth}: {text}")
        parameters, controller = college_bench(truth)
        path = write_college(out / "engine", parameters, controller)
        folder = out / truth
        with simulated_port(truth, minutes, seed) as url:
            outcome = learn_live(path, url, folder, screen, give_up_s=0.0)
        screen.say(f"{outcome.summary.samples:,} samples learned; results in {folder}")
        comparisons += compare(truth, parameters, controller, outcome)
        if outcome.stopped:
            break
    else:
        if axes:
            comparisons = with_advised_axes(out, comparisons, screen)
    screen.say()
    screen.show(comparison_table(comparisons))
    if outcome is not None:
        screen.show(refused_briefly(outcome))
    for line in CAUTIONS:
        screen.say(line)
    screen.say()
    screen.say(f"Files are in {out}, for each truth: tables, summary.json, the recording.")
    report = _report(out, screen)
    if not axes:
        screen.say(
            "Which axes would fit better: breathmap axes; what they leave here: breathmap demo "
            "--axes, a minute more"
        )
    screen.say(f"Took {time.monotonic() - began:.0f} s. Next: breathmap --help")
    screen.result({"comparisons": [asdict(c) for c in comparisons], "report": report})
    return comparisons


def with_advised_axes(out: Path, comparisons: list[Comparison], screen: Screen) -> list[Comparison]:
    """Add what tables leave on the axes that the continuous truth's recording advises, over the
    same ground; where it advises none, say so."""
    # Here, because few ask for it and it loads much.
    from breathmap.tools.demo.axes import TRUTH, advised_in, made_of

    screen.say()
    screen.say(
        f"{ADVISED}: tables for the {TRUTH} truth on those that its recording would want; Ctrl-C "
        "skips that."
    )
    try:
        advised = advised_in(out, screen)
        found = made_of(out, advised, [advised.advice.best], screen)
    except UserError as trouble:
        screen.say(f"None can be advised: {trouble}")
        return comparisons
    except KeyboardInterrupt:
        screen.say("Skipped, as asked.")
        return comparisons
    before = [one for one in comparisons if one.truth == TRUTH]
    there = [
        Comparison(ADVISED, one.bank, one.before, Accuracy(made.rms, made.worst, one.after.covered))
        for one, (_, made) in zip(before, found.values(), strict=True)
    ]
    return [*before, *there, *(one for one in comparisons if one.truth != TRUTH)]


def _report(out: Path, screen: Screen) -> str | None:
    """Write the report of the first run and say where it is."""
    # Here, because drawing takes half a second to load.
    from breathmap.tools.report.write import write_report

    folder = out / next(iter(TRUTHS))
    if not (folder / SUMMARY).exists():
        return None
    path, _ = write_report(folder)
    screen.say(f"The report, to be opened in any browser: {path}")
    return str(path)


def prepare_folder(out: Path) -> None:
    """Make the demo's folder; one that an earlier demo made is emptied, any other refused."""
    if out.exists() and not out.is_dir():
        raise UserError(f"{out} is a file; give another folder with --out")
    if out.is_dir() and any(out.iterdir()):
        if not (out / MARK).is_file():
            raise UserError(f"{out} holds files that are not the demo's; give another with --out")
        for name in ("engine", *TRUTHS):
            shutil.rmtree(out / name, ignore_errors=True)
    make_folder(out, may_exist=True, hint="")
    write_text(out / MARK, MARK_TEXT)


@contextmanager
def simulated_port(truth: str, minutes: float, seed: int) -> Iterator[str]:
    """Serve the simulated bench from a process of its own; yields the port's URL."""
    command = [sys.executable, "-P", "-m", "breathmap.tools.cli.main", "simulate"]
    command += ["--drive", DRIVE, "--minutes", str(minutes), "--seed", str(seed)]
    command += ["--truth", truth, "--speed-up", "max"]
    # Ctrl-C is the learner's to handle; the simulator ends when nobody reads any more.
    process = subprocess.Popen(
        command,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    try:
        yield _port_of(process)
    finally:
        process.terminate()
        process.communicate()


def _port_of(process: "subprocess.Popen[str]") -> str:
    """Read the port's URL from the simulator's first lines."""
    assert process.stdout is not None
    for line in process.stdout:
        if line.startswith(PORT_LINE):
            return line.removeprefix(PORT_LINE).strip()
    _, trouble = process.communicate()
    lines = trouble.strip().splitlines() or ["it gave no reason"]
    raise UserError(f"the simulator did not start: {lines[-1]}")


def compare(
    truth: str, parameters: EngineParameters, controller: Controller, outcome: Outcome
) -> list[Comparison]:
    """Return the error of each bank's table, as it was and as proposed, over a fresh drive."""
    speed_rpm, map_kpa = fresh_points(parameters, controller)
    comparisons = []
    for number, result in enumerate(outcome.results):
        covered = covered_points(speed_rpm, map_kpa, result.solution.coverage)
        before = accuracy(
            parameters, number, controller.read_ve(number), speed_rpm, map_kpa, covered
        )
        assert result.proposal is not None  # what learns live or replays proposes at its end
        proposed = result.proposal.cells_pct.ravel().tolist()
        after = accuracy(parameters, number, proposed, speed_rpm, map_kpa, covered)
        comparisons.append(Comparison(truth, result.bank.name, before, after))
    return comparisons


def comparison_table(comparisons: list[Comparison]) -> Table:
    """The demo's answer."""
    table = Table(
        title="Fuelling error against the truth, on the covered ground of a fresh road ride",
        title_justify="left",
    )
    table.add_column("truth", no_wrap=True)
    table.add_column("bank", no_wrap=True)
    for heading in ("rms before", "after", "worst before", "after", "covered"):
        table.add_column(heading, justify="right", no_wrap=True)
    for c in comparisons:
        table.add_row(
            c.truth,
            c.bank,
            f"{c.before.rms_pct:.2f} %",
            f"{c.after.rms_pct:.2f} %",
            f"{c.before.worst_pct:.1f} %",
            f"{c.after.worst_pct:.1f} %",
            f"{100.0 * c.after.covered:.0f} %",
        )
    return table


def refused_briefly(outcome: Outcome) -> Table:
    """What was refused in the run on the table's grid, both banks together."""
    table = refusals_table(outcome.summary)
    banks = outcome.summary.banks.values()
    used = share_of(sum(b.used for b in banks), sum(b.samples for b in banks))
    table.title = f"Used: {used} of the samples. Refused, and what to do:"
    return table
