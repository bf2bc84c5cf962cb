"""`breathmap new`: make a job folder from a controller, an engine description, or pasted tables.

Asks nothing: what is not given gets a default that the annotated engine description explains. A
table with a cell far from all that is near it is only taken with --yes. Nothing is ever
overwritten, and the folder appears whole or not at all.
"""

import shutil
import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from breathmap.learner.words.description import (
    DescriptionError,
    EngineDescription,
    parse_description,
)
from breathmap.learner.words.description_text import annotated_example
from breathmap.protocol.host.calibration import Calibration
from breathmap.protocol.wire.control_fields import SETTINGS
from breathmap.tools.base import disk
from breathmap.tools.base.control import ControllerLink
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.files import (
    MOST_BYTES,
    TARGET_LAMBDA,
    VE,
    Sheet,
    read_description,
    read_table,
    read_tables,
    read_text,
    sheets_in,
    text_of,
    write_text,
)
from breathmap.tools.base.odd_tables import cut_short, odd_cells
from breathmap.tools.base.screen import Screen
from breathmap.tools.base.texts import counted
from breathmap.tools.job.calibration import calibration_files, read_calibration
from breathmap.tools.job.chain import Chain, write_head, write_history
from breathmap.tools.job.folder import (
    DESCRIPTION,
    START,
    Job,
    hash_file,
    hash_files,
    head_of,
    is_job,
    save_folder,
)
from breathmap.tools.job.records import AxesKept, Created
from breathmap.tools.job.setup import TARGET
from breathmap.tools.job.vehicle import kept, learning_lines
from breathmap.tools.logs.open import log_rows
from breathmap.tools.logs.propose import described_with, parse_said, propose_mapping, with_doubts
from breathmap.tools.logs.show import ask_terminal, check_log, show_mapping

PASTE = Path("-")
# As it travels: see the field table's switches.
MOST_SETTING = 600.0

# Common practice, no source.
LEAST_USUAL_CM3 = 30.0


@dataclass(frozen=True)
class Origin:
    """Where a job's start comes from: a controller's port, a description, or tables.

    tables: CSV files, `-` for standard input, which may hold several tables with empty lines
    between them. The rest is only needed where it cannot be read. as_they_are: take tables with
    odd cells, too.
    """

    port: str | None = None
    baud: int = 115200
    engine: Path | None = None
    tables: tuple[Path, ...] = ()
    target: Path | None = None
    settings: tuple[str, ...] = ()
    banks: tuple[str, ...] = ()
    name: str = "engine"
    displacement_cm3: float | None = None
    cylinders: int | None = None
    load_axis: str = "map_kpa"
    sensor: str = "wideband"
    stoichiometric_afr: float | None = None
    as_they_are: bool = False
    original: Path | None = None
    log: Path | None = None
    columns: tuple[str, ...] = ()


def make_job(folder: Path, origin: Origin, screen: Screen) -> Job:
    """Make the folder; UserError when it holds something already or the origin is not whole."""
    _check_free(folder)
    chosen = [origin.port is not None, origin.engine is not None, bool(origin.tables)]
    if sum(chosen) == 0:
        raise UserError(
            "say where the starting tables come from: --port PORT (a controller), --engine "
            "ENGINE.toml, or --table FILE for each bank (- for a paste on standard input)"
        )
    if origin.port is not None and sum(chosen) > 1:
        raise UserError("--port reads everything from the controller: leave --engine and --table")
    _question_size(origin)
    description, calibration = _read(origin, screen)
    calibration = _with_settings(calibration, origin)
    if origin.port is not None:
        _check_original(origin, calibration)
    _question(origin, description, calibration, screen)
    doubts: dict[str, str] = {}
    if origin.log is not None:
        description, doubts = _with_log(origin.log, origin.columns, description, screen)
    _write(folder, description, calibration, origin.port is not None, doubts)
    axes = description.axes
    screen.say(
        f"{folder}: a job for {description.engine.name}, {counted(len(description.bank), 'bank')}, "
        f"{len(axes.speed_rpm)} speeds x {len(axes.load)} loads."
    )
    screen.say(f"Check {folder / DESCRIPTION} first: exhaust volumes and sensor lag, bank by bank.")
    for key, why in doubts.items():
        screen.warn(f"{key} is doubtful and marked so in {folder / DESCRIPTION}: {why}.")
    screen.say(f"Next: breathmap prepare {folder}")
    return Job(folder)


