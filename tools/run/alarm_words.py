"""What alarms say: while they last, when they are over, and of a whole run."""

from breathmap.learner.core.alarms import LEAN, NAMES, SENSOR_LOST
from breathmap.learner.core.episodes import Episode
from breathmap.protocol.wire.fields import SENSOR_ABSENT, SENSOR_FAULT, SENSOR_READY, SENSOR_WARMING

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
}
SENSOR_SAYS = {
    SENSOR_ABSENT: "it is not there",
    SENSOR_WARMING: "it does not get warm",
    SENSOR_READY: "it reads nothing",
    SENSOR_FAULT: "it reports a fault",
}


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
