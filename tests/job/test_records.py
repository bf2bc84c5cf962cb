"""Records of a history: one definition each, the same bytes as ever, clear about oddities."""

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from checkout import EARLIER
from command_line import Breathmap, refused
from job_bench import engine_files, made_up_calibration, made_up_ride

from breathmap.tools.base.errors import UserError
from breathmap.tools.job.calibration import read_calibration
from breathmap.tools.job.chain import line_of, read_chain, sha256_of
from breathmap.tools.job.folder import Job
from breathmap.tools.job.records import RECORD, Learned, Originals
from breathmap.tools.report.job import _setup_lines, read_job
from breathmap.tools.report.words import summarise
from breathmap.tools.run.summary import AlarmsSummary

HISTORY = (EARLIER / "job" / "history.jsonl").read_text("utf-8").splitlines(keepends=True)
HASH = sha256_of(b"")
HEAD = '"time": "2026-11-26T02:58:54+00:00", "software": "0.1.0"'
# As 0.1.0 wrote the kinds that are not in tests/data.
LINES = [
    f'{{"number": 5, "what": "accepted", {HEAD}, "table": 1, "from_table": 0, "proposal": 1, '
    f'"displacement_cm3": 689.0, "files": {{"left.csv": "{HASH}"}}, "proposal_files": '
    f'{{"left.csv": "{HASH}"}}, "previous": "{HASH}"}}\n',
    f'{{"number": 6, "what": "undone", {HEAD}, "table": 0, "from_table": 1, "displacement_cm3": '
    f'689.0, "previous": "{HASH}"}}\n',
    f'{{"number": 7, "what": "stored", {HEAD}, "table": 0, "by_wire": true, "previous": '
    f'"{HASH}"}}\n',
    f'{{"number": 8, "what": "finished", {HEAD}, "table": 0, "by_wire": true, "verified": false, '
    '"compared": 126, "differing": 0, "displacement_cm3": 689.0, "files": '
    f'{{"proof.md": "{HASH}"}}, "previous": "{HASH}"}}\n',
    f'{{"number": 9, "what": "checked", {HEAD}, "signs": ["closed loop never acted"], '
    f'"recordings": [{{"name": "recording-001.bin", "sha256": "{HASH}", "bytes": 34218}}], '
    f'"previous": "{HASH}"}}\n',
    f'{{"number": 3, "what": "learned", {HEAD}, "recovered": true, "pass": 1, "table": 0, '
    f'"recordings": [], "description": "{HASH}", "tables": {{}}, "previous": "{HASH}"}}\n',
]


@pytest.mark.parametrize("line", [*HISTORY, *LINES])
def test_record_is_written_as_it_was_read(line: str) -> None:
    """Every kind of record, read and written again, is the same bytes, and so is its JSON."""
    record = RECORD.validate_json(line)

    assert line_of(record) == line.encode()
    assert json.dumps(record.as_dict()) == json.dumps(json.loads(line))


def test_keys_of_a_later_version_are_kept() -> None:
    """A key that is not known here stays in the record and in its JSON."""
    value = json.loads(LINES[2]) | {"weather": "dry"}
    assert RECORD.validate_json(json.dumps(value)).as_dict()["weather"] == "dry"


def rewritten(change: Callable[[list[dict[str, Any]]], object]) -> bytes:
    """Return the earlier history with its records changed and the chain of hashes made good."""
    records = [json.loads(line) for line in HISTORY]
    change(records)
    content, previous = b"", ""
    for record in records:
        line = (json.dumps(record | {"previous": previous}) + "\n").encode()
        content, previous = content + line, sha256_of(line)
    return content


ODD = [
    (lambda r: r[1].update(what="repainted"), ("line 2", "'repainted'", "later version")),
    (lambda r: r[1].update(what=None), ("line 2",)),
    (lambda r: r[1].pop("what"), ("line 2",)),
    (lambda r: r[0].update(table="0"), ("line 1", "table")),
    (lambda r: r[0].update(displacement_cm3=float("nan")), ("line 1", "displacement_cm3")),
    (lambda r: r[0].pop("axes"), ("line 1", "axes")),
    (lambda r: r[0]["axes"].update(load="all"), ("line 1", "axes.load")),
    (lambda r: r[2].update({"pass": 0}), ("line 3", "pass")),
    (lambda r: r[2]["recordings"][0].update(name="../../r.bin"), ("line 3", "recordings.0.name")),
    (lambda r: r[2]["recordings"][0].update(sha256="short"), ("line 3", "recordings.0.sha256")),
    (lambda r: r[2].update(time=5), ("line 3", "time")),
    (lambda r: r[3].update(files={"/etc/passwd": HASH}), ("line 4", "files")),
    (lambda r: r[3].update(choice="maybe"), ("line 4", "choice")),
    (lambda r: r[3]["rules"].update(max_change="all"), ("line 4", "rules.threshold.max_change")),
]


