"""What alarms say: while they last, when they are over, and of a whole run."""

from breathmap.learner.core.alarms import (
    LEAN,
    LINK_LOST,
    NAMES,
    NOT_RECORDING,
    SENSOR_LOST,
    Alarms,
)
from breathmap.learner.core.episodes import Episode
from breathmap.learner.core.settings import SWITCHING
from breathmap.learner.words.description import EngineDescription
from breathmap.protocol.wire.fields import SENSOR_ABSENT, SENSOR_FAULT, SENSOR_READY, SENSOR_WARMING
from breathmap.tools.run.summary import AlarmsSummary, AlarmSummary

# name -> (what it means, what to do); a test holds that every alarm has its words.
ALARM_WORDS: dict[str, tuple[str, str]] = {
    "lean_under_load": (
        "LEAN UNDER LOAD{bank}: lambda {value:.2f}",
        "close the throttle now; look for fuel pressure, injector, leak, or a cell far too low",
    ),
    "engine_too_hot": (
        "ENGINE TOO HOT: {value:.0f} °C",
        "ease off, stop, let it cool; check coolant and fan",
    ),
    "sensor_lost": (
        "SENSOR LOST{bank}: {state}",
        "end the pull gently; check heater, plug and wiring of the lambda sensor",
    ),
    "link_lost": (
        "LINK LOST",
        "nothing arrives: check cable, power and bridge; what was learned is safe",
    ),
    "frames_being_lost": (
        "FRAMES ARE BEING LOST: {value:.0f} %",
        "check cable, grounding and baud rate",
    ),
    "not_recording": (
        "NOT RECORDING: the disk takes nothing",
        "make room on the disk; learning goes on, and what comes is held in memory",
    ),
}
SENSOR_SAYS = {
    SENSOR_ABSENT: "it is not there",
    SENSOR_WARMING: "it does not get warm",
    SENSOR_READY: "it reads nothing",
    SENSOR_FAULT: "it reports a fault",
}
# name -> (in a sentence, the unit of what was seen)
SEEN: dict[str, tuple[str, str]] = {
    "lean_under_load": ("lean under load", "lambda"),
    "engine_too_hot": ("engine too hot", "degC"),
    "sensor_lost": ("sensor lost", "state"),
    "frames_being_lost": ("frames being lost", "%"),
}
LEAN_NAME = NAMES[LEAN]


def what_alarm(kind: int, bank: str, value: float) -> str:
    """Return what an alarm means. bank: its name, "" for none. value: what was seen."""
    state = SENSOR_SAYS.get(round(value), "it is not ready") if kind == SENSOR_LOST else ""
    where = f" ({bank})" if bank else ""
    return ALARM_WORDS[NAMES[kind]][0].format(bank=where, value=value, state=state)


def remedy_of(kind: int) -> str:
    """Return what to do about an alarm."""
    return ALARM_WORDS[NAMES[kind]][1]


def clock(time_s: float) -> str:
    """Return a time of a run as minutes and seconds, or hours, minutes and seconds."""
    minutes, seconds = divmod(int(time_s), 60)
    hours, minutes_left = divmod(minutes, 60)
    if not hours:
        return f"{minutes}:{seconds:02d}"
    return f"{hours}:{minutes_left:02d}:{seconds:02d}"


def begun_line(episode: Episode, names: list[str], unit: str) -> str:
    """Return the line of an alarm that has begun. unit: of the load."""
    return (
        f"ALARM at {clock(episode.time_s)}: {_what(episode, names)}, {_where(episode, unit)}. "
        f"{remedy_of(episode.kind)}"
    )


def over_line(episode: Episode, names: list[str], unit: str) -> str:
    """Return the line of an alarm that is over."""
    return (
        f"over after {episode.duration_s:.1f} s (at {clock(episode.time_s)}), at worst: "
        f"{_what(episode, names)}, {_where(episode, unit)}."
    )


def _what(episode: Episode, names: list[str]) -> str:
    bank = names[episode.bank] if episode.bank >= 0 else ""
    text = what_alarm(episode.kind, bank, episode.worst)
    return f"{text}, {episode.limit:.2f} is the limit" if episode.kind == LEAN else text


def _where(episode: Episode, unit: str) -> str:
    return f"{episode.speed_rpm:.0f} rpm, {episode.load:.0f} {unit}"


