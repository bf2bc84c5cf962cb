"""The controller of a job: whose it is, what it holds, and writes that are never believed unread.

A write is recorded before its first byte leaves, and again when the controller was read back; see
`breathmap.tools.job.standing` for what stands between the two.
"""

from dataclasses import asdict

from breathmap.protocol.host.calibration import Calibration, Device
from breathmap.protocol.wire.control_fields import SETTINGS
from breathmap.protocol.wire.payload import pack_payload, unpack_payload
from breathmap.tools.base.control import ControllerLink, NothingWrittenError
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.screen import Screen
from breathmap.tools.job.calibration import axes_lines
from breathmap.tools.job.folder import Job
from breathmap.tools.job.records import (
    LEARNING,
    ORIGINAL,
    OTHER,
    DeviceKept,
    DeviceTaken,
    ReadBack,
    SetUp,
    Unchanged,
    Writing,
)
from breathmap.tools.job.setup import (
    SPARK_RETARD,
    TARGET,
    WIDEBAND_OFF,
    learning_calibration,
)
from breathmap.tools.job.standing import standing

TRANSIENTS = {"acceleration_enrichment", "deceleration_enleanment"}
SET_UP_WORDS: dict[SetUp, str] = {
    ORIGINAL: "the original set-up",
    LEARNING: "the learning set-up",
    OTHER: "neither the original set-up nor the whole learning set-up",
}


def mark_of(job: Job) -> str:
    """Return what `prepare` leaves in a controller that can keep a mark: which job did it."""
    return f"learning {job.created_hash[:7]}"


def read_controller(job: Job, link: ControllerLink, other_device: str = "") -> Calibration:
    """Return what the controller holds; UserError when it is not the job's device.

    other_device: why another is the same vehicle all the same; kept in the history.
    """
    present = link.read()
    meet(job, present.device, link.url, other_device)
    return present


def meet(job: Job, device: Device, where: str, other_device: str = "") -> None:
    """Compare a device with the job's, and keep the first one that is met."""
    known = job.device
    if known is None:
        if device.device_name or device.serial:
            job.append(DeviceTaken(**job.head(), device=kept(device), reason=""))
        return
    why = device.is_other_than(known)
    if not why:
        return
    if not other_device:
        raise UserError(
            f"{where}: another device than this job's: {why}; take the right one, or say "
            '--other-device "REASON" if it really is the same vehicle'
        )
    job.append(DeviceTaken(**job.head(), device=kept(device), reason=other_device))


def kept(device: Device) -> DeviceKept:
    """Return a device as records keep it."""
    return DeviceKept(**asdict(device))


def write_controller(
    job: Job,
    link: ControllerLink,
    wanted: Calibration,
    present: Calibration,
    command: str,
) -> Calibration:
    """Make the controller hold `wanted`, on record from before the first byte; return what was
    read back. UserError when that failed; the history then says whether anything changed."""
    if link.changes(wanted, present):
        job.append(
            Writing(
                **job.head(),
                command=command,
                port=link.url,
                table=job.table,
                set_up=set_up_of(job, wanted),
            )
        )
    try:
        return link.write(wanted, present)
    except NothingWrittenError:
        job.append(Unchanged(**job.head(), port=link.url))
        raise


def set_up_of(job: Job, present: Calibration) -> SetUp:
    """Return which set-up a controller holds, as far as it shows its settings and target.

    Where the job does not know an original, it cannot call it put back.
    """
    start = at_start(job, present)
    if not present.mark and _same_set_up(start, present):
        return ORIGINAL
    learning = learning_calibration(job.description(), start)
    return LEARNING if _same_set_up(learning, present) else OTHER


def at_start(job: Job, present: Calibration) -> Calibration:
    """Return the job's start, on the axes that a controller has where the job was on them."""
    number = _table_on_axes_of(job, present)
    return job.start() if number is None else job.calibration(number)


def _table_on_axes_of(job: Job, present: Calibration) -> int | None:
    """Return the latest of the job's tables with the axes of a controller, the present one first;
    None when none has."""
    for number in [job.table, *reversed(job.tables)]:
        if _is_on_axes_of(present, job.calibration(number)):
            return number
    return None


