"""`history --verify`: every file that the history holds a hash of is compared with it."""

import shutil
from pathlib import Path

import pytest
from command_line import Breathmap, refused
from job_bench import engine_files

from breathmap.tools.cli.main import run

DERIVED = ("-before.csv", "-correction.csv", "-coverage.csv", "-standard-error.csv", ".json")


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A job with one of everything: two descriptions in its pass, a table, a check drive."""
    folder = tmp_path_factory.mktemp("whole")
    engine = engine_files(folder / "engine")
    job, ride = folder / "job", folder / "engine" / "ride.bin"
    data = ride.read_bytes()
    half = data.index(b"\0", len(data) // 2) + 1
    for name, part in (("one.bin", data[:half]), ("two.bin", data[half:])):
        (folder / name).write_bytes(part)

    def done(*arguments: object) -> None:
        assert run([str(a) for a in arguments]) == 0

    done("new", job, "--engine", engine)
    done("prepare", job)
    done("learn", job, folder / "one.bin")
    text = (job / "engine.toml").read_text()
    (job / "engine.toml").write_text(text.replace('name = "engine"', 'name = "another"'))
    done("learn", job, folder / "two.bin")
    done("propose", job)
    done("accept", job)
    done("finish", job)
    done("learn", job, ride)
    return job


def covered(job: Path) -> list[str]:
    """Return the files that the history must hold a hash of."""
    found = [f"start/{name}" for name in ("bank1.csv", "calibration.toml")]
    own = job / "passes" / "001"
    found += [
        p.relative_to(job).as_posix()
        for p in own.iterdir()
        if not p.name.endswith(DERIVED)
        and p.name not in ("evidence.bin", "calibration.toml", "target.csv", "film.csv")
    ]
    for folder in ("proposals/001", "tables/001", "final"):
        found += [p.relative_to(job).as_posix() for p in (job / folder).iterdir()]
    found.remove("final/checklist.md")
    return [*found, "checks/001/recording-001.bin"]


def test_every_hash_is_compared(whole: Path, tmp_path: Path, breathmap: Breathmap) -> None:
    """A change in any file that the history names is found and named; a whole job verifies."""
    job = Path(shutil.copytree(whole, tmp_path / "job"))
    names = covered(job)
    assert sum("passes/001/engine" in name for name in names) == 2
    assert len(names) > 20
    for name in names:
        good = (job / name).read_bytes()
        (job / name).write_bytes(good[:-2] + bytes([good[-2] ^ 1]) + good[-1:])
        refused(breathmap("history", job, "--verify"), name)
        (job / name).unlink()
        refused(breathmap("history", job, "--verify"), name)
        (job / name).write_bytes(good)

    verified = breathmap("history", job, "--verify")
    assert verified.code == 0, verified.err
    assert "1 proposal comes out the same" in " ".join(verified.out.split())


def test_what_a_person_ticks_is_told(whole: Path, tmp_path: Path, breathmap: Breathmap) -> None:
    """Sheet, checklist and engine description are a person's to edit: verifying tells it, and
    holds."""
    job = Path(shutil.copytree(whole, tmp_path / "job"))
    for name in ("setup-sheet.md", "final/checklist.md"):
        text = (job / name).read_text()
        assert "[ ]" in text
        (job / name).write_text(text.replace("[ ]", "[x]"))

    verified = breathmap("history", job, "--verify")
    assert verified.code == 0, verified.err
    said = " ".join(verified.out.split())
    for name in ("setup-sheet.md", "checklist.md", "engine.toml"):
        assert f"{name}: edited since record" in said
