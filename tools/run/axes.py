"""`breathmap axes`: the same recordings on a finer grid, and what they say of a table's axes.

From files to advice, and from advice to a new folder with the engine description and tables on the
new axes. Nothing that is there already is ever changed.
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from breathmap.learner.axes.advice import FINE_DIFFERENCES, Advice, advise
from breathmap.learner.axes.grid import Grid, finer, grid_of, settings_on
from breathmap.learner.axes.limit import Array, Surfaces, surfaces_of
from breathmap.learner.axes.search import Search, Steps
from breathmap.learner.axes.where import Ran, known_ground
from breathmap.learner.axes.whole_steps import never_above, never_below
from breathmap.learner.decide.proposal import Proposal, Rules, maximum_of, propose, rules_for
from breathmap.learner.exact.solve import Solution, solve
from breathmap.learner.words.description import EngineDescription
from breathmap.learner.words.description_text import annotated_example
from breathmap.protocol.wire.codes import MAX_BREAKPOINTS
from breathmap.tools.base import disk
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.files import encoded, table_text
from breathmap.tools.base.port import Stop
from breathmap.tools.base.screen import Screen
from breathmap.tools.run.carry import carried
from breathmap.tools.run.diagnosing import files_of
from breathmap.tools.run.evidence_files import is_evidence
from breathmap.tools.run.learning import load, relearn
from breathmap.tools.run.left_out import LeftOut
from breathmap.tools.run.session import Session

DESCRIPTION = "engine.toml"
ADVICE = "axes.json"
TO_DO = "to-do.md"
TARGET = "target.csv"
# About how many grids an advice looks at: for the bar alone.
LOOKS = 900


@dataclass(frozen=True)
class Ordered:
    """What to give advice on. description, tables: of the recordings `paths`. left_out: what of
    them is not learned. drive: recordings to weigh by, in place of `paths`; none: where they ran.
    target_lambda: the controller's target table, flat, where it is known, and its step."""

    description: EngineDescription
    tables: list[list[float]]
    paths: list[Path]
    left_out: LeftOut = field(default_factory=dict)
    drive: Sequence[Path] = ()
    target_lambda: Sequence[float] | None = None
    target_step: float = 0.005


@dataclass(frozen=True)
class Known:
    """What recordings say on the finer grid, by bank. cells: the table learned on, flat. share: of
    the time that counts, on ground that was learned."""

    ordered: Ordered
    fine: Grid
    cells: list[list[float]]
    solutions: list[Solution]
    surfaces: list[Surfaces]
    share: float

    def target_on(self, grid: Grid) -> Array | None:
        """Return the target table on other axes, nowhere leaner than it was; None: not known."""
        target, axes = self.ordered.target_lambda, self.ordered.description.axes
        if target is None:
            return None
        before = Grid(tuple(axes.speed_rpm), tuple(axes.load))
        cells = np.asarray(target).reshape(before.shape)
        return never_above(cells, before, grid, self.ordered.target_step)


@dataclass(frozen=True)
class Advised(Known):
    """Advice with what it was made of."""

    advice: Advice
    steps: Steps


def of_files(path: Path, paths: Sequence[Path], drive: Sequence[Path]) -> Ordered:
    """Return what to give advice on, from an engine description and recordings or folders."""
    if not paths:
        raise UserError(f"{path}: give recordings of this engine, too: they say where it ran")
    description, tables = load(path)
    files = [file for one in paths for file in files_of(one)]
    return Ordered(description, tables, files, drive=drive)


def advise_on(ordered: Ordered, steps: Steps, screen: Screen, with_curve: bool = True) -> Advised:
    """Learn the recordings on a finer grid and return the advice; nothing is written. with_curve:
    say of other numbers of breakpoints, too."""
    known, axes = known_of(ordered, screen), ordered.description.axes
    grid = Grid(tuple(axes.speed_rpm), tuple(axes.load))
    advice = _searched(known, grid, steps, with_curve, screen)
    return Advised(**vars(known), advice=advice, steps=steps)


