"""Three exercises worked as a pupil would, for the classroom's tests."""

from pathlib import Path

from breathmap.learner.decide.proposal import Rules
from breathmap.learner.words.description_text import annotated_example
from breathmap.tools.base.files import read_description, write_text
from breathmap.tools.base.screen import Screen
from breathmap.tools.classroom.engine import prepare_exercise
from breathmap.tools.classroom.exercise import ANSWERS
from breathmap.tools.classroom.new import make_exercise
from breathmap.tools.cli.main import run
from breathmap.tools.demo.simulating import serving, write_recording
from breathmap.tools.demo.teaching_bench import BANKS
from breathmap.tools.job.diagnosing import diagnose_job
from breathmap.tools.job.drop import drop, span_of
from breathmap.tools.job.finish import finish_job
from breathmap.tools.job.folder import DESCRIPTION, Job
from breathmap.tools.job.new import Origin, make_job
from breathmap.tools.job.passes import accept_job, prepare_job
from breathmap.tools.job.propose import propose_job
from breathmap.tools.job.runs import learn_job

WORD = "sparrow"
QUIET = Screen(quiet=True)
BAUD, WAIT_S, TARGET = 115200, 10.0, 0.02


def answer(folder: Path, text: str) -> None:
    """Add lines to what a pupil hands in."""
    path = folder / ANSWERS
    write_text(path, path.read_text(encoding="utf-8") + text)


def answer_tables(folder: Path, tables: str) -> None:
    """Name the tables that a pupil hands in."""
    path = folder / ANSWERS
    text = path.read_text(encoding="utf-8").replace("tables = []", f"tables = {tables}")
    write_text(path, text)


def work_level_1(folder: Path) -> None:
    """Brake and road into a recording, replayed; its tables handed in."""
    make_exercise(folder, 1, 1, WORD)
    ride, engine = folder / "ride-1.bin", folder / "engine.toml"
    drive = ["--drive", "brake,road", "--minutes", "12", "--out", str(ride)]
    assert run(["simulate", "--exercise", str(folder), *drive]) == 0
    assert run(["replay", str(engine), str(ride), "--out", str(folder / "result")]) == 0
    answer_tables(folder, '["result/left-proposed.csv", "result/right-proposed.csv"]')


def begin_job(folder: Path) -> Job:
    """Make a job of the exercise's controller, with exhausts as measured, set up for learning."""
    standing = prepare_exercise(folder, "standing", 1.0, 1)
    with serving(standing.bench, None, None) as url:
        origin = Origin(url, banks=BANKS, name="exercise (invented)", sensor="wideband")
        job = make_job(folder / "job", origin, QUIET)
        own, measured = job.description(), read_description(folder / "engine.toml")
        banks = [
            mine.model_copy(update={"delay": theirs.delay})
            for mine, theirs in zip(own.bank, measured.bank, strict=True)
        ]
        text = annotated_example(own.model_copy(update={"bank": banks}), ("Invented.",))
        write_text(job.folder / DESCRIPTION, text)
        with job.working():
            prepare_job(job, url, BAUD, QUIET)
    return job


def ride(folder: Path, job: Job, drive: str, minutes: float, seed: int) -> None:
    """Ride into a recording, and learn it into the job's open pass."""
    one = prepare_exercise(folder, drive, minutes, seed)
    path = folder / f"ride-{seed}.bin"
    write_recording(one.bench, path, QUIET)
    one.note()
    with job.working():
        learn_job(job, str(path), BAUD, WAIT_S, True, QUIET)


def take_over(folder: Path, job: Job) -> None:
    """Propose, and store what was proposed."""
    standing = prepare_exercise(folder, "standing", 1.0, 1).bench
    with serving(standing, None, None) as url, job.working():
        propose_job(job, "", Rules(), TARGET, QUIET)
        accept_job(job, url, BAUD, QUIET)


def finish(folder: Path, job: Job) -> None:
    """Put everything back."""
    standing = prepare_exercise(folder, "standing", 1.0, 1).bench
    with serving(standing, None, None) as url, job.working():
        finish_job(job, url, BAUD, QUIET, "", never_prepared=False)


def likely(job: Job) -> list[tuple[str, str | None]]:
    """Cause and bank of what is likely in the job's latest pass."""
    return [(one.cause.name, one.bank) for one in diagnose_job(job, None, QUIET).likely]


def work_level_3(folder: Path) -> list[tuple[str, str | None]]:
    """A short ride shows the fault; it is put right, its ride set aside, then a pass and the
    set-up put back. Returns what the first ride's diagnosis named."""
    make_exercise(folder, 3, 4, WORD)
    job = begin_job(folder)
    ride(folder, job, "road", 2.0, 1)
    named = likely(job)
    answer(folder, '[[fault]]\nname = "sensor-stuck"\nbank = "right"\n')
    with job.working():
        drop(job, "1/recording-001.bin", span_of(None, None), "the right sensor was stuck", QUIET)
    ride(folder, job, "brake,road", 3.0, 2)
    take_over(folder, job)
    finish(folder, job)
    return named


def work_level_5(folder: Path) -> list[tuple[str, str | None]]:
    """One fault is found, for the other a look-alike is named without a check: its error stays in
    the tables; and the set-up is left in. Returns what the diagnosis named."""
    make_exercise(folder, 5, 1, WORD)
    job = begin_job(folder)
    ride(folder, job, "road", 3.0, 1)
    named = likely(job)
    answer(folder, '[[fault]]\nname = "misfire"\nbank = "left"\n')
    answer(folder, '[[fault]]\nname = "pressure-offset"\n')
    ride(folder, job, "brake", 1.0, 2)
    take_over(folder, job)
    return named
