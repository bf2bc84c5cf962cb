"""`axes JOB --apply`: a job goes on on other axes, proved and undone like every other change."""

import shutil
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from command_line import Breathmap, Ended, refused
from job_bench import COARSE, SWEEP, Twin, standing

from breathmap.learner.axes.grid import Grid, joined, moved
from breathmap.learner.causes.catalogue import CAUSES
from breathmap.learner.exact.solve import solve
from breathmap.simulator.control_server import ControlServer, calibration_of, put_into
from breathmap.simulator.controller import Controller
from breathmap.simulator.run import simulate
from breathmap.simulator.service import FrameStream
from breathmap.simulator.settings import normal_setup
from breathmap.simulator.table import Axes
from breathmap.tools.base.files import read_description, read_tables
from breathmap.tools.base.screen import Screen
from breathmap.tools.job import propose as job_proposal
from breathmap.tools.job.folder import Job
from breathmap.tools.job.recordings import relearn_pass
from breathmap.tools.job.records import AxesChanged, Finished
from breathmap.tools.report.job import read_job
from breathmap.tools.run.carry import carried
from breathmap.tools.run.evidence_files import snapshot_of
from breathmap.tools.run.session import Session

QUIET = Screen(quiet=True)


class Bench:
    """The college's twin on few breakpoints, its controller, and the job that is done on it."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.path = folder, folder / "job"
        self.twin = Twin(axes=COARSE, truth="continuous")
        self.server = self.twin.server

    @property
    def job(self) -> Job:
        """The job as it is now."""
        return Job(self.path)

    def ride(self, name: str, seed: int) -> Path:
        """Return a recording of a brake sweep with what the controller holds now."""
        twin, path = self.twin, self.folder / name
        samples = simulate(twin.parameters, twin.controller, SWEEP, seed, reuse=True)
        stream = FrameStream(samples, 2, control=self.server)
        path.write_bytes(b"".join(frame for _, frame in stream))
        return path

    def takes_no_axes(self) -> None:
        """Let the controller be one that takes axes from its own program only."""
        twin = self.twin
        self.server = ControlServer(
            self.server.calibration,
            lambda new: put_into(twin.controller, new),
            writes_axes=False,
        )

    def type_in(self, speed_rpm: Sequence[float], load: Sequence[float]) -> None:
        """Put other axes into the controller, as a person does: its own program keeps what its
        tables say as well as it can."""
        now = self.server.calibration
        before, after = Grid(now.speed_rpm, now.load), Grid(tuple(speed_rpm), tuple(load))

        def on_them(cells: Sequence[float]) -> tuple[float, ...]:
            return tuple(moved(np.reshape(cells, before.shape), before, after).ravel().tolist())

        axes = Axes(after.speed_rpm, after.load)
        tables = [on_them(cells) for cells in now.ve_pct]
        controller = Controller(self.twin.parameters, axes, tables, normal_setup(axes, "wideband"))
        target = on_them(now.target_lambda or ())
        put_into(
            controller,
            replace(now, speed_rpm=after.speed_rpm, load=after.load, ve_pct=tuple(tables),
                    target_lambda=target),
        )  # fmt: skip
        self.twin.controller = controller
        held = replace(calibration_of(controller), mark=now.mark)
        self.server = ControlServer(held, lambda new: put_into(controller, new), writes_axes=False)


@pytest.fixture(scope="module")
def first(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    """A job that has learned a brake sweep on its first axes; no test changes it."""
    from breathmap.tools.cli.main import run

    bench = Bench(tmp_path_factory.mktemp("axes"))
    with standing(bench.server) as url:
        assert run(["new", str(bench.path), "--port", url]) == 0
        assert run(["prepare", str(bench.path), "--port", url]) == 0
    assert run(["learn", str(bench.path), str(bench.ride("ride-1.bin", 1))]) == 0
    return bench


@pytest.fixture(scope="module")
def second(first: Bench, tmp_path_factory: pytest.TempPathFactory) -> Bench:
    """The same, gone on to advised axes; no test changes it."""
    from breathmap.tools.cli.main import run

    bench = copy_of(first, tmp_path_factory.mktemp("applied"))
    assert run(["axes", str(bench.path), "--apply"]) == 0
    return bench


def copy_of(bench: Bench, folder: Path) -> Bench:
    """Return a bench of its own in the same state."""
    copy = Bench(folder)
    shutil.copytree(bench.path, copy.path)
    put_into(copy.twin.controller, bench.server.calibration)
    copy.server.calibration = bench.server.calibration
    return copy


def changed(bench: Bench) -> AxesChanged:
    """Return the record of the change."""
    (record,) = bench.job.all_of(AxesChanged)
    return record


def test_the_job_goes_on_with_a_table_and_a_pass_on_the_new_axes(second: Bench) -> None:
    """The table is on record with its hashes, the description follows it, earlier passes and tables
    keep theirs, and the new pass knows from the old recordings, within its errors, the true
    breathing at the new breakpoints."""
    job, record = second.job, changed(second)
    assert (job.table, job.pass_number, record.from_table) == (1, 2, 0)
    assert job.description().axes.speed_rpm == record.axes.speed_rpm != list(COARSE.speed_rpm)
    assert job.description(0).axes.speed_rpm == list(COARSE.speed_rpm)
    assert job.calibration(0).load == tuple(COARSE.load_kpa)
    assert set(record.files) >= {"bank1.csv", "bank2.csv", "target.csv", "axes.json"}
    assert relearn_pass(job, 1, QUIET).description.axes.load == list(COARSE.load_kpa)
    for bank, found in enumerate(relearn_pass(job, 2, QUIET).solve()):
        true = [[second.twin.parameters.truth.ve_pct(bank, n, p) for n in record.axes.speed_rpm]
                for p in record.axes.load]  # fmt: skip
        one, known = found.solution, found.solution.coverage >= 1.0
        off = found.old_pct * (1.0 + one.correction) / np.array(true) - 1.0
        assert known.mean() > 0.6
        # Between few breakpoints the best table bulges beyond them.
        assert np.sqrt(np.mean((off / one.standard_error)[known] ** 2)) < 3.0
        assert np.abs(off[known]).mean() < 0.03


def test_carrying_is_exact(first: Bench) -> None:
    """With the same table it is the same evidence, bit for bit; with another one on the same axes,
    what is found makes up for the difference, but for what weighs a sample otherwise."""
    path = first.path / "passes/001/engine.toml"
    description = read_description(path)
    cells = read_tables(path, description)
    ride = [path.parent / "recording-001.bin"]
    plain = relearn_pass(first.job, 1, QUIET)
    same = carried(description, cells, description, cells, ride, {}, QUIET)
    assert snapshot_of(same).heads == snapshot_of(plain).heads

    others = [[cell * (1.02 + 0.03 * (k % 3)) for k, cell in enumerate(own)] for own in cells]
    other = carried(description, cells, description, others, ride, {}, QUIET)
    pairs = zip(plain.learner.banks, other.learner.banks, cells, others, strict=True)
    for one, two, old, new in pairs:
        first_found, found = (solve(bank.evidence, prior=False) for bank in (one, two))
        well = first_found.standard_error.ravel() < 0.05
        ratio = np.array(new) * (1.0 + found.correction.ravel())
        ratio /= np.array(old) * (1.0 + first_found.correction.ravel())
        apart = np.abs(ratio - 1.0)[well]
        assert well.sum() >= 6
        assert np.median(apart) < 0.004
        assert (apart / first_found.standard_error.ravel()[well]).max() < 1.0


def test_evidence_cannot_be_carried_or_advised_on(second: Bench, breathmap: Breathmap) -> None:
    """The new pass has nothing of its own yet: in one line, with what to do."""
    refused(breathmap("axes", second.path), "no recording of its own", "--pass")
    own = second.path / "passes/002"
    description = read_description(own / "engine.toml")
    cells = read_tables(own / "engine.toml", description)
    with pytest.raises(Exception, match="evidence cannot be carried"):
        carried(description, cells, description, cells, [own / "recording-000.bin"], {}, QUIET)


def test_axes_and_tables_are_written_together(
    second: Bench, tmp_path: Path, breathmap: Breathmap
) -> None:
    """A controller that takes axes gets them with the table, in one change, and is read back; undo
    puts both back; the job then ends as any, with its proof."""
    bench = copy_of(second, tmp_path)
    record, path, held = changed(bench), bench.path, bench.server.calibration
    learning = held.target_lambda
    with standing(bench.server) as url:
        refused(breathmap("learn", path, url), "on the axes of table 0", "breathmap store")
        stored = breathmap("store", path, "--port", url)
        assert stored.code == 0, stored.err
        assert "Table 1 and its axes were written" in " ".join(stored.out.split())
        there = bench.server.calibration
        assert list(there.speed_rpm) == record.axes.speed_rpm
        assert there.ve_pct == bench.job.calibration(1).ve_pct
        assert there.target_lambda == learning
        assert (there.settings, there.mark) == (held.settings, held.mark)
        assert bench.twin.controller.axes.speed_rpm == there.speed_rpm

        assert breathmap("undo", path, "--port", url).code == 0
        assert bench.server.calibration == held
        assert calibration_of(bench.twin.controller) == replace(held, mark="")
        assert breathmap("undo", path, 1, "--port", url).code == 0
        assert bench.server.calibration == there
        check_finished(bench, breathmap("finish", path, "--port", url))
    assert breathmap("history", path, "--verify").code == 0


def test_a_target_that_somebody_changed_comes_along(
    second: Bench, tmp_path: Path, breathmap: Breathmap
) -> None:
    """Neither the learning target nor the original: it is read onto the new axes, nowhere leaner,
    and not replaced unasked."""
    bench = copy_of(second, tmp_path)
    now = bench.server.calibration
    own = tuple(0.86 + 0.005 * (k % 7) for k in range(len(now.target_lambda or ())))
    bench.server.calibration = replace(now, target_lambda=own)
    with standing(bench.server) as url:
        assert breathmap("store", bench.path, "--port", url).code == 0
    there = bench.server.calibration
    before, after = Grid(now.speed_rpm, now.load), Grid(there.speed_rpm, there.load)
    union = joined(before, after)
    old = moved(np.reshape(own, before.shape), before, union)
    new = moved(np.reshape(there.target_lambda or (), after.shape), after, union)
    assert (new <= old + 1e-6).all()
    assert np.abs(new - old).max() < 0.05


def test_axes_of_nobody_are_written_over_only_when_told(
    second: Bench, tmp_path: Path, breathmap: Breathmap
) -> None:
    """A controller on axes that no table of the job has is another vehicle's until somebody says
    that it is not."""
    bench = copy_of(second, tmp_path)
    held = bench.server.calibration
    bench.server.calibration = replace(held, speed_rpm=(1000.0, 2000.0, 3000.0, 4000.0, 7500.0))
    with standing(bench.server) as url:
        for words in (("store", bench.path), ("undo", bench.path, 0), ("finish", bench.path)):
            refused(breathmap(*words, "--port", url), "another vehicle", "--overwrite")
        assert breathmap("undo", bench.path, 0, "--port", url, "--overwrite").code == 0
    assert bench.server.calibration == held


def test_from_the_new_axes_to_the_end(second: Bench, tmp_path: Path, breathmap: Breathmap) -> None:
    """Where the controller takes no axes over the wire, nothing is stored before the person has
    typed them in; then all of it is, read back, and the job goes on as any: learn, propose, accept,
    finish with its proof."""
    bench = copy_of(second, tmp_path)
    bench.takes_no_axes()
    record, path = changed(bench), bench.path
    held, kinds = bench.server.calibration, [r.what for r in bench.job.records]
    with standing(bench.server) as url:
        for words in (("store", path), ("finish", path), ("undo", path, 1), ("store", path,
                      "--overwrite")):  # fmt: skip
            said = ("on the axes of table 0", "speeds, rpm: 2:", "takes no such axes", "type them")
            refused(breathmap(*words, "--port", url), *said)
        refused(breathmap("learn", path, url), "on the axes of table 0")
    assert bench.server.calibration == held
    assert [r.what for r in bench.job.records] == kinds

    shown = breathmap("enter", path)
    assert " ".join(f"{n:g}" for n in record.axes.speed_rpm) in shown.out
    refused(breathmap("enter", path, "--changed"), "the axes change")
    assert breathmap("enter", path, "--out", tmp_path / "to-type").code == 0
    assert "5 speeds" in (tmp_path / "to-type/axes.txt").read_text()

    bench.type_in(record.axes.speed_rpm, record.axes.load)
    with standing(bench.server) as url:
        refused(breathmap("learn", path, url), "not yet its cells", "store")
        assert breathmap("store", path, "--port", url).code == 0
        assert "table 1 and the learning set-up" in breathmap("read", path, "--port", url).out
    assert bench.server.calibration.ve_pct == bench.job.calibration().ve_pct
    assert "other axes" not in bench.job.closing_line()[0]

    assert breathmap("learn", path, bench.ride("ride-2.bin", 2)).code == 0
    assert breathmap("propose", path).code == 0
    with standing(bench.server) as url:
        assert breathmap("accept", path, "--port", url).code == 0
        finished = breathmap("finish", path, "--port", url)
        check_finished(bench, finished)
    verified = breathmap("history", path, "--verify")
    assert verified.code == 0
    assert "on new axes" in verified.out
    assert any("on new axes" in text for _, text in read_job(path).notes)


def check_finished(bench: Bench, ended: Ended) -> None:
    """The controller is as at the start but for VE and axes; the target is nowhere leaner."""
    assert ended.code == 0, ended.err
    job, held = bench.job, bench.server.calibration
    start, (record,) = job.start(), job.all_of(Finished)
    assert record.verified
    assert held.settings == start.settings
    assert not held.mark
    before, after = Grid(start.speed_rpm, start.load), Grid(held.speed_rpm, held.load)
    union = joined(before, after)
    old = moved(np.reshape(start.target_lambda or (), before.shape), before, union)
    new = moved(np.reshape(held.target_lambda or (), after.shape), after, union)
    assert (new <= old + 1e-6).all()
    proof = (bench.path / "final/proof.md").read_text()
    for said in (
        "| axes | on record, see below | see below |",
        "nowhere leaner",
        f"richer by lambda {(old - new).max():.3f} at most",
        "read back whole",
        "spark",
    ):
        assert said in proof
    checklist = (bench.path / "final/checklist.md").read_text()
    assert "speeds, rpm" in checklist
    # Of the originals the target alone is read onto the new axes.
    assert "target lambda, whole table: back to final/target.csv" in checklist
    assert checklist.count("final/target.csv") == 1
    assert "cannot be read from here" in ended.out + ended.err


def test_back_and_there_again(second: Bench, tmp_path: Path, breathmap: Breathmap) -> None:
    """Undo leads back to the first axes and forward again; every pass stays as it was, and the
    controller must be on the axes of what is written."""
    bench = copy_of(second, tmp_path)
    bench.takes_no_axes()
    path = bench.path
    with standing(bench.server) as url:
        assert breathmap("undo", path, "--port", url).code == 0
    job = bench.job
    assert job.description().axes.speed_rpm == list(COARSE.speed_rpm)
    assert (job.table, job.pass_number, job.awaits_axes) == (0, 1, False)
    assert breathmap("propose", path).code == 0
    assert breathmap("undo", path, 1).code == 0
    assert (bench.job.pass_number, bench.job.awaits_axes) == (2, True)
    assert breathmap("propose", path).code == 0
    with standing(bench.server) as url:
        refused(breathmap("undo", path, 1, "--port", url), "type them into the controller first")
    compared = breathmap("compare", f"{path}:0", f"{path}:1", "--bank", "bank1")
    assert "on other axes, interpolated" in compared.out
    assert breathmap("compare", f"{path}:proposal-1", f"{path}:proposal-2").code == 0
    assert breathmap("compare", f"{path}:pass-1", f"{path}:pass-2").code == 0
    hold = ("edit", path, "--cell", "2600,50", "--hold", "--says", "x")
    refused(breathmap(*hold), "is on other axes")


def test_unsafe_evidence_is_not_carried_over_unasked(
    first: Bench, tmp_path: Path, breathmap: Breathmap, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What `propose` would refuse cannot be had by a change of axes: there nothing could be asked
    of it any more. With --despite it is on record."""
    bench = copy_of(first, tmp_path)
    found = SimpleNamespace(cause=CAUSES["sensors-swapped"])
    diagnosis = SimpleNamespace(unsafe=[found])
    monkeypatch.setattr(Session, "diagnose", lambda *_, **__: diagnosis)
    monkeypatch.setattr(job_proposal, "title_line", lambda _: "the sensors are exchanged")
    words = ("axes", bench.path, "--apply", "--yes")
    refused(breathmap(*words), "nothing was changed", "--despite sensors-swapped --reason")
    assert not bench.job.all_of(AxesChanged)
    overruled = ("--despite", "sensors-swapped", "--reason", "only to see")
    assert breathmap(*words, *overruled).code == 0
    assert changed(bench).despite == ["sensors-swapped"]
    assert "only to see" in breathmap("history", bench.path).out


def test_what_may_not_be_applied_is_refused(
    first: Bench, tmp_path: Path, breathmap: Breathmap
) -> None:
    """Not a job, another pass, nothing learned, with a folder: one line, and nothing changed."""
    bench = copy_of(first, tmp_path)
    before = (bench.path / "history.jsonl").read_bytes()
    engine = bench.path / "engine.toml"
    refused(breathmap("axes", engine, engine, "--apply"), "--apply is for a job")
    refused(breathmap("axes", bench.path, "--apply", "--to", tmp_path / "x"), "neither with --to")
    refused(breathmap("axes", bench.path, "--apply", "--pass", 2), "pass 2 is not on it")
    refused(breathmap("axes", bench.path, "--apply", "--despite", "leak"), "--despite leak")
    assert (bench.path / "history.jsonl").read_bytes() == before
    assert not (bench.path / "tables").exists()