def known_of(ordered: Ordered, screen: Screen) -> Known:
    """Learn the recordings on a finer grid and return what they say there."""
    _check_no_evidence(ordered.paths)
    session = Session(ordered.description, ordered.tables)
    fine = finer(grid_of(session.settings))
    session.learn_on(settings_on(ordered.description.settings(ordered.tables), fine))
    is_throttle = session.settings.load_is_throttle
    ran = Ran(fine, is_throttle)
    session.watcher = ran.take
    session.leave_out(ordered.left_out)
    _learn(session, ordered.paths, screen)
    solutions = []
    with screen.progress("solving on the finer grid") as bar:
        for number, bank in enumerate(session.learner.banks):
            cells = session.tables[number]
            found = solve(
                bank.evidence, cells_pct=cells, differences=FINE_DIFFERENCES, covariance=True
            )
            solutions.append(found)
            bar.update((number + 1) / len(session.tables))
    time = ran.count if not ordered.drive else _driven(ordered, fine, screen)
    surfaces, share = _surfaces(session.tables, solutions, fine, time)
    return Known(ordered, fine, session.tables, solutions, surfaces, share)


def starts_on(
    description: EngineDescription, tables: Sequence[Sequence[float]], grid: Grid
) -> list[list[float]]:
    """Return every bank's table as it reads on other axes, flat, in whole steps and nowhere leaner,
    between breakpoints, too: what is learned on them begins with it."""
    axes, storage = description.axes, description.storage
    before, most = Grid(tuple(axes.speed_rpm), tuple(axes.load)), maximum_of(storage)
    found = []
    for cells in tables:
        made = never_below(np.reshape(cells, before.shape), before, grid, storage.step_pct, most)
        # As it is read again from a file.
        found.append([float(f"{cell:.10g}") for cell in made.ravel()])
    return found


def learned_on(
    ordered: Ordered, grid: Grid, screen: Screen, covariance: bool = False
) -> tuple[EngineDescription, list[tuple[list[float], Solution]]]:
    """Learn the recordings on other axes; return the engine's description on them, and by bank the
    table to begin with, flat, and what was learned, with the cells' covariance if asked for."""
    old, new = ordered.description, on_axes(ordered.description, grid)
    starts = starts_on(old, ordered.tables, grid)
    session = carried(old, ordered.tables, new, starts, ordered.paths, ordered.left_out, screen)
    return new, [
        (cells, solve(bank.evidence, cells_pct=cells, covariance=covariance))
        for cells, bank in zip(starts, session.learner.banks, strict=True)
    ]


def tables_on(ordered: Ordered, grid: Grid, rules: Rules, screen: Screen) -> list[Proposal]:
    """Return every bank's table on other axes: the recordings learned on them, decided as any
    proposal, under the rules as the engine's description narrows them. A clip is a cell that the
    controller cannot store."""
    new, found = learned_on(ordered, grid, screen)
    rules = rules_for(new, rules)
    return [propose(cells, solution, new.storage, new.axes, rules) for cells, solution in found]


def _check_no_evidence(paths: Sequence[Path]) -> None:
    for path in paths:
        if is_evidence(path):
            raise UserError(
                f"{path}: evidence, of a board or carried from earlier axes, knows its own axes "
                "only; give the recordings that it was learned from, if there are any"
            )


def _learn(session: Session, paths: Sequence[Path], screen: Screen) -> None:
    with Stop() as stop:
        relearn(session, list(paths), screen, stop)
        if stop.asked:
            raise UserError("stopped; nothing was advised")
    if not session.samples:
        raise UserError(f"{paths[0]}: it holds no sample; nothing can be said of the axes")


def _driven(ordered: Ordered, fine: Grid, screen: Screen) -> Array:
    """Return where the drive that was named went."""
    session = Session(ordered.description, ordered.tables)
    ran = Ran(fine, session.settings.load_is_throttle)
    session.watcher = ran.take
    files = [file for one in ordered.drive for file in files_of(one)]
    _check_no_evidence(files)
    _learn(session, files, screen)
    return ran.count


def _surfaces(
    tables: list[list[float]], solutions: list[Solution], fine: Grid, time: Array
) -> tuple[list[Surfaces], float]:
    """Return what is known of every bank, and the part of the time on ground that was learned."""
    surfaces, shares = [], []
    for cells, solution in zip(tables, solutions, strict=True):
        weights = time * known_ground(solution, fine)
        if not weights.sum() > 0.0:
            raise UserError(
                "too little was learned where the engine ran to say anything about the axes; give "
                "more recordings"
            )
        shares.append(float(weights.sum() / time.sum()))
        surfaces.append(surfaces_of(cells, solution, fine, weights))
    return surfaces, min(shares)