def _same_set_up(wanted: Calibration, present: Calibration) -> bool:
    if any(wanted.settings.get(name) != value for name, value in present.settings.items()):
        return False
    if present.target_lambda is None:
        return True
    return wanted.target_lambda is not None and wanted.counts(1, 0) == present.counts(1, 0)


def table_of(job: Job, present: Calibration) -> int | None:
    """Return the number of the job's table that a controller holds, None when it is none."""
    for number in [job.table, *reversed(job.tables)]:
        table = job.calibration(number)
        if not _is_on_axes_of(present, table):
            continue
        same = all(table.counts(0, b) == present.counts(0, b) for b in range(table.banks))
        if same and table.constants() == present.constants():
            return number
    return None


def _is_on_axes_of(one: Calibration, other: Calibration) -> bool:
    return one.has_shape_of(other) and one.has_axes_of(other)


def check_axes(job: Job, present: Calibration, port: str) -> None:
    """UserError unless a controller has the axes and banks of the job's present table."""
    wanted = job.calibration()
    if not _is_on_axes_of(present, wanted):
        raise UserError(
            f"{_on_others(job, present, wanted, port, job.table)}; write them with the table: "
            f"breathmap store {job.folder} --port {port}"
        )


def check_known(job: Job, present: Calibration, port: str, number: int | None = None) -> int | None:
    """Return the number of the job's table that a controller holds; UserError when none.

    None where the axes of a table (by default the present one) have just come in without its cells:
    whatever became of the tables, none is known.
    """
    number = job.table if number is None else number
    found = table_of(job, present)
    is_there = _is_on_axes_of(present, job.calibration(number))
    is_awaited = is_there and not job.has_axes_of(standing(job.records).held, number)
    if found is None and not is_awaited:
        raise UserError(
            f"{port}: the controller holds VE tables that this job does not know: it is another "
            "vehicle, or somebody changed them. See what differs first; to put a table of this job "
            f"back: breathmap undo {job.folder} {job.table} --port {port} --overwrite"
        )
    return found


def check_may_write(
    job: Job,
    link: ControllerLink,
    present: Calibration,
    number: int | None = None,
    overwrite: bool = False,
) -> None:
    """UserError unless a table of the job (by default the present one) may be written over what a
    controller holds: tables that the job knows, unless they are to be overwritten, on the table's
    axes or where the device can write those. Nothing has been written before."""
    number = job.table if number is None else number
    wanted = job.calibration(number)
    if not _is_on_axes_of(present, wanted):
        said = _on_others(job, present, wanted, link.url, number)
        _check_carried(wanted, link.url)
        if not present.has_shape_of(wanted) or not link.writes_axes():
            shown = f" (breathmap enter {job.folder} shows them)" if number == job.table else ""
            raise UserError(
                f"{said}; nothing was written, since this controller takes no such axes over the "
                f"wire: type them into the controller first{shown}, then run this again"
            )
        if _table_on_axes_of(job, present) is None and not overwrite:
            raise UserError(
                f"{said}; nothing was written: it is another vehicle, or somebody changed them. To "
                "put axes and table of this job back: "
                f"breathmap undo {job.folder} {number} --port {link.url} --overwrite"
            )
    if not overwrite:
        check_known(job, present, link.url, number)


def _on_others(job: Job, present: Calibration, wanted: Calibration, port: str, number: int) -> str:
    """Return in words on which axes a controller is; UserError where the job never was on others,
    so that it is another engine's."""
    has_others = any(not job.has_axes_of(one, number) for one in job.tables)
    if not has_others or present.banks != wanted.banks or present.load_axis != wanted.load_axis:
        raise UserError(f"{port}: this controller has other axes or banks than the job's engine")
    there = _table_on_axes_of(job, present)
    which = "other axes" if there is None else f"the axes of table {there}"
    return (
        f"{port}: the controller is on {which}, not on those of table {number}: "
        f"{'; '.join(axes_lines(present, wanted))}"
    )