def alarms_summary(alarms: Alarms, description: EngineDescription) -> AlarmsSummary:
    """Return the alarms of a run. A link that was lost and a recording that failed show in no
    sample: they are not among them."""
    names = [bank.name for bank in description.bank]
    kinds = [k for k in range(len(NAMES)) if k not in (LINK_LOST, NOT_RECORDING)]
    if alarms.settings.sensor_kind == SWITCHING:
        kinds.remove(LEAN)
    return AlarmsSummary(
        counts={NAMES[k]: alarms.episodes.counts[k] for k in kinds},
        running_s=round(alarms.running_s, 1),
        lean_watched_s=round(alarms.lean.judged_s, 1),
        load_unit=description.axes.load_unit_said,
        episodes=[_summary(episode, names) for episode in alarms.episodes.kept],
    )


def _summary(episode: Episode, names: list[str]) -> AlarmSummary:
    name = NAMES[episode.kind]
    digits = 3 if episode.kind == LEAN else 1
    return AlarmSummary(
        kind=name,
        bank=names[episode.bank] if episode.bank >= 0 else None,
        source=episode.source,
        time_s=round(episode.time_s, 2),
        duration_s=round(episode.duration_s, 2),
        worst=round(episode.worst, digits),
        limit=_number(episode.limit, digits),
        unit=SEEN[name][1],
        speed_rpm=_number(episode.speed_rpm, 0),
        load=_number(episode.load, 1),
    )


def _number(value: float, digits: int) -> float | None:
    return round(value, digits) if value == value else None


def alarm_lines(alarms: AlarmsSummary | None) -> list[str]:
    """Return the alarms of a run that came, a line a kind, the mixture's first."""
    if alarms is None:
        return []
    came = [name for name, count in alarms.counts.items() if count]
    return [_lean_line(alarms) if name == LEAN_NAME else _other_line(alarms, name) for name in came]


def quiet_lines(alarms: AlarmsSummary | None) -> list[str]:
    """Return which alarms did not come, and which were not looked for."""
    if alarms is None:
        return ["Alarms are not known: this was learned by a version that did not count them."]
    if not alarms.running_s:
        return ["Alarms were not looked for: there are no samples of a running engine."]
    lines = []
    if LEAN_NAME not in alarms.counts:
        lines = ["Lean mixtures were not looked for: a switching sensor does not tell how lean."]
    elif not alarms.counts[LEAN_NAME]:
        lines = [
            f"No lean alarm in {span(alarms.running_s)} of running; for "
            f"{span(alarms.lean_watched_s)} of that the engine was loaded enough for one."
        ]
    others = [SEEN[name][0] for name, n in alarms.counts.items() if not n and name != LEAN_NAME]
    if others:
        lines.append(f"Also looked for, and none came: {', '.join(others)}.")
    return lines


def _lean_line(alarms: AlarmsSummary) -> str:
    count = alarms.counts[LEAN_NAME]
    found = [alarm for alarm in alarms.episodes if alarm.kind == LEAN_NAME]
    worst = max(found, key=lambda alarm: alarm.worst - (alarm.limit or 0.0))
    return (
        f"{_counted(count, 'lean alarm')} in {span(alarms.running_s)} of running: "
        f"first {_at(found[0])}; worst {_at(worst)}, lambda {worst.worst:.2f} where "
        f"{worst.limit:.2f} is the limit, for {worst.duration_s:.1f} s, at {_point(worst, alarms)}."
    )


def _other_line(alarms: AlarmsSummary, name: str) -> str:
    found = [alarm for alarm in alarms.episodes if alarm.kind == name]
    first = f", first {_at(found[0])}" if found else ""
    text = _counted(alarms.counts[name], "alarm")
    return f"{text} of another kind: {SEEN[name][0]}{first}."


def _counted(count: int, what: str) -> str:
    return f"{count:,} {what}{'s' if count > 1 else ''}"


def _at(alarm: AlarmSummary) -> str:
    bank = f" (bank {alarm.bank})" if alarm.bank is not None else ""
    return f"at {clock(alarm.time_s)} of {alarm.source}{bank}"


def _point(alarm: AlarmSummary, alarms: AlarmsSummary) -> str:
    return f"{alarm.speed_rpm:.0f} rpm and {alarm.load:.0f} {alarms.load_unit}"


def span(seconds: float) -> str:
    """Return a time span in the unit that suits it."""
    if seconds < 60.0:
        return f"{seconds:.0f} s"
    if seconds < 3600.0:
        return f"{seconds / 60.0:.0f} min"
    return f"{seconds / 3600.0:.1f} h"
