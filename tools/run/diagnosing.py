"""`breathmap diagnose` on files: from recordings, logs, evidence or a folder to a diagnosis."""

from pathlib import Path

from breathmap.learner.causes.diagnose import Diagnosis
from breathmap.learner.causes.since import Earlier, earlier_of
from breathmap.learner.words.description import EngineDescription
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.files import read_table
from breathmap.tools.base.port import Stop
from breathmap.tools.base.screen import Screen
from breathmap.tools.run.evidence_files import evidence_of, read_evidence, without_earlier
from breathmap.tools.run.learning import load, relearn
from breathmap.tools.run.recording_file import recordings_in
from breathmap.tools.run.results import EVIDENCE
from breathmap.tools.run.session import Session


def diagnose_files(
    description: Path, paths: list[Path], since: Path | None, screen: Screen
) -> Diagnosis:
    """Learn from recordings, logs, evidence or folders of them again, and look for causes.

    since: an output folder of an earlier run of the same engine. Nothing is written.
    """
    session = Session(*load(description)).witnessed()
    earlier = None if since is None else earlier_in(since, session.description)
    files = [file for path in paths for file in files_of(path)]
    with Stop() as stop:
        relearn(session, without_earlier(files), screen, stop)
        if stop.asked:
            raise UserError("stopped; nothing was diagnosed")
    if not session.samples:
        raise UserError(f"{paths[0]}: it holds no sample; there is nothing to diagnose")
    return session.diagnose(earlier)


def files_of(path: Path) -> list[Path]:
    """Return a file itself; of a folder its recordings, or where there are none its evidence."""
    if not path.is_dir():
        return [path]
    found = recordings_in(path)
    if not found and (path / EVIDENCE).is_file():
        found = [path / EVIDENCE]
    if not found:
        raise UserError(
            f"{path}: holds no recording and no {EVIDENCE}; give an output folder of learn or "
            "replay, or recordings themselves"
        )
    return found


def earlier_in(folder: Path, description: EngineDescription) -> Earlier:
    """Return what an output folder of learn or replay says of the engine as it was then."""
    path = folder / EVIDENCE
    if not path.is_file():
        raise UserError(f"{folder}: holds no {EVIDENCE}; give an output folder of learn or replay")
    snapshot = read_evidence(path)
    names = [bank.name for bank in description.bank]
    if [head["bank_name"] for head in snapshot.heads] != names:
        raise UserError(f"{path}: of other banks than the engine description's: another engine")
    tables, pieces = [], []
    for name, numbers, head in zip(names, snapshot.numbers, snapshot.heads, strict=True):
        axes = description.axes
        tables.append(read_table(folder / f"{name}-before.csv", axes.speed_rpm, axes.load))
        try:
            piece = evidence_of(numbers, head)
        except ValueError as error:
            raise UserError(f"{path}: bank {name}: {error}") from None
        if piece.speed_count * piece.load_count != len(tables[-1]):
            raise UserError(f"{path}: bank {name}: of another table than {name}-before.csv")
        pieces.append(piece)
    return earlier_of(str(folder), tables, pieces)
