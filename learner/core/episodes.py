# Board-safe: runs on CPython and MicroPython alike.
"""What raised alarms, appearance by appearance: when it began, how long, how bad, and where.

Counted without end, kept up to a bound for each kind.
"""

KEPT = 50  # so many of a kind are kept, the last being the worst of all that followed


class Episode:
    """One appearance of a cause.

    kind: see `breathmap.learner.core.alarms.NAMES`. bank: -1 for none. source, time_s: where its
    samples come from, and how long after the first of these it began. duration_s: from its first
    sample to its last so far. worst, limit: what was seen and what it was held against: lambda;
    degC, per cent of frames, the state of a lost sensor (limit NaN). speed_rpm, load: when it was
    worst, load of the mixture's alarms being that of the gas at the earliest. over: it has ended.
    """

    def __init__(self, kind: int, bank: int, source: str, time_s: float) -> None:
        self.kind = kind
        self.bank = bank
        self.source = source
        self.time_s = time_s
        self.duration_s = 0.0
        self.worst = 0.0
        self.limit = 0.0
        self.speed_rpm = 0.0
        self.load = 0.0
        self.over = False

    def excess(self) -> float:
        """By how much the worst was above its limit; 0 where there is no limit."""
        above = self.worst - self.limit
        return above if above == above else 0.0

    def see(self, value: float, limit: float, speed_rpm: float, load: float) -> None:
        """Keep what was seen if it is the worst so far."""
        if self.worst == 0.0 or value - limit > self.excess():
            self.worst = value
            self.limit = limit
            self.speed_rpm = speed_rpm
            self.load = load


class Episodes:
    """All of one run. counts: by kind. kept: of each kind the first ones in order, and in the last
    of KEPT places the worst of the others. going: those that are not over. time_s: the clock, which
    goes on from source to source."""

    def __init__(self, kinds: int) -> None:
        self.counts = [0] * kinds
        self.kept = []  # type: list[Episode]
        self.going = []  # type: list[Episode]
        self.time_s = 0.0
        self._source = ""
        self._source_s = 0.0

    def begin_source(self, name: str) -> None:
        """What follows comes from another source: nothing goes on."""
        while self.going:
            self.end(self.going[0])
        self._source = name
        self._source_s = self.time_s

    def of(self, kind: int, bank: int, began_ago_s: float = 0.0) -> Episode:
        """The episode of a cause that is there now; a new one where none is going."""
        for episode in self.going:
            if episode.kind == kind and episode.bank == bank:
                return episode
        began_s = max(0.0, self.time_s - self._source_s - began_ago_s)
        episode = Episode(kind, bank, self._source, began_s)
        self.counts[kind] += 1
        self.going.append(episode)
        if self.counts[kind] <= KEPT:
            self.kept.append(episode)
        return episode

    def age_s(self, episode: Episode) -> float:
        """Seconds from an episode's beginning to now."""
        return self.time_s - self._source_s - episode.time_s

    def end(self, episode: Episode) -> None:
        """It is over."""
        episode.over = True
        self.going.remove(episode)
        if episode in self.kept:
            return
        last = len(self.kept) - 1
        while self.kept[last].kind != episode.kind:
            last -= 1
        if episode.excess() > self.kept[last].excess():
            self.kept[last] = episode
