"""The live view's sentences: is it learning, what became of the samples, where to go, alarms."""

import math

from breathmap.learner.decide.guide import Advice, Region
from breathmap.learner.words.description import EngineDescription
from breathmap.learner.words.reasons import EXPLANATIONS
from breathmap.tools.base.uncertain import error_text
from breathmap.tools.report.words import CAUTIONS
from breathmap.tools.run.alarm_words import clock, remedy_of, what_alarm
from breathmap.tools.run.observer import CATCHING_UP, SILENT_S, no_sample_text
from breathmap.tools.view.state import (
    LEARNING,
    STOP,
    USED,
    WAITING,
    Watch,
    calm_state_of,
    state_of,
)

ENDED = "ENDED: nothing more will come"
# Before the text of an alarm, by the state that it makes.
LEADS = {STOP: "STOP NOW", WAITING: "LOOK"}
STOP_FIRST = "first do what the alarm above says"
HELP = (
    ("l, 1 to 6", "next layer, or layer by number: coverage, VE now, VE proposed,"),
    ("", "correction, standard error, where observations land"),
    ("b", "next bank"),
    ("d", "what else than VE could explain it, and what to check"),
    ("c", "close-up that follows the operating point, on and off"),
    ("o", "operator mode: one word, one colour, and bells: one = learning,"),
    ("", "two slow = not learning (or an alarm to look at), four fast again"),
    ("", "and again = stop now"),
    ("a", "acknowledge alarms"),
    ("space", "pause: nothing is learned or recorded; alarms go on"),
    ("n", "note: a line of text, kept with the time"),
    ("x", "the advised ground cannot be reached: leave it out"),
    ("X", "take all ground that was left out back in"),
    ("+, -", "replay faster, slower"),
    ("q", "quit; everything is written"),
    ("?", "this help"),
)
START = (
    "Nobody who rides or drives looks at this screen: a second person does,",
    "or nobody, and the run is looked at afterwards.",
)


def verdict_line(
    watch: Watch,
    names: list[str],
    paused: bool,
    silent_s: float,
    no_sample_s: float = 0.0,
    port_state: str = "",
    is_behind: bool = False,
    has_keys: bool = True,
) -> tuple[str, str]:
    """Return (is it learning and if not why not, what to do). port_state: what is the matter with
    the port. is_behind: what is shown is of some time ago. has_keys: who reads sits at the keys."""
    if port_state:
        return f"NOT LEARNING: {port_state}", "to do: plug it in again; it goes on by itself"
    if is_behind:
        return CATCHING_UP[0].upper() + CATCHING_UP[1:], "to do: go by the engine's own gauges"
    if paused:
        at = "" if has_keys else " at the terminal that runs it"
        return "PAUSED: nothing is learned or recorded; alarms go on", f"to do: space goes on{at}"
    if silent_s > SILENT_S:
        return (
            f"NOT LEARNING: nothing has arrived for {silent_s:.0f} s",
            "to do: check cable, power, and that the device is running",
        )
    if no_sample_s > SILENT_S:
        return f"NOT LEARNING: {no_sample_text(no_sample_s)}", "to do: start the engine"
    verdicts = [watch.verdict(bank) for bank in range(len(names))]
    if not any(verdicts):
        return "WAITING for the first sample", "to do: start the device, or wait a moment"
    if all(verdict == USED for verdict in verdicts):
        return "LEARNING: samples are used, all banks", "to do: hold it, or go on as advised below"
    reasons = {verdict for verdict in verdicts if verdict not in (USED, "")}
    reason = next(verdict for verdict in verdicts if verdict not in (USED, ""))
    meaning, remedy = EXPLANATIONS[reason]
    where = "" if len(reasons) == 1 and USED not in verdicts else f" ({_bank_of(verdicts, names)})"
    return f"NOT LEARNING{where}: {meaning}", f"to do: {remedy}"


def ended_words(has_keys: bool) -> tuple[str, str]:
    """Return what is said, and what to do, once the source is over."""
    return ENDED, "to do: " + (
        "q writes everything and leaves" if has_keys else "wait for the results"
    )


def _bank_of(verdicts: list[str], names: list[str]) -> str:
    return next(n for n, v in zip(names, verdicts, strict=True) if v not in (USED, ""))


def spent_line(watch: Watch, width: int = 80) -> str:
    """Return how the last minute's samples were spent, by reason, in `width` characters: the
    reasons that cost most, and the others together where there is no room."""
    spent = watch.spent()
    total = sum(spent.values())
    if not total:
        return "last minute: no samples"
    line = f"last minute: used {_share(spent[USED], total)}"
    refused = [(name, count) for name, count in spent.most_common() if name != USED]
    left = sum(count for _, count in refused)
    for name, count in refused:
        longer = f"{line}, {name.replace('_', ' ')} {_share(count, total)}"
        left -= count
        rest = f", other {_share(left, total)}" if left else ""
        if len(longer + rest) > width:
            return f"{line}, other {_share(left + count, total)}"
        line = longer
    return line


