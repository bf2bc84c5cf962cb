"""What the shell completes: values of options and arguments that only the program knows."""

from pathlib import Path
from typing import Any

from breathmap.simulator.faults import FAULTS
from breathmap.tools.demo.simulating import DRIVES, STANDING
from breathmap.tools.demo.teaching_bench import BANKS
from breathmap.tools.job.folder import Job, is_job

Values = list[tuple[str, str]]


def drives(incomplete: str) -> Values:
    """Complete the last of a comma-separated list of drives."""
    known = {name: text for name, (text, _) in DRIVES.items()}
    known[STANDING] = "engine off: only its controller answers"
    return _last(incomplete, known)


def faults(incomplete: str) -> Values:
    """Complete the last of a comma-separated list of faults: its name, or its bank after @."""
    before, at, _ = incomplete.rpartition("@")
    if at and "," not in incomplete[len(before) :]:
        return _starting(incomplete, {f"{before}@{bank}": "bank" for bank in BANKS})
    return _last(incomplete, {name: kind.text for name, kind in FAULTS.items()})


def jobs(incomplete: str) -> Values:
    """Complete a job's folder."""
    path = Path(incomplete)
    folder = path if incomplete.endswith("/") else path.parent
    try:
        there = sorted(p for p in folder.iterdir() if p.is_dir())
    except OSError:
        return []
    known = {str(p): "job" if is_job(p) else "folder" for p in there}
    if any(text == "job" for text in known.values()):
        known = {name: text for name, text in known.items() if text == "job"}
    return _starting(incomplete, known)


def recordings(ctx: Any, incomplete: str) -> Values:
    """Complete PASS/RECORDING of the job that was given."""
    known = {}
    job = _job(ctx)
    for number in job.passes if job else ():
        for entry in job.pass_recordings(number) if job else ():
            known[f"{number}/{entry.name}"] = f"{entry.size_bytes:,} bytes"
    return _starting(incomplete, known)


def passes(ctx: Any, incomplete: str) -> Values:
    """Complete the number of a pass of the job that was given."""
    job = _job(ctx)
    return _starting(incomplete, {str(n): f"pass {n}" for n in job.passes} if job else {})


def _job(ctx: Any) -> Job | None:
    folder = next((ctx.params[name] for name in ("job", "first") if ctx.params.get(name)), None)
    try:
        return Job(Path(str(folder))) if folder else None
    except Exception:
        # Nobody sees an error while typing; the command itself tells it.
        return None


def _last(incomplete: str, known: dict[str, str]) -> Values:
    before, comma, last = incomplete.rpartition(",")
    return [(before + comma + name, text) for name, text in _starting(last, known)]


def _starting(incomplete: str, known: dict[str, str]) -> Values:
    return [(name, text) for name, text in known.items() if name.startswith(incomplete)]
