"""Changes the rules that people trust, one place at a time: does any test notice?

    python -m breathmap.tools.make.mutants [--sample N] COSMIC_RAY [MODULE ...]

COSMIC_RAY is the command `cosmic-ray` of an environment of its own (python -m venv ELSEWHERE, then
ELSEWHERE/bin/pip install cosmic-ray). MODULE is one of MODULES, by default all of them; each takes
half an hour and more, on one core at low priority. With --sample, N changes of each are drawn, the
same ones each time. The checkout is copied and left alone.
Exit codes: 0 no change went unnoticed, 1 some did (a line each).
"""

import argparse
import json
import os
import re
import shlex
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
# What is changed, and the tests that ought to notice: the quick ones first, they end a run.
MODULES = {
    "learner/core/gates.py": "tests/learner/test_gate_limits.py tests/learner/test_waits.py",
    "learner/core/alarms.py": "tests/learner/test_episodes.py tests/learner/test_alarms.py",
    "learner/core/lean.py": "tests/learner/test_lean_limits.py tests/learner/test_alarms.py",
    "learner/decide/proposal.py": (
        "tests/job/test_proposal.py tests/job/test_never_leaner.py tests/job/test_rules.py"
    ),
    "learner/decide/finished.py": "tests/job/test_finished.py",
    "tools/job/finish.py": (
        "tests/job/test_finish.py tests/job/test_new_axes.py tests/job/test_vehicle.py "
        "-k 'finish or new_axes'"
    ),
    "tools/job/signs.py": "tests/job/test_signs.py",
}
# Other changes than these are near copies of them (`is` for `==`), or no number any more (`<<`).
OPERATORS = (
    "AddNot|NumberReplacer|ReplaceAndWithOr|ReplaceOrWithAnd|ReplaceTrueWithFalse|"
    "ReplaceFalseWithTrue|ReplaceBreakWithContinue|ReplaceContinueWithBreak|ZeroIterationForLoop|"
    "ReplaceComparisonOperator_(Lt|LtE|Gt|GtE|Eq|NotEq)_(Lt|LtE|Gt|GtE|Eq|NotEq)|"
    "ReplaceUnaryOperator_Delete_Not|ReplaceUnaryOperator_Delete_USub|"
    "ReplaceUnaryOperator_Delete_Invert|"
    "ReplaceBinaryOperator_(Add_Sub|Sub_Add|Mul_Div|Div_Mul|BitAnd_BitOr|BitOr_BitAnd)"
)
SECONDS = 300
LOW_PRIORITY = 15
# Run by cosmic-ray's own Python, as its filters are: all pending changes but N are skipped.
DRAW = """
import random, sys
from cosmic_ray.work_db import use_db
from cosmic_ray.work_item import WorkResult, WorkerOutcome
with use_db(sys.argv[1]) as session:
    items = sorted(session.pending_work_items, key=lambda item: str(item.mutations))
    random.Random(1).shuffle(items)
    for item in items[int(sys.argv[2]):]:
        session.set_result(item.job_id, WorkResult(worker_outcome=WorkerOutcome.SKIPPED))
"""


def config(module: str, tests: str) -> str:
    """Return cosmic-ray's configuration for one module."""
    python = shlex.quote(sys.executable)
    command = f"{python} -m pytest -x -q -p no:cacheprovider {tests}"
    return f"""[cosmic-ray]
module-path = {json.dumps(module)}
timeout = {SECONDS}
excluded-modules = []
test-command = {json.dumps(command)}

[cosmic-ray.distributor]
name = "local"

[cosmic-ray.filters.operators-filter]
exclude-operators = [{json.dumps(f"^(?!core/({OPERATORS})$)")}]
"""


def environment(folder: Path) -> dict[str, str]:
    """Return the variables under which `breathmap` is the copy, read anew each time."""
    packages = folder.parent / "packages"
    packages.mkdir()
    (packages / "breathmap").symlink_to(folder)
    return os.environ | {"PYTHONPATH": str(packages), "PYTHONDONTWRITEBYTECODE": "1"}


def run(cosmic_ray: Path, module: str, sample: int | None) -> list[str]:
    """Change one module; say how many changes were noticed, and return a line for each other.
    sample: how many changes, None for all."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "checkout"
        shutil.copytree(ROOT, folder, ignore=shutil.ignore_patterns(".git", ".venv", ".*_cache"))
        variables = environment(folder)

        def call(command: str, *words: str) -> str:
            done = subprocess.run(
                [str(cosmic_ray.with_name(command)), *words],
                cwd=folder,
                env=variables,
                stdin=subprocess.DEVNULL,
                capture_output=True,
                encoding="utf-8",
                check=False,
            )
            if done.returncode:
                sys.exit(f"{command} {' '.join(words)}: {(done.stdout + done.stderr).strip()}")
            return done.stdout

        (folder / "mutants.toml").write_text(config(module, MODULES[module]), "utf-8")
        call("cosmic-ray", "init", "mutants.toml", "mutants.sqlite")
        call("cr-filter-operators", "mutants.sqlite", "mutants.toml")
        if sample is not None:
            call("python", "-c", DRAW, "mutants.sqlite", str(sample))
        call("cosmic-ray", "baseline", "mutants.toml")
        call("cosmic-ray", "exec", "mutants.toml", "mutants.sqlite")
        return survivors(module, call("cosmic-ray", "dump", "mutants.sqlite"))


def survivors(module: str, dump: str) -> list[str]:
    """Say what came of one module's changes; return those that no test noticed."""
    lines, made = [], 0
    for pair in map(json.loads, dump.splitlines()):
        (job, result) = pair
        if result is None or result["worker_outcome"] == "skipped":
            continue
        made += 1
        if result["test_outcome"] != "survived":
            continue
        (mutation,) = job["mutations"]
        change = re.findall(r"^[-+](?![-+]).*$", result["diff"], re.MULTILINE)
        place = f"{module}:{mutation['start_pos'][0]} {mutation['definition_name']}"
        lines.append(f"{place}: {' '.join(' '.join(change).split())}")
    print(f"{module}: {made - len(lines)} of {made} changes noticed", flush=True)
    print("\n".join(lines), flush=True)
    return lines


def main() -> int:
    """Run what the command line says; returns the exit code."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("cosmic_ray", type=Path)
    parser.add_argument("--sample", type=int, metavar="N")
    parser.add_argument("module", nargs="*", choices=[*MODULES, []], metavar="MODULE")
    chosen = parser.parse_args()
    os.nice(LOW_PRIORITY)
    cosmic_ray = chosen.cosmic_ray.absolute()
    unnoticed = [
        line
        for module in chosen.module or MODULES
        for line in run(cosmic_ray, module, chosen.sample)
    ]
    return int(bool(unnoticed))


if __name__ == "__main__":
    sys.exit(main())
