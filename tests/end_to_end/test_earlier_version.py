"""What version 0.1.0 wrote is read by this version, with the same results; see tests/data/0.1.0.

A proposal follows this version's rule, and those of before are proved by theirs. "The same" of all
else is: words and what a controller stores are equal, other numbers of a table within one of
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
# What the rule of a proposal makes; all other tables are what was learned.
BY_RULE = ("-proposed.csv", "-decision.csv")
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
    found = {path.name for path in folder.glob("*.csv")}
    assert sorted(found - {"film.csv"}) == TABLES
    for name in TABLES:
        if not name.endswith(BY_RULE):
            same_file(folder / name, EARLIER / "replayed" / name)


def same_summary(ours: Path, theirs: Path) -> None:
    """Assert that two summaries are the same but for the decisions of a proposal."""
    now, before = (read(folder / "summary.json") for folder in (ours, theirs))
    for summary in (now, before):
        for bank in summary["banks"].values():
            assert sum(bank.pop("cells").values()) > 0
    assert without(now, "software_version", "alarms") == without(before, "software_version")


def test_recording_gives_the_same_results(
    earlier: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A recording of 0.1.0 gives the tables that it gave then, and every key and number of its
    summary."""
    said(capsys, "replay", "bench/engine.toml", "ride.bin", "--out", "again")

    same_tables(earlier / "again")
    same_summary(earlier / "again", EARLIER / "replayed")
    assert read(earlier / "again/trace.json") == read(EARLIER / "replayed/trace.json")


def test_evidence_gives_the_same_results(earlier: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Evidence of 0.1.0 gives the tables of the recording that it came from, and the summary that
    0.1.0 made from it."""
    said(capsys, "replay", "bench/engine.toml", "replayed/evidence.bin", "--out", "again")

    same_tables(earlier / "again")
    same_summary(earlier / "again", EARLIER / "from-evidence")


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
    """A job of 0.1.0 goes on: proposed again it learns what 0.1.0 learned, decides by this
    version's rule, and both proposals are proved, each by its own."""
    wanted = read(EARLIER / "said/propose.json")

    proposed = said(capsys, "propose", "job")
    ours, theirs = records(proposed), records(wanted)
    assert [without(r, "rules", "cautions", "despite", "despite_reason") for r in ours] == [
        without(r, "rules", "cautions") for r in theirs
    ]
    assert without(proposed, "records") == without(wanted, "records")
    learned = ("-before.csv", "-error-before.csv", "-coverage.csv")
    names = [p.name for p in (EARLIER / "job/proposals/001").iterdir() if p.name.endswith(learned)]
    assert len(names) == 6
    for name in names:
        same_file(earlier / "job/proposals/002" / name, EARLIER / "job/proposals/001" / name)

    said(capsys, "accept", "job")
    assert run(["history", "job", "--verify"]) == 0
    assert re.search(r"\b2 proposals come out the same", capsys.readouterr().out)


def test_files_name_no_place() -> None:
    """The files of 0.1.0 hold no path of the machine that they were made on."""
    files = [path for path in EARLIER.rglob("*") if path.is_file()]

    assert files
    for path in files:
        # Beginning with a root or a drive; file names of ours stand alone or behind a word.
        found = re.search(rb"""(?:[\s"'(=]|^)/\w+/|\b[A-Z]:\\""", path.read_bytes())
        assert found is None or path.suffix == ".bin", (path, found)