def _share(count: int, total: int) -> str:
    share = 100.0 * count / total
    return f"{share:.0f} %" if share >= 1.0 or not count else "<1 %"


def region_words(region: Region, description: EngineDescription) -> str:
    """Return a region as a speed band and a load band."""
    axes = description.axes
    load = axes.load_unit_said
    return (
        f"{axes.speed_rpm[region.column]:g} to {axes.speed_rpm[region.column_end]:g} rpm at "
        f"{axes.load[region.row]:g} to {axes.load[region.row_end]:g} {load}"
    )


def advice_lines(
    advice: Advice | None, description: EngineDescription, aside: int, has_keys: bool = True
) -> list[str]:
    """Return where to go next and how long it will still take. has_keys: see `verdict_line`."""
    goal = description.goal.error_pct
    if advice is None:
        return ["go next: run anywhere within the axes", "the first estimate follows in seconds"]
    expected = f"expected error {error_text(100 * advice.error, '%', 2)}"
    left_out = f"; {aside} square{'s' if aside > 1 else ''} left out" if aside else ""
    if advice.region is None:
        if math.isinf(advice.minutes_left):
            back = " (X takes all back in)" if has_keys else ""
            return [f"go next: no ground is left to advise{back}", ""]
        return [
            f"goal reached: {expected} on the ground reached{left_out}",
            f"the goal is {goal:g} %; go on for new ground, or quit",
        ]
    minutes = advice.minutes_left
    left = (
        "more than 4 hours"
        if math.isinf(minutes)
        else "under 1 minute"
        if minutes < 1
        else _about(minutes)
    )
    return [
        f"go next: {region_words(advice.region, description)}",
        f"{expected}, goal {goal:g} %: {left} to go{left_out}",
    ]


def _about(minutes: float) -> str:
    whole = round(minutes)
    return f"about {whole} minute{'s' if whole > 1 else ''}"


def alarm_line(watch: Watch, names: list[str]) -> str:
    """Return the banner's text with the time when its alarm was raised, "" when none is latched."""
    kind = watch.alarms.worst()
    if kind < 0:
        return ""
    more = sum(watch.alarms.latched) - 1
    return alarm_text(watch, names, kind) + (f" (and {more} more)" if more else "")


def alarm_text(watch: Watch, names: list[str], kind: int) -> str:
    """Return what a latched alarm means, when it was raised, and what to do."""
    bank = watch.alarms.bank[kind]
    text = what_alarm(kind, names[bank] if bank >= 0 else "", watch.alarms.value[kind])
    at = clock(watch.raised_s.get(kind, watch.time_s))
    return f"{text}, at {at}. {remedy_of(kind)}"


def again_text(watch: Watch, kind: int) -> str:
    """Return when a latched alarm's cause came back, "" where it did not."""
    again_s = watch.came_s.get(kind, 0.0)
    return f"again at {clock(again_s)}" if again_s > watch.raised_s.get(kind, again_s) else ""


def start_text() -> list[str]:
    """Return the start screen's lines."""
    said = [line for line in CAUTIONS if not line.startswith("Whoever rides")]
    return [*START, "", *(f"- {line}" for line in said)]


def keys_line(width: int, banks: int, can_change_speed: bool) -> str:
    """Return the keys that fit; what matters most is kept longest."""
    keys = ["q:quit", "?:help", "o:operator", "l:layer", "a:seen", "space:pause", "n:note"]
    keys += ["b:bank"] if banks > 1 else []
    keys += ["+-:speed"] if can_change_speed else []
    keys += ["c:close-up", "x:cannot go there"]
    while len(" ".join(keys)) > width:
        keys.pop()
    return " ".join(keys)


def operator_words(watch: Watch, names: list[str], paused: bool) -> tuple[str, str]:
    """Return the one word and one short line for operator mode."""
    if state_of(watch) == STOP:
        return STOP, alarm_line(watch, names)
    return calm_words(watch, names, paused)


def calm_words(watch: Watch, names: list[str], paused: bool) -> tuple[str, str]:
    """Return the same as if no alarm were latched."""
    if paused:
        return WAITING, "paused"
    if calm_state_of(watch) == LEARNING:
        return LEARNING, ""
    return WAITING, verdict_line(watch, names, paused, 0.0)[1]