def _with_log(
    path: Path, columns: tuple[str, ...], description: EngineDescription, screen: Screen
) -> tuple[EngineDescription, dict[str, str]]:
    """Return the description with a log's columns, and why which of them are doubtful; UserError
    when the log cannot be meant."""
    if not path.is_file():
        raise UserError(f"{path}: no such file; give a log with --log")
    names = [bank.name for bank in description.bank]
    mapping = propose_mapping(
        path, log_rows(path), names, description.axes.load_axis, parse_said(columns),
        ask_terminal(screen),
    )  # fmt: skip
    show_mapping(path, mapping, screen)
    found = described_with(description, mapping)
    check_log(path, found, screen)
    return found, mapping.doubts


def _question_size(origin: Origin) -> None:
    """Refuse a displacement that looks like litres, unless it was said to take it all the same."""
    given = origin.displacement_cm3
    if given is not None and given < LEAST_USUAL_CM3 and not origin.as_they_are:
        raise UserError(
            f"--displacement {given:g}: few engines have so little cm3; if these are litres, give "
            f"{1000.0 * given:g}, or take it as it is with --yes"
        )


def _question(
    origin: Origin, description: EngineDescription, calibration: Calibration, screen: Screen
) -> None:
    """Tell what is odd in the tables; UserError where it was not said to take them all the same.

    What a controller holds is told only, where it can be: nobody can have cut it short.
    """
    for bank, cells in zip(description.bank, calibration.ve_pct, strict=True):
        if not VE.low <= min(cells) or not max(cells) <= VE.high:
            raise UserError(
                f"{origin.port}: {bank.name}: a cell holds VE {min(cells):g} % and one "
                f"{max(cells):g} %; {VE.low:g} to {VE.high:g} % can be learned on"
            )
    odd = [
        line
        for bank, cells in zip(description.bank, calibration.ve_pct, strict=True)
        for line in odd_cells(bank.name, description.axes, cells)
    ]
    if odd and not origin.as_they_are and origin.port is None:
        more = f" (and {len(odd) - 1} more)" if len(odd) > 1 else ""
        raise UserError(f"{odd[0]}{more} Correct it, or take the tables as they are with --yes")
    files = [path for path in origin.tables if path != PASTE]
    if origin.engine is not None and not files:
        files = [origin.engine.parent / bank.table for bank in description.bank]
    for line in [*odd, *(line for path in files for line in cut_short(path))]:
        screen.warn(line)
    most = description.storage.max_pct
    if max(map(max, calibration.ve_pct)) > most:
        screen.warn(f"cells above the {most:g} % that are stored at most: correct [storage] first.")


def _check_free(folder: Path) -> None:
    if folder.is_file():
        raise UserError(f"{folder} is a file; give a folder")
    if folder.is_dir() and any(folder.iterdir()):
        raise UserError(f"{folder} exists and is not empty; give another folder")


def _read(origin: Origin, screen: Screen) -> tuple[EngineDescription, Calibration]:
    """Return description and calibration from wherever they come."""
    if origin.port is not None:
        with ControllerLink(origin.port, origin.baud) as link:
            calibration = link.read()
        return described(origin, calibration), _with_originals(calibration, origin)
    if origin.engine is not None:
        description = read_description(origin.engine)
        if origin.tables:
            axes = description.axes
            if len(origin.tables) != len(description.bank):
                raise UserError(
                    f"{origin.engine} has {counted(len(description.bank), 'bank')}, got "
                    f"{len(origin.tables)} --table"
                )
            tables = [read_table(path, axes.speed_rpm, axes.load) for path in origin.tables]
        else:
            tables = read_tables(origin.engine, description)
        target = None
        if origin.target is not None:
            target = read_table(
                origin.target, description.axes.speed_rpm, description.axes.load, TARGET_LAMBDA
            )
        return description, _from_tables(description, tables, target)
    return _from_sheets(origin, screen)


def _with_originals(calibration: Calibration, origin: Origin) -> Calibration:
    """Lay what the user says is original over what the controller holds now."""
    target = calibration.target_lambda
    settings = dict(calibration.settings)
    if origin.original is not None:
        found = _original(origin.original, calibration)
        target = found.target_lambda or target
        settings |= {name: found.settings[name] for name in settings if name in found.settings}
    if origin.target is not None:
        target = tuple(
            read_table(origin.target, calibration.speed_rpm, calibration.load, TARGET_LAMBDA)
        )
    return replace(calibration, target_lambda=target, settings=settings)


