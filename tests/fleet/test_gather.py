"""Gathering: exact sums for any number of workers, workers that die, and the odd vehicle."""

import os
import shutil
import signal
from collections.abc import Iterator
from pathlib import Path
from typing import Any, cast

import numpy as np
import pytest
from command_line import Breathmap, refused
from job_bench import engine_files, made_up_calibration, made_up_ride

from breathmap.learner.exact.agree import agreement, without
from breathmap.learner.exact.moments import Moments, moments
from breathmap.learner.exact.prior import Prior, Scales
from breathmap.protocol.host.evidence import from_bytes
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.screen import Screen
from breathmap.tools.bench import convergence
from breathmap.tools.bench.axes import even_axes
from breathmap.tools.bench.convergence import METHODS, Honesty, Row, run_all
from breathmap.tools.fleet import cluster as fleet_cluster
from breathmap.tools.fleet import comparing
from breathmap.tools.fleet.comparing import Compared, merged_of
from breathmap.tools.fleet.gather import Order, Piece, gather, learn_source
from breathmap.tools.run.evidence_files import add_snapshot
from breathmap.tools.run.learning import load, replay
from breathmap.tools.run.session import Session

distributed = pytest.importorskip("distributed", reason="no Dask here: the extra fleet")

CALIBRATION = made_up_calibration(1, 5, 4)
RIDES = 6