def _check_carried(wanted: Calibration, port: str) -> None:
    """UserError unless axes travel exactly."""
    kind, values = wanted.axes()
    if unpack_payload(kind, pack_payload(kind, values)) != {
        "speed_count": len(wanted.speed_rpm), "load_count": len(wanted.load), **values
    }:  # fmt: skip
        raise UserError(
            f"{port}: a controller's axes travel in steps of 0.5 rpm and 0.01 kPa or %, and the "
            "table's do not fall on them: apply others, with --speed-step and --load-step"
        )


def check_originals(job: Job, present: Calibration, port: str) -> None:
    """Refuse to change what the job has no original value of."""
    start = job.start()
    lacking = [name for name in present.settings if name not in start.settings]
    if present.target_lambda is not None and start.target_lambda is None:
        lacking.append("target table")
    if lacking:
        raise UserError(
            f"{port}: the job does not know the controller's original {lacking[0]}, so it could "
            "not be put back; give what it was before any learning: breathmap prepare "
            f"{job.folder} --port PORT with --setting NAME=VALUE or --target FILE.csv for each: "
            + ", ".join(lacking)
        )


def read_job(job: Job, port: str, baud: int, other_device: str, screen: Screen) -> None:
    """Read the controller back, and keep on record what it holds."""
    with ControllerLink(port, baud) as link:
        present = read_controller(job, link, other_device)
    read = note_read(job, port, present)
    screen.say(f"The controller at {port} holds {held_text(read)}.")
    if read.table is not None and read.table != job.table:
        screen.warn(
            f"the job has gone on to table {job.table}: breathmap store {job.folder} --port {port}"
        )
    for line in differing(job, present) if read.set_up != ORIGINAL else []:
        screen.say(f"- {line}")


def note_read(job: Job, port: str, present: Calibration) -> ReadBack:
    """Keep on record what the controller was found to hold."""
    read = ReadBack(
        **job.head(), port=port, table=table_of(job, present), set_up=set_up_of(job, present)
    )
    job.append(read)
    return read


def held_text(read: ReadBack) -> str:
    """Return in words what a controller was found to hold."""
    tables = "VE tables that this job does not know"
    return (
        f"{tables if read.table is None else f'table {read.table}'} and "
        + (SET_UP_WORDS[read.set_up])
    )


def differing(job: Job, present: Calibration) -> list[str]:
    """Return what of the set-up is not as at the start, a line each."""
    start = at_start(job, present)
    lines = [
        f"{name}: {value:g}, at the start {_was(start.settings.get(name))}"
        for name, value in present.settings.items()
        if start.settings.get(name) != value
    ]
    if present.target_lambda is not None and (
        start.target_lambda is None or start.counts(1, 0) != present.counts(1, 0)
    ):
        lines.append("target table: not that of the start")
    if present.mark:
        lines.append(f"a mark: {present.mark!r}")
    return lines


def _was(value: float | None) -> str:
    return "not known" if value is None else f"{value:g}"


def learning_lines(calibration: Calibration) -> dict[str, str]:
    """Return what of a calibration looks like a learning set-up: words by the sheet's line.

    Common practice, no source: a flat target; both transients off, or every correction off; spark
    retarded. A mark makes every line of the sheet doubtful.
    """
    settings, target = calibration.settings, calibration.target_lambda
    offered = [name for name in WIDEBAND_OFF if name in settings]
    off = [name for name in offered if settings[name] == 0.0]
    lines: dict[str, str] = {}
    if target is not None and (calibration.mark or min(target) == max(target)):
        lines[TARGET] = f"target table {min(target):.3f} to {max(target):.3f}"
    if calibration.mark or set(off) >= TRANSIENTS or (len(off) > 1 and off == offered):
        for name in off:
            lines[name] = f"{name} off"
    if settings.get(SPARK_RETARD):
        lines[SPARK_RETARD] = f"{SPARK_RETARD} {settings[SPARK_RETARD]:g}"
    return {name: lines[name] for name in (TARGET, *SETTINGS) if name in lines}
