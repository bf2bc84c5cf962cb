"""The history's chain and its head: whatever is lost or altered is found, a crash goes on."""

import json
import shutil
from pathlib import Path

import pytest
from checkout import EARLIER
from command_line import Breathmap, refused
from hypothesis import given, settings
from hypothesis import strategies as st

from breathmap.tools.base.errors import UserError
from breathmap.tools.job.chain import HEAD, HISTORY, read_chain, write_head
from breathmap.tools.job.folder import Job

EARLIER_JOB = EARLIER / "job"
WHOLE = (EARLIER_JOB / HISTORY).read_bytes()
LINES = WHOLE.splitlines(keepends=True)


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A history with its head."""
    folder = tmp_path_factory.mktemp("kept")
    (folder / HISTORY).write_bytes(WHOLE)
    write_head(folder, read_chain(folder))
    return folder


@pytest.fixture
def job(tmp_path: Path) -> Path:
    """A job of 0.1.0, which has no head."""
    return Path(shutil.copytree(EARLIER_JOB, tmp_path / "job"))


@settings(max_examples=400, deadline=None)
@given(st.integers(0, len(WHOLE) - 1), st.integers(1, 255))
def test_any_altered_byte_is_found(kept: Path, place: int, flip: int) -> None:
    """One byte changed anywhere in the history is always found."""
    content = bytearray(WHOLE)
    content[place] ^= flip
    (kept / HISTORY).write_bytes(content)

    with pytest.raises(UserError, match=r"history\.jsonl"):
        read_chain(kept)


@settings(max_examples=200, deadline=None)
@given(st.integers(0, len(WHOLE) - 1))
def test_any_lost_end_is_found(kept: Path, length: int) -> None:
    """A history that was cut off anywhere is always found, at the end of a record, too."""
    (kept / HISTORY).write_bytes(WHOLE[:length])

    with pytest.raises(UserError, match=r"history\.jsonl"):
        read_chain(kept)


@pytest.mark.parametrize("count", range(1, len(LINES)))
def test_lost_records_are_told(kept: Path, count: int) -> None:
    """Whole records missing at the end are told with how many there were."""
    (kept / HISTORY).write_bytes(b"".join(LINES[:count]))

    with pytest.raises(UserError, match=rf"ends with record {count}, but there were {len(LINES)}"):
        read_chain(kept)


@settings(max_examples=200, deadline=None)
@given(place=st.integers(0, 80), flip=st.integers(1, 255))
def test_an_altered_head_is_found(
    kept: Path, tmp_path_factory: pytest.TempPathFactory, place: int, flip: int
) -> None:
    """One byte changed in the head is found, or does not change what it says."""
    folder = tmp_path_factory.getbasetemp() / "altered"
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(kept, folder)
    (folder / HISTORY).write_bytes(WHOLE)
    content = bytearray((folder / HEAD).read_bytes())
    before = json.loads(content)
    content[place] ^= flip
    (folder / HEAD).write_bytes(content)

    try:
        assert json.loads(content) == before
    except (ValueError, AssertionError):
        with pytest.raises(UserError, match=r"history"):
            read_chain(folder)
    else:
        read_chain(folder)


def test_a_job_without_head_gets_one(job: Path, breathmap: Breathmap) -> None:
    """A job of 0.1.0 opens without a head; looking at it makes none, its next record does."""
    assert breathmap("history", job).code == 0
    assert not (job / HEAD).exists()
    assert breathmap("prepare", job).code == 0
    assert json.loads((job / HEAD).read_text())["number"] == len(LINES) + 1
    (job / HISTORY).write_bytes(WHOLE)
    for command in ("history", "prepare", "report"):
        refused(breathmap(command, job), "its end is missing")


def test_cut_between_history_and_head(job: Path, breathmap: Breathmap) -> None:
    """Cut after the history was written and before its head, the record counts, and the next
    command brings the head up; two records ahead are refused."""
    assert breathmap("prepare", job).code == 0
    head = (job / HEAD).read_bytes()
    assert breathmap("prepare", job).code == 0
    (job / HEAD).write_bytes(head)
    assert len(Job(job).records) == len(LINES) + 2
    assert (job / HEAD).read_bytes() == head

    with Job(job).working():
        pass
    assert json.loads((job / HEAD).read_text())["number"] == len(LINES) + 2
    assert breathmap("prepare", job).code == 0
    (job / HEAD).write_bytes(head)
    refused(breathmap("history", job), "2 records follow")