def _original(path: Path, like: Calibration) -> Calibration:
    """Return what another job started from, or a folder of calibration files; UserError when it
    does not fit the controller."""
    if is_job(path):
        found = Job(path).start()
    else:
        found = read_calibration(path, described(Origin(), like))
    mine = (found.speed_rpm, found.load, found.banks)
    if mine != (like.speed_rpm, like.load, like.banks):
        raise UserError(f"{path}: its axes or banks are not the controller's: it is another engine")
    return found


def _check_original(origin: Origin, calibration: Calibration) -> None:
    """Refuse to call original what looks like a learning set-up, but for the lines supplied."""
    given = {text.partition("=")[0] for text in origin.settings}
    if origin.target is not None:
        given.add(TARGET)
    if origin.original is not None:
        # What it holds is free of the mark's doubt; whether it looks like learning counts still.
        found = _original(origin.original, calibration)
        plain = learning_lines(replace(calibration, mark=None))
        supplied = {*found.settings, *([TARGET] if found.target_lambda else [])}
        given |= supplied - set(plain)
    looks = learning_lines(calibration)
    doubtful = [words for name, words in looks.items() if name not in given]
    if doubtful:
        mark = f" (mark {calibration.mark!r})" if calibration.mark else ""
        raise UserError(
            f"{origin.port}: this looks like a learning set-up{mark}, which finish would put back "
            f"as the original: {'; '.join(doubtful)}. Give the originals: --original DIR, the job "
            "that put it in, or line by line with --target FILE.csv and --setting NAME=VALUE; what "
            "really is so in normal use is given just as it is"
        )


def _from_tables(
    description: EngineDescription, tables: list[list[float]], target: list[float] | None
) -> Calibration:
    storage, axes = description.storage, description.axes
    return Calibration(
        load_axis=axes.load_axis,
        speed_rpm=tuple(axes.speed_rpm),
        load=tuple(axes.load),
        ve_pct=tuple(tuple(cells) for cells in tables),
        displacement_cm3=description.engine.displacement_cm3,
        target_lambda=None if target is None else tuple(target),
        ve_step_pct=storage.step_pct,
        ve_most_count=int(storage.max_pct / storage.step_pct + 1e-9),
    )


def described(origin: Origin, calibration: Calibration) -> EngineDescription:
    """Return a description for a calibration that came without one."""
    banks = calibration.banks
    names = list(origin.banks) or [f"bank{number + 1}" for number in range(banks)]
    if len(names) != banks:
        raise UserError(f"there are {banks} banks, got {len(names)} --bank")
    most = calibration.ve_most_count * calibration.ve_step_pct
    engine = {
        "name": origin.name,
        "displacement_cm3": calibration.displacement_cm3
        if origin.displacement_cm3 is None
        else origin.displacement_cm3,
        "cylinders": banks if origin.cylinders is None else origin.cylinders,
    }
    if origin.stoichiometric_afr is not None:
        engine["stoichiometric_afr"] = origin.stoichiometric_afr
    try:
        return parse_description(
            {
                "engine": engine,
                "axes": {
                    "load_axis": calibration.load_axis,
                    "speed_rpm": list(calibration.speed_rpm),
                    "load": list(calibration.load),
                },
                "method": {"sensor": origin.sensor, "closed_loop": origin.sensor == "switching"},
                "storage": {"step_pct": calibration.ve_step_pct, "max_pct": most},
                "bank": [{"name": name, "table": f"{name}.csv"} for name in names],
            }
        )
    except DescriptionError as error:
        raise UserError(f"the new engine description: {error}") from None