@pytest.mark.parametrize(("change", "said"), ODD)
def test_odd_values_are_named(
    breathmap: Breathmap,
    tmp_path: Path,
    change: Callable[[list[dict[str, Any]]], object],
    said: tuple[str, ...],
) -> None:
    """A record with a value that cannot be is told in one line with file, line number and key,
    by every command alike."""
    job = tmp_path / "job"
    job.mkdir()
    (job / "history.jsonl").write_bytes(rewritten(change))

    for command in ("history", "propose", "report"):
        refused(breathmap(command, job), "history.jsonl", *said)


@pytest.mark.parametrize("content", [b"", b"[]\n", b"7\n", b"[" * 100_000 + b"\n", b"\xff\n"])
def test_what_is_no_history_is_told(tmp_path: Path, content: bytes) -> None:
    """A file that holds no record at all is told in one line."""
    (tmp_path / "history.jsonl").write_bytes(content)

    with pytest.raises(UserError, match=r"history\.jsonl: (it does not begin|line 1)"):
        read_chain(tmp_path)


def test_a_setting_named_otherwise_before_is_read(tmp_path: Path) -> None:
    """What a job of 0.1.0 calls `idle_control` is idle speed control: in its history, in values
    given later, in calibration files and in the report; the history's bytes stay."""
    job = Job(Path(shutil.copytree(EARLIER / "job", tmp_path / "job")))
    before = (job.folder / "history.jsonl").read_bytes()
    assert b'"idle_control"' in before
    with job.working():
        job.append(Originals(**job.head(), settings={"idle_control": 1.0}))

    assert (job.folder / "history.jsonl").read_bytes().startswith(before)
    assert Job(job.folder).start().settings["idle_speed_control"] == 1.0
    prepared = next(line for line in _setup_lines(Job(job.folder)) if "By hand" in line)
    assert "idle_speed_control" in prepared
    assert "idle_control" not in prepared
    path = job.folder / "start" / "calibration.toml"
    path.write_text(path.read_text() + "idle_control = 0\n")
    read = read_calibration(job.folder / "start", job.description())
    assert read.settings["idle_speed_control"] == 0.0


def test_alarms_stand_in_the_history_and_begin_the_report(
    breathmap: Breathmap, tmp_path: Path
) -> None:
    """The alarms of each pass are on record with time, operating point and duration, told by
    `history`, and by the report of a job whichever pass it shows."""
    calibration = made_up_calibration(1, 4, 4)
    engine, job = engine_files(tmp_path / "engine", calibration), tmp_path / "job"
    for name, error, seed in (("lean.bin", 0.12, 1), ("good.bin", 0.0, 2)):
        (tmp_path / name).write_bytes(made_up_ride(calibration, [error], 25, seed))
    assert breathmap("new", job, "--engine", engine).code == 0
    assert breathmap("learn", job, tmp_path / "lean.bin").code == 0
    alarms = Job(job).all_of(Learned)[-1].alarms
    assert alarms is not None
    count = alarms.counts["lean_under_load"]
    assert count >= 1
    first = alarms.episodes[0]
    assert first.speed_rpm is not None
    assert first.source == "recording-001.bin"
    assert first.duration_s > 0.0
    assert breathmap("propose", job, "--saturate").code == 0
    assert breathmap("accept", job).code == 0
    assert breathmap("learn", job, tmp_path / "good.bin").code == 0

    history = " ".join(breathmap("history", job).out.replace("|", " ").split())
    assert f"{count} lean alarm" in history
    assert "No alarm in this pass" in history
    words = summarise(read_job(job))
    assert words.alarms[0].startswith(f"Pass 1: {count} lean alarm")
    assert words.quiet[0].startswith("In the pass shown: No lean alarm")
    assert breathmap("report", job).code == 0
    assert breathmap("history", job, "--verify").code == 0


def test_a_record_keeps_the_first_alarms_and_the_worst() -> None:
    """Of many alarms of a kind the first nine and the worst of the others stay, and all count; one
    that does not tell its limit is no record."""
    one = {
        "kind": "lean_under_load", "bank": "left", "source": "a.bin", "time_s": 1.0,
        "duration_s": 0.5, "limit": 0.93, "unit": "lambda", "speed_rpm": 3000.0, "load": 90.0,
    }  # fmt: skip
    many = [one | {"time_s": float(k), "worst": 1.0 + (k == 25) * 0.1} for k in range(40)]
    whole = {
        "counts": {"lean_under_load": 40}, "running_s": 90.0, "lean_watched_s": 50.0,
        "load_unit": "kPa", "episodes": many,
    }  # fmt: skip
    brief = AlarmsSummary.model_validate(whole).brief()

    assert brief.counts == {"lean_under_load": 40}
    assert [alarm.time_s for alarm in brief.episodes] == [*range(9), 25]
    learned = json.loads(LINES[-1]) | {"alarms": brief.model_dump()}
    learned["previous"] = learned.pop("previous")
    line = json.dumps(learned) + "\n"
    assert line_of(RECORD.validate_json(line)) == line.encode()
    learned["alarms"]["episodes"] = []
    with pytest.raises(ValueError, match="operating point is not told"):
        RECORD.validate_json(json.dumps(learned))