@pytest.fixture(scope="module")
def engine(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An invented engine with rides of its own, and one of an engine that breathes otherwise."""
    path = engine_files(tmp_path_factory.mktemp("made") / "engine", CALIBRATION)
    for seed in range(RIDES):
        ride = made_up_ride(CALIBRATION, [0.05], 20, seed=10 + seed)
        path.with_name(f"ride-{seed}.bin").write_bytes(ride)
    path.with_name("other.bin").write_bytes(made_up_ride(CALIBRATION, [0.09], 20, seed=99))
    path.with_name("words.bin").write_bytes(b"not a recording \0 at all" * 100)
    return path


@pytest.fixture(scope="module")
def scheduler() -> Iterator[str]:
    """Address of a cluster of two processes, as a laboratory has one running."""
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, dashboard_address="127.0.0.1:0"
    ) as cluster:
        yield cluster.scheduler_address


def rides(engine: Path) -> list[Path]:
    return [engine.with_name(f"ride-{seed}.bin") for seed in range(RIDES)]


Whole = tuple[Path, list[Compared]]


@pytest.fixture(scope="module")
def whole(engine: Path, scheduler: str, tmp_path_factory: pytest.TempPathFactory) -> Whole:
    """All rides, gathered by a scheduler's two workers: the folder, and what comparing says."""
    out = tmp_path_factory.mktemp("gathered") / "whole"
    return out, gather(engine, rides(engine), out, Screen(), scheduler=scheduler).sources


def files_of(out: Path) -> dict[str, bytes]:
    """What gathering wrote."""
    return {path.name: path.read_bytes() for path in sorted(out.iterdir()) if path.is_file()}


def test_any_number_of_workers_gives_the_same_bytes(
    engine: Path, whole: Whole, tmp_path: Path
) -> None:
    """One worker, two of a scheduler by its address, two of our own of which one dies (below):
    evidence, tables, summary and what comparing the sources says are the same, and the tables are
    those of learning one after the other."""
    files, said = files_of(whole[0]), whole[1]
    assert "evidence.bin" in files
    assert len(said) == RIDES
    out = tmp_path / "one"
    assert gather(engine, rides(engine), out, Screen(), workers=1).sources == said
    assert files_of(out) == files

    replayed = tmp_path / "replayed"
    replay(engine, rides(engine), replayed, Screen())
    for path in replayed.glob("*-proposed.csv"):
        assert files[path.name] == path.read_bytes()


def test_sources_are_compared_each_by_itself(engine: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """However sources are shared out among workers, and whatever was set aside before, the numbers
    are those of comparing the sums of each with the sums of the others."""
    description, tables = load(engine)
    session = Session(description, tables)
    kept = {}
    for path in (*rides(engine), engine.with_name("other.bin")):
        kept[path.name] = learn_source(Order(description, tables, path)).evidence
        add_snapshot(session, path.name, from_bytes(kept[path.name]))
    results = session.solve()
    merged = merged_of(session, results)
    monkeypatch.setattr(comparing, "as_done", lambda _, work, orders: enumerate(map(work, orders)))
    found = []
    for at_once in (1, 3, 100):
        monkeypatch.setattr(comparing, "AT_ONCE", at_once)
        found.append(comparing.compare(cast(Any, None), merged, kept, Screen(quiet=True)))
    assert found[0] == found[1] == found[2]
    odd = found[0][-1]
    bank = results[0].bank
    part, whole = learned_sums(engine, kept["other.bin"]), moments(bank.evidence)
    old_pct = results[0].old_pct
    loads, speeds = old_pct.shape
    prior = Prior(loads, speeds, bank.evidence.n_terms, np.log(old_pct.ravel()))
    scales, widening = merged.scales[0]
    peer = agreement(part, without(whole, part), prior, scales, widening)
    assert odd.is_odd
    assert odd.banks[bank.name] == peer


def learned_sums(engine: Path, evidence: bytes) -> Moments:
    """The first bank's sums in evidence as frames."""
    description, tables = load(engine)
    session = Session(description, tables)
    add_snapshot(session, "", from_bytes(evidence))
    return moments(session.learner.banks[0].evidence)


def test_a_worker_that_dies_costs_nothing(
    engine: Path, whole: Whole, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One of two worker processes is killed in the middle: what it had is done again, the bytes
    stay, and so does what comparing the sources says."""
    broken = tmp_path / "broken"
    as_done = fleet_cluster.as_done
    killed: list[int] = []

    def killing(client, work, orders):
        for number, piece in as_done(client, work, orders):
            if not killed:
                killed.append(next(iter(client.run(os.getpid).values())))
                os.kill(killed[0], signal.SIGKILL)
            yield number, piece

    monkeypatch.setattr("breathmap.tools.fleet.gather.as_done", killing)
    said = gather(engine, rides(engine), broken, Screen(), workers=2).sources
    assert killed
    assert said == whole[1]
    assert files_of(broken) == files_of(whole[0])


def test_the_odd_vehicle_is_named(
    breathmap: Breathmap, engine: Path, scheduler: str, tmp_path: Path
) -> None:
    """One of seven engines needs 4 % more fuel: it is named, with its size; alone they agree."""
    odd = engine.with_name("other.bin")
    words = ("--scheduler", scheduler, "--out")
    done = breathmap("gather", engine, *rides(engine), odd, *words, tmp_path / "odd")
    assert done.code == 0, done.err
    said = " ".join((done.out + done.err).split())
    assert f"{odd}: does not agree with the others" in said
    assert "+4." in said or "+3." in said
    assert said.count("does not agree") == 1
    healthy = breathmap("gather", engine, *rides(engine), *words, tmp_path / "healthy")
    assert f"All {RIDES} agree" in " ".join(healthy.out.split())


def test_a_bad_recording_is_named_and_left_out_only_when_asked(
    breathmap: Breathmap, engine: Path, scheduler: str, tmp_path: Path
) -> None:
    """One line, exit code 2 and no folder; with --skip-bad the rest is what it is without it."""
    bad = engine.with_name("words.bin")
    out = tmp_path / "out"
    words = (engine, bad, *rides(engine), "--scheduler", scheduler, "--out")
    refused(breathmap("gather", *words, out), "words.bin", "no frame of ours", "--skip-bad")
    assert not out.exists()
    done = breathmap("gather", *words, out, "--skip-bad")
    assert done.code == 0, done.err
    assert "left out" in done.out + done.err
    gather(engine, rides(engine), tmp_path / "without", Screen(), scheduler=scheduler)
    for name in ("evidence.bin", "summary.json"):
        assert (out / name).read_bytes() == (tmp_path / "without" / name).read_bytes()
    only = breathmap("gather", engine, bad, "--skip-bad", "--scheduler", scheduler, "--out", out)
    refused(only)


def test_what_cannot_be_is_one_line(
    breathmap: Breathmap, engine: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No scheduler at the address, a folder with results, no Dask at all."""
    monkeypatch.setattr(fleet_cluster, "ANSWERS_WITHIN_S", 0.5)
    ride = rides(engine)[0]
    words = ("gather", engine, ride, "--out", tmp_path / "out", "--scheduler")
    refused(breathmap(*words, "tcp://127.0.0.1:9"), "no scheduler answers there")
    refused(breathmap(*words, "nonsense://"), "no scheduler answers there")
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "mine.txt").write_text("mine")
    refused(breathmap(*words, "tcp://127.0.0.1:9"), "not empty", "--replace")
    monkeypatch.setitem(__import__("sys").modules, "distributed", None)
    with (
        pytest.raises(UserError, match=r"breathmap\[fleet\]"),
        fleet_cluster.cluster(None, None),
    ):
        pass


def test_a_worker_that_cannot_is_one_line(
    engine: Path, scheduler: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What a worker raises is told in one line with the recording, and nothing is written."""
    monkeypatch.setattr("breathmap.tools.fleet.gather.learn_source", len)
    with pytest.raises(UserError, match=r"a worker failed on .*ride-0.bin: TypeError") as caught:
        gather(engine, rides(engine)[:1], tmp_path / "out", Screen(), scheduler=scheduler)
    assert "\n" not in str(caught.value)
    assert not (tmp_path / "out").exists()


def test_a_source_that_went_is_no_crash(engine: Path, tmp_path: Path) -> None:
    """A worker that cannot read a file says so as a person would be told."""
    description, tables = load(engine)
    gone = tmp_path / "gone.bin"
    assert "no such file" in learn_source(Order(description, tables, gone)).why_not
    copy = tmp_path / "ride.bin"
    shutil.copy(rides(engine)[0], copy)
    assert learn_source(Order(description, tables, copy)) != Piece()


def made_moments(rng: np.random.Generator, truth: np.ndarray, count: int, sd: float) -> Moments:
    """Return sums of observations at random places of a 4 x 5 table."""
    rows = np.zeros((count, len(truth)))
    at = 5 * rng.integers(3, size=count) + rng.integers(4, size=count)
    a, b = rng.random((2, count))
    shares = np.stack([(1 - a) * (1 - b), a * (1 - b), (1 - a) * b, a * b], axis=1)
    np.put_along_axis(rows, at[:, None] + np.array([0, 1, 5, 6]), shares, axis=1)
    d = rows @ truth + sd * rng.normal(size=count)
    return Moments(rows.T @ rows, rows.T @ d, float(d @ d), float(count), float(count))


def test_a_worker_of_another_version_is_refused(
    engine: Path, scheduler: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What it learned is not added, and nothing is written; the recording and both are named."""
    monkeypatch.setattr(
        "breathmap.tools.fleet.gather.as_done",
        lambda client, work, orders: enumerate([Piece(b"", version="0.1.7")] * len(orders)),
    )
    out = tmp_path / "out"
    with pytest.raises(UserError, match=r"ride-0.bin: a worker did it with breathmap 0\.1\.7"):
        gather(engine, rides(engine), out, Screen(quiet=True), scheduler=scheduler)
    assert not out.exists()


def test_chance_is_chance() -> None:
    """Of sources of one engine the chances are even between 0 and 1, as scipy's Kolmogorov-Smirnov
    test sees it; one that is 3 % off is seen each time."""
    from scipy.stats import kstest

    rng = np.random.default_rng(4)
    truth = 0.05 * np.sin(np.arange(20) / 4.0)
    prior, scales = Prior(4, 5, 0), Scales(0.08, 0.05, 0.02, 0.0)
    chances, odd = [], []
    for _ in range(60):
        # Engines of one kind that differ by what the test takes healthy ones to differ by.
        own = truth + 0.004 * rng.normal(size=20)
        part = made_moments(rng, own, 300, 0.02)
        rest = made_moments(rng, truth, 3000, 0.02)
        chances.append(agreement(part, rest, prior, scales, 1.0).chance)
        off = made_moments(rng, own + 0.03, 300, 0.02)
        found = agreement(off, rest, prior, scales, 1.0)
        odd.append(found.chance)
        assert found.offset == pytest.approx(0.03, abs=5.0 * found.offset_error)
    assert kstest(chances, "uniform").pvalue > 0.001
    assert max(odd) < 1e-4


def test_what_is_taken_out_is_gone() -> None:
    """The sums of two less those of one are the other's."""
    rng = np.random.default_rng(5)
    one, two = (made_moments(rng, np.zeros(20), 50, 0.02) for _ in range(2))
    both = Moments(
        one.H + two.H, one.b + two.b, one.square + two.square, one.weight + two.weight, 100.0
    )
    rest = without(both, one)
    assert np.allclose(rest.H, two.H)
    assert np.allclose(rest.b, two.b)
    assert (rest.weight, rest.count) == (50.0, 50.0)
    empty = Moments(np.zeros((20, 20)), np.zeros(20), 0.0, 0.0, 0.0)
    found = agreement(empty, both, Prior(4, 5, 0), Scales(), 1.0)
    assert found.freedom == 0
    assert np.isnan(found.chance)


def test_results_stand_where_comparing_fails(
    engine: Path, scheduler: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A worker lost while sources are compared costs the comparison alone, and the line says so."""

    def lost(*_: object) -> None:
        raise UserError("a worker failed")

    monkeypatch.setattr("breathmap.tools.fleet.gather.compare", lost)
    out = tmp_path / "out"
    with pytest.raises(UserError, match=r"a worker failed.*is in .*out, whole.*--replace"):
        gather(engine, rides(engine)[:2], out, Screen(quiet=True), scheduler=scheduler)
    assert (out / "evidence.bin").is_file()
    assert (out / "summary.json").is_file()


def test_benches_run_on_a_scheduler(
    scheduler: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """What workers of a scheduler do is what is done here; where nobody answers, one line says
    so."""
    seeds = list(range(20))
    there = list(run_all(even_axes, seeds, 1, scheduler))
    assert sorted(there, key=repr) == sorted(map(even_axes, seeds), key=repr)

    capsys.readouterr()
    monkeypatch.setattr(fleet_cluster, "ANSWERS_WITHIN_S", 1.0)
    with pytest.raises(SystemExit) as ended:
        convergence.main(["--engines", "1", "--scheduler", "tcp://127.0.0.1:1"])
    assert ended.value.code == 2
    assert "no scheduler answers there" in capsys.readouterr().err


def test_a_bench_writes_the_same_whatever_is_done_first(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The convergence bench's figures stand by engine, in whatever order they were done."""
    done = [
        ([Row(truth, engine, 0, 1.0, method, 0.1, 0.2, 0.3, 0.4) for method in METHODS],
         [Honesty(engine, 0, 1.0, 9, 1.0, 0.95, 0.1)] if truth == "grid" else [])
        for engine in (100, 101) for truth in ("continuous", "grid")
    ]  # fmt: skip
    monkeypatch.setattr(convergence, "plot", lambda *_: None)
    made: list[list[bytes]] = []
    for order in (done, done[::-1]):
        monkeypatch.setattr(convergence, "run_all", lambda *_, order=order: iter(order))
        out = tmp_path / str(len(made))
        assert convergence.main(["--engines", "2", "--minutes", "1", "--out", str(out)]) == 0
        made.append([path.read_bytes() for path in sorted(out.glob("*.csv"))])
    assert made[0] == made[1]
    assert made[0][0].count(b"\n") == 1 + 4 * len(METHODS)