def _searched(known: Known, grid: Grid, steps: Steps, with_curve: bool, screen: Screen) -> Advice:
    looks = 0
    with screen.progress("looking for better axes") as bar:

        def looked() -> None:
            nonlocal looks
            looks += 1
            bar.update(min(1.0, looks / LOOKS))

        search = Search(known.surfaces, grid, steps, looked)
        step_pct = known.ordered.description.storage.step_pct
        return advise(search, known.share, with_curve, step_pct)


def save_new(
    advised: Advised,
    grid: Grid,
    rules: Rules,
    folder: Path,
    advice: Mapping[str, object],
    screen: Screen,
) -> list[Proposal]:
    """Write engine description and tables on new axes into a new folder, all or nothing.

    advice: as it was told. UserError when the folder is there already.
    """
    if folder.exists():
        raise UserError(f"{folder} exists; give a new folder with --to")
    if max(grid.shape) > MAX_BREAKPOINTS:
        raise UserError(f"axes hold {MAX_BREAKPOINTS} breakpoints at most")
    old = advised.ordered.description
    new = on_axes(old, grid)
    tables = tables_on(advised.ordered, grid, rules, screen)
    files = {
        DESCRIPTION: annotated_example(
            new, ("Written by breathmap axes: the same engine on new axes.",)
        ),
        ADVICE: json.dumps(advice, indent=2) + "\n",
    }
    for bank, table in zip(new.bank, tables, strict=True):
        files[bank.table] = table_text(new, table.cells_pct.tolist(), "{:.10g}")
    target = advised.target_on(grid)
    if target is not None:
        files[TARGET] = table_text(new, target.tolist(), "{:.4f}")
    files[TO_DO] = to_do(new, folder, target is not None)
    with disk.errors_about(folder):
        disk.save_folder(folder, {name: encoded(text) for name, text in files.items()})
    return tables


def on_axes(description: EngineDescription, grid: Grid) -> EngineDescription:
    """Return the engine's description on other axes, its tables beside it."""
    axes = description.axes.model_copy(
        update={"speed_rpm": list(grid.speed_rpm), "load": list(grid.load)}
    )
    banks = [bank.model_copy(update={"table": f"{bank.name}.csv"}) for bank in description.bank]
    return description.model_copy(update={"axes": axes, "bank": banks})


def to_do(description: EngineDescription, folder: Path, has_target: bool) -> str:
    """Return what a person does with the new axes, as Markdown."""
    axes = description.axes
    speeds = ", ".join(f"{n:g}" for n in axes.speed_rpm)
    loads = ", ".join(f"{p:g}" for p in axes.load)
    lines = [
        f"# New axes: {description.engine.name}",
        "",
        "These are entered by hand, in the controller's own program (a job goes on with its axes "
        "by breathmap axes JOB --apply, and store writes them where the controller takes any). "
        "Until every line below is done the controller may hold old tables on new axes: do not run "
        "the engine.",
        "",
        "- [ ] Finish the present job first, so that its set-up is back as it was, and keep a copy "
        "of the whole calibration.",
        f"- [ ] Speeds, rpm: {speeds}",
        f"- [ ] Loads, {axes.load_unit_said}: {loads}",
        *(f"- [ ] VE table of {bank.name}: {bank.table}" for bank in description.bank),
        "- [ ] Every other table on these axes, or the controller interpolates it anew"
        + (f": the target table as {TARGET} has it" if has_target else " (target table, spark)"),
        "- [ ] Export each table again and compare: breathmap compare "
        f"{folder} EXPORTED.csv --bank BANK",
        "- [ ] Begin a new job on it: breathmap new JOB --port PORT, which reads the controller, "
        f"or breathmap new JOB --engine {folder / DESCRIPTION}",
        "",
        "To go back: enter the axes and tables of the copy again. The earlier job and its history "
        "are as they were.",
    ]
    return "\n".join(lines) + "\n"