def _from_sheets(origin: Origin, screen: Screen) -> tuple[EngineDescription, Calibration]:
    """Make a job from tables alone; the first one's header gives the axes."""
    if origin.displacement_cm3 is None:
        raise UserError("tables alone do not tell the engine's size: give --displacement (cm3)")
    sheets: list[Sheet] = []
    names: list[str] = []
    for path in origin.tables:
        what = "VE table (CSV)"
        label = Path("standard input") if path == PASTE else path
        text = text_of(label, _pasted(), what) if path == PASTE else read_text(path, what)
        found = sheets_in(label, text)
        sheets += found
        names += [path.stem] if path != PASTE else [""] * len(found)
    names = [name or f"bank{number}" for number, name in enumerate(names, start=1)]
    first = sheets[0]
    for sheet in sheets:
        sheet.turn_upright()
        for note in sheet.notes:
            screen.say(f"{sheet.path}: {note}.")
        sheet.check_axes(first.speed_rpm, first.load)
    tables = [sheet.cells() for sheet in sheets]
    target = None
    if origin.target is not None:
        target = tuple(read_table(origin.target, first.speed_rpm, first.load, TARGET_LAMBDA))
    try:
        calibration = Calibration(
            load_axis=origin.load_axis,
            speed_rpm=tuple(first.speed_rpm),
            load=tuple(first.load),
            ve_pct=tuple(tuple(cells) for cells in tables),
            displacement_cm3=origin.displacement_cm3,
            target_lambda=target,
        )
    except ValueError as error:
        raise UserError(error) from None
    named = origin if origin.banks else replace(origin, banks=tuple(names))
    return described(named, calibration), calibration


def _pasted() -> bytes:
    """Return what stands on standard input, whatever it is encoded in."""
    return sys.stdin.buffer.read(MOST_BYTES + 1)


def _with_settings(calibration: Calibration, origin: Origin) -> Calibration:
    """Lay settings given by hand over those read."""
    given = parse_settings(origin.settings)
    return replace(calibration, settings={**calibration.settings, **given})


def parse_settings(texts: Sequence[str]) -> dict[str, float]:
    """Return settings given as NAME=on, NAME=off or NAME=NUMBER; UserError for anything else."""
    given: dict[str, float] = {}
    for text in texts:
        name, _, value = text.partition("=")
        words = {"on": 1.0, "off": 0.0}
        try:
            given[name] = words[value] if value in words else float(value)
        except ValueError:
            raise UserError(f"--setting {text}: give NAME=on, NAME=off or NAME=NUMBER") from None
        if name not in SETTINGS:
            raise UserError(f"--setting {name}: not known; there are {', '.join(SETTINGS)}")
        # Written so that NaN fails, too.
        if not 0.0 <= given[name] <= MOST_SETTING:
            raise UserError(f"--setting {text}: a setting is 0 to {MOST_SETTING:g}")
    return given


def _check_start(folder: Path, made: Path, description: EngineDescription) -> None:
    """UserError when the start could not be read again: better now than by every later command."""
    try:
        read_calibration(made / START, description)
    except UserError as error:
        raise UserError(f"no job is made: {str(error).replace(str(made), str(folder))}") from None


def _write(
    folder: Path,
    description: EngineDescription,
    calibration: Calibration,
    by_wire: bool,
    doubts: dict[str, str],
) -> None:
    """Make the whole job beside its place, and move it there in one step."""
    banks = [b.model_copy(update={"table": f"{START}/{b.name}.csv"}) for b in description.bank]
    description = description.model_copy(update={"bank": banks})
    place = folder.resolve()
    with disk.errors_about(folder, "cannot be made"):
        disk.make_folders(place.parent)
        with disk.scratch(place.parent) as made:
            _fill(folder, made, description, calibration, by_wire, doubts)
            disk.sync_folder(made)
            _put(made, place)


def _put(made: Path, place: Path) -> None:
    """Move a whole job to its place, which may be an empty folder."""
    if place.is_dir():
        place.rmdir()
    try:
        disk.move(made, place)
    except BaseException:
        # Nobody was told of it: another try finds the place free.
        shutil.rmtree(place, ignore_errors=True)
        raise


def _fill(
    folder: Path,
    made: Path,
    description: EngineDescription,
    calibration: Calibration,
    by_wire: bool,
    doubts: dict[str, str],
) -> None:
    """Write the files of a job into `made`. folder: where they will be."""
    preface = ("The engine of this job: correct it here, every key is explained.",)
    text = with_doubts(annotated_example(description, preface), doubts)
    write_text(made / DESCRIPTION, text)
    save_folder(made / START, calibration_files(replace(calibration, mark=None), description))
    _check_start(folder, made, description)
    axes = description.axes
    record = Created(
        **head_of(Chain()),
        table=0,
        by_wire=by_wire,
        banks=[b.name for b in description.bank],
        axes=AxesKept(speed_rpm=axes.speed_rpm, load=axes.load),
        displacement_cm3=calibration.displacement_cm3,
        description=hash_file(made / DESCRIPTION),
        files=hash_files(made / START),
        device=kept(calibration.device) if by_wire else None,
    )
    write_head(made, write_history(made, Chain().followed_by(record)))
