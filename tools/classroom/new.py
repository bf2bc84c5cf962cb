"""Makes a new exercise's folder."""

from pathlib import Path

from breathmap.tools.base.disk import errors_about, save_folder
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.files import encoded
from breathmap.tools.classroom.exercise import (
    ANSWER,
    ANSWERS,
    BENCH,
    LEVELS,
    SENSOR,
    SIMULATORS_WORD,
    WORKSHEET,
    Hidden,
    draw,
)
from breathmap.tools.classroom.pages import worksheet
from breathmap.tools.classroom.sealed import seal
from breathmap.tools.demo.teaching_bench import college_files


def make_exercise(folder: Path, level: int, seed: int, word: str) -> Hidden:
    """Write a new exercise's folder, whole or not at all; UserError where something is there."""
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise UserError(f"{folder} exists and is not empty; give a new folder")
    if not word.strip():
        raise UserError("the word that seals the answer is empty; give one with --word")
    hidden = draw(level, seed)
    files = dict(college_files(hidden.parameters, hidden.controller(), SENSOR))
    files[WORKSHEET] = worksheet(level, folder.name)
    files[ANSWERS] = answers_template(level)
    files[BENCH] = seal(hidden.model_dump(), SIMULATORS_WORD)
    files[ANSWER] = seal(hidden.model_dump(), word)
    with errors_about(folder):
        save_folder(folder, {name: encoded(text) for name, text in files.items()})
    return hidden


def answers_template(level: int) -> str:
    """Return answers.toml as a pupil finds it."""
    lines = [
        "# What you hand in, with the whole folder. Lines that begin with # are not read.",
        "",
        'pupil = ""',
        "",
        "# Your tables: those that the controller holds count, unless you name others here,",
        "# either a job's folder, or one CSV file per bank (paths from this folder).",
        'job = ""',
        'tables = []  # ["result/left-proposed.csv", "result/right-proposed.csv"]',
        "",
    ]
    if LEVELS[level].faults:
        lines += [
            "# One entry for each fault that you have found. From then on it counts as put right:",
            "# ride again. An entry for a fault that is not there changes nothing and costs marks.",
            "# [[fault]]",
            '# name = "..."  # as the work sheet names it',
            '# bank = "left"  # left out where it belongs to no bank',
        ]
    return "\n".join(lines) + "\n"
