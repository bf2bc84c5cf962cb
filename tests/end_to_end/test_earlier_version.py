"""What version 0.1.0 wrote is read by this version, with the same results; see tests/data/0.1.0.

"The same" is: words and what a controller stores are equal, other numbers of a table within one of
their last printed digit. No more can be promised: the same numpy and scipy add up in another order
on another processor, and the search for the prior's scales ends a little elsewhere.
"""

import json
import re
import shutil
from pathlib import Path
from typing import Any

import pytest
from checkout import EARLIER

from breathmap.tools.base.files import read_description
from breathmap.tools.cli.main import run

TABLES = sorted(path.name for path in (EARLIER / "replayed").glob("*.csv"))
# What differs from one run to the next, or follows from these: each record's hash of the one
# before. The hashes of the files, too: they differ where a file's last printed digit does.
OF_THE_RUN = ("time", "software", "previous", "files")
# A number of a table with two decimals or more; what a controller stores has one.
ESTIMATE = re.compile(r"-?\d+\.\d{2,}")


@pytest.fixture
def earlier(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of the earlier version's files, as the folder that commands run in."""
    folder = tmp_path / "earlier"
    shutil.copytree(EARLIER, folder)
    monkeypatch.chdir(folder)
    return folder


def said(capsys: pytest.CaptureFixture[str], *arguments: str) -> Any:
    """Run `breathmap` in this process; return the JSON that it printed."""
    capsys.readouterr()
    code = run([*arguments, "--json"])
    caught = capsys.readouterr()
    assert code == 0, caught.err
    return json.loads(caught.out)


def read(path: Path) -> Any:
    """Return a JSON file's value."""
    return json.loads(path.read_text(encoding="utf-8"))


def without(value: dict[str, Any], *keys: str) -> dict[str, Any]:
    """Return a mapping without some keys, all of which it must have."""
    assert set(keys) <= set(value)
    return {key: entry for key, entry in value.items() if key not in keys}


def records(result: Any) -> list[dict[str, Any]]:
    """Return a job's records without what differs from run to run, nor the description's hash."""
    found = [without(record, *OF_THE_RUN) for record in result["records"]]
    return [{k: v for k, v in record.items() if k != "description"} for record in found]


def near(ours: str, theirs: str) -> bool:
    """True when two entries of a table are the same, or estimates that differ by one of the last
    digit that both print."""
    if ours == theirs:
        return True
    if not (ESTIMATE.fullmatch(ours) and ESTIMATE.fullmatch(theirs)):
        return False
    decimals, other = (len(entry.partition(".")[2]) for entry in (ours, theirs))
    return decimals == other and abs(float(ours) - float(theirs)) < 1.1 * 10**-decimals


def same_file(ours: Path, theirs: Path) -> None:
    """Assert that two files are the same: tables entry by entry, a description by what it means
    (each version explains its keys), any other to the byte."""
    if ours.suffix == ".toml":
        assert read_description(ours) == read_description(theirs), ours.name
        return
    if ours.suffix != ".csv":
        assert ours.read_bytes() == theirs.read_bytes(), ours.name
        return
    one, other = (re.split("[,\n]", path.read_text(encoding="utf-8")) for path in (ours, theirs))
    assert len(one) == len(other), ours.name
    for a, b in zip(one, other, strict=True):
        assert near(a, b), f"{ours.name}: {a} was {b}"


def same_tables(folder: Path) -> None:
    """Assert that a folder's tables are the earlier ones."""
    assert TABLES
    assert sorted(path.name for path in folder.glob("*.csv")) == TABLES
    for name in TABLES:
        same_file(folder / name, EARLIER / "replayed" / name)


def test_recording_gives_the_same_results(
    earlier: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A recording of 0.1.0 gives the tables that it gave then, and every key and number of its
    summary."""
    said(capsys, "replay", "bench/engine.toml", "ride.bin", "--out", "again")

    same_tables(earlier / "again")
    again = read(earlier / "again/summary.json")
    assert without(again, "software_version", "alarms") == without(
        read(EARLIER / "replayed/summary.json"), "software_version"
    )
    assert read(earlier / "again/trace.json") == read(EARLIER / "replayed/trace.json")


def test_evidence_gives_the_same_results(earlier: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Evidence of 0.1.0 gives the tables of the recording that it came from, and the summary that
    0.1.0 made from it."""
    said(capsys, "replay", "bench/engine.toml", "replayed/evidence.bin", "--out", "again")

    same_tables(earlier / "again")
    again = read(earlier / "again/summary.json")
    assert without(again, "software_version", "alarms") == without(
        read(EARLIER / "from-evidence/summary.json"), "software_version"
    )


@pytest.mark.usefixtures("earlier")
def test_history_is_told_as_before(capsys: pytest.CaptureFixture[str]) -> None:
    """The history of a job of 0.1.0 is told as 0.1.0 told it, word for word."""
    assert said(capsys, "history", "job") == read(EARLIER / "said/history.json")


@pytest.mark.usefixtures("earlier")
def test_history_holds_when_learned_again(capsys: pytest.CaptureFixture[str]) -> None:
    """Verifying a job of 0.1.0 finds its files whole, and learning its pass again finds its
    proposal."""
    code = run(["history", "job", "--verify"])
    caught = capsys.readouterr()

    assert code == 0, caught.err
    assert re.search(r"\b1 proposals? comes? out the same", caught.out)


def test_job_goes_on_as_before(earlier: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A job of 0.1.0 goes on: proposed again it gives the files of 0.1.0, and the accepted table
    compares with the first as it did then."""
    wanted = read(EARLIER / "said/propose.json")

    proposed = said(capsys, "propose", "job")
    assert records(proposed) == records(wanted)
    assert without(proposed, "records") == without(wanted, "records")
    for path in sorted((EARLIER / "job/proposals/001").iterdir()):
        same_file(earlier / "job/proposals/002" / path.name, path)

    said(capsys, "accept", "job")
    assert said(capsys, "compare", "job:0", "job:1") == read(EARLIER / "said/compare.json")


def test_files_name_no_place() -> None:
    """The files of 0.1.0 hold no path of the machine that they were made on."""
    files = [path for path in EARLIER.rglob("*") if path.is_file()]

    assert files
    for path in files:
        # Beginning with a root or a drive; file names of ours stand alone or behind a word.
        found = re.search(rb"""(?:[\s"'(=]|^)/\w+/|\b[A-Z]:\\""", path.read_bytes())
        assert found is None or path.suffix == ".bin", (path, found)
