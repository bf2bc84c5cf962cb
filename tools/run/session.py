"""One run of learning: bytes or samples in, verdicts counted, results at any time.

Stands between the edges (port, files, screen) and the rooms protocol and learner. No I/O of its
own. Several recordings or logs may follow one another: time goes on, the history does not.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from breathmap.learner.causes.diagnose import Diagnosis, diagnose
from breathmap.learner.causes.since import Earlier
from breathmap.learner.causes.witness import Witness
from breathmap.learner.core.alarms import Alarms
from breathmap.learner.core.gates import primary_reason
from breathmap.learner.core.settings import Settings
from breathmap.learner.core.stream import BankLearner
from breathmap.learner.decide.proposal import Proposal, Rules, propose, rules_for
from breathmap.learner.exact.alive import CarefulLearner
from breathmap.learner.exact.delay import FoundDelay
from breathmap.learner.exact.solve import Solution, solve
from breathmap.learner.fast.calm import take_many
from breathmap.learner.fast.compiled import library
from breathmap.learner.fast.many import learn_many, rows, summed_on
from breathmap.learner.fast.reading import BulkReader
from breathmap.learner.words.description import EngineDescription
from breathmap.learner.words.log_look import Look
from breathmap.protocol.host.calibration import Device, device_of
from breathmap.protocol.host.link import NEED_DATA, Counters, Event, FrameEvent, LinkReader
from breathmap.protocol.wire.control_fields import CONTROLLER
from breathmap.protocol.wire.fields import IDENTITY, REASONS
from breathmap.protocol.wire.payload import unpack_payload
from breathmap.protocol.wire.sample import Sample
from breathmap.protocol.wire.samples import SampleAssembler
from breathmap.tools.base.errors import UserError
from breathmap.tools.base.protocol_version import refuse_newer
from breathmap.tools.run.delay_report import RecentSamples
from breathmap.tools.run.introduction import TAKEN, check_identity
from breathmap.tools.run.left_out import LeftOut, Span, is_inside
from breathmap.tools.run.trace import Trace

# Frames that a session notes, beside samples.
NOTED = (IDENTITY, CONTROLLER)
# Longer than any history: samples of one source never explain those of the next.
BETWEEN_SOURCES_US = 60_000_000


@dataclass
class DelaySpan:
    """Delay, injection to reading, over the used samples of a bank; seconds."""

    count: int = 0
    total_s: float = 0.0
    low_s: float = float("inf")
    high_s: float = 0.0

    def note(self, delay_s: float) -> None:
        """Take one used sample's delay."""
        self.count += 1
        self.total_s += delay_s
        self.low_s = min(self.low_s, delay_s)
        self.high_s = max(self.high_s, delay_s)

    def note_many(self, delays_s: NDArray[np.float64]) -> None:
        """Take the delays (n,) of many used samples, in order."""
        if len(delays_s):
            self.count += len(delays_s)
            self.total_s = summed_on(self.total_s, delays_s)
            self.low_s = min(self.low_s, float(delays_s.min()))
            self.high_s = max(self.high_s, float(delays_s.max()))

    def as_dict(self) -> dict[str, float | None]:
        """Return mean, least and most; None before any sample was used."""
        if not self.count:
            return {"mean_s": None, "least_s": None, "most_s": None}
        return {
            "mean_s": round(self.total_s / self.count, 4),
            "least_s": round(self.low_s, 4),
            "most_s": round(self.high_s, 4),
        }


@dataclass(frozen=True)
class BankResult:
    """What a bank's evidence says at one moment. old_pct: the table learned on, shape (load_count,
    speed_count). proposal: None where nothing is proposed, as in the passes of a job."""

    bank: BankLearner
    old_pct: NDArray[np.float64]
    solution: Solution
    delay: DelaySpan
    proposal: Proposal | None = None


class Session:
    """Learns from one source after another.

    samples: samples given. latest: the latest refusal (bank, reason name), None after a sample
    that every bank used. source: what the bytes come from, named in errors. alarms: what every
    sample raises, whoever looks on.
    """

    def __init__(self, description: EngineDescription, tables: list[list[float]]) -> None:
        self.description = description
        self.tables = tables
        self.settings = description.settings(tables)
        self.learner = CarefulLearner(self.settings)
        self.alarms = Alarms(self.settings, description.alarm_limits())
        self.delays = [DelaySpan() for _ in description.bank]
        self.samples = 0
        self.latest: tuple[str, str] | None = None
        self.identity: dict[str, Any] | None = None
        # Who sends, and who alone may: None takes any device that fits.
        self.device: Device | None = None
        self.expected: Device | None = None
        self.source = ""
        # Filled where the delay shall be looked for afterwards.
        self.recent: RecentSamples | None = None
        # What a search for the delay has found, a bank each; empty where nobody searched.
        self.found_delays: list[FoundDelay | None] = []
        self.trace = Trace(self.learner.banks)
        # Filled where other causes than VE shall be looked for afterwards.
        self.witness: Witness | None = None
        # Called with each sample before it is learned, to tell it otherwise.
        self.retell: Callable[[Sample], None] | None = None
        # Called with each sample right after it was learned.
        self.watcher: Callable[[Sample], None] | None = None
        # Logs learned so far, and whether one that cannot be meant is refused.
        self.logs: dict[str, Look] = {}
        self.questions_logs = True
        # Samples that were left out as asked, so far.
        self.left_out_count = 0
        self._left_out: dict[str, Sequence[Span]] = {}
        self._done = Counters()
        self._reader = new_reader()
        self._assembler = SampleAssembler(reuse=True)
        self._offset_us: int | None = None
        self._controller: dict[str, Any] | None = None
        self._first_us = 0
        self._identities = 0
        self._last_us = 0
        self._is_after_gap = False

    def witnessed(self) -> "Session":
        """Return itself, keeping from now on what it takes to look for other causes than VE."""
        if self.witness is None:
            self.witness = Witness(len(self.description.bank))
        return self

    def learn_on(self, settings: Settings) -> None:
        """Learn on another grid than the description's, before the first sample: that of the tables
        in `settings`, which say the same there, or else `retell` must make up for it."""
        self.settings = settings
        self.tables = [list(bank.table.cells) for bank in settings.banks]
        self.learner = CarefulLearner(settings)
        self.trace = Trace(self.learner.banks)

    def leave_out(self, left_out: LeftOut) -> None:
        """Learn nothing of these spans of sources that are files."""
        self._left_out = {str(path): spans for path, spans in left_out.items()}

    def begin(self, source: str) -> None:
        """A new source follows: its clock and its link start afresh."""
        _add_counters(self._done, self._reader.counters)
        self.source = source
        self.alarms.begin_source(source)
        self._reader = new_reader()
        self._assembler = SampleAssembler(reuse=True)
        self._offset_us = None
        self._controller = None
        self._identities = 0
        self.device = None

    @property
    def counters(self) -> Counters:
        """What the link counted, all sources together."""
        total = Counters()
        _add_counters(total, self._done)
        _add_counters(total, self._reader.counters)
        return total

    @property
    def source_frames(self) -> int:
        """Whole frames of ours from the present source."""
        return self._reader.counters.frames

    @property
    def pending_bytes(self) -> int:
        """Bytes of a frame that the present source has begun and not ended."""
        return self._reader.pending_bytes

    def feed(self, data: bytes) -> None:
        """Take bytes of the present source; UserError when its device does not fit."""
        reader = self._reader
        if isinstance(reader, BulkReader):
            for part in reader.read(data):
                if isinstance(part, Event):
                    self._note(part)
                else:
                    self.learn_many(part)
            return
        reader.feed(data)
        while (event := reader.next_event()) is not NEED_DATA:
            sample = self._assembler.take(event)
            if sample is not None:
                self.learn(sample)
            else:
                self._note(event)

    def _note(self, event: Event) -> None:
        if isinstance(event, FrameEvent) and event.type == IDENTITY.number:
            self.identity = unpack_payload(IDENTITY, event.payload)
            check_identity(self.source, self.identity, self.description)
            self._identities += 1
            # A device that has a serial says so right after its first identity.
            if self._identities > 1 or self._controller or not (self.expected or Device()).serial:
                self.check_device()
        elif isinstance(event, FrameEvent) and event.type == CONTROLLER.number:
            self._controller = unpack_payload(CONTROLLER, event.payload)
            self.check_device()
        else:
            refuse_newer(self.source, "device", self._reader.counters, event)

    def _check_banks(self, count: int) -> None:
        if count != len(self.learner.banks):
            raise UserError(
                f"{self.source}: the samples carry {count} banks, the engine description "
                f"has {len(self.learner.banks)}: correct its [[bank]] entries or the device"
            )

    def learn_many(self, samples: NDArray[np.void]) -> None:
        """Take samples of the present source, an array of `sample_dtype`, as `learn` does one by
        one; their times become the session's own."""
        self._check_banks(samples["measured_lambda"].shape[1])
        if self.watcher or self.retell or self._is_after_gap or self._left_out.get(self.source):
            # Somebody looks at each, or some are left out.
            for sample in rows(samples):
                self.learn(sample)
            return
        self._take_times(samples)
        verdicts = learn_many(self.learner, samples)
        take_many(self.alarms, samples)
        if self.recent is not None:
            self.recent.add_many(samples)
        self.trace.note_many(verdicts, samples)
        if self.witness is not None:
            self.witness.take_many(self.learner, samples, verdicts)
        self.samples += len(samples)
        self.latest = None
        for number, (bank, delay) in enumerate(zip(self.learner.banks, self.delays, strict=True)):
            if bank.verdict:
                self.latest = (bank.name, REASONS[primary_reason(bank.verdict)])
            delay.note_many(verdicts.delay_s[verdicts.verdict[:, number] == 0, number])

    def _take_times(self, samples: NDArray[np.void]) -> None:
        """Make the times of samples of which none is left out the session's own."""
        first = next(rows(samples[:1]))
        self._take_time(first)
        samples["time_us"] += self._offset_us
        samples["lost_before"][0] = first.lost_before
        self._last_us = int(samples["time_us"][-1])

    def learn(self, sample: Sample) -> None:
        """Take one sample of the present source; its time becomes the session's own."""
        banks = self.learner.banks
        self._check_banks(sample.banks)
        if not self._take_time(sample):
            return
        if self.retell is not None:
            self.retell(sample)
        self.learner.learn_one(sample)
        self.alarms.take(sample)
        if self.recent is not None:
            self.recent.add(sample)
        self.trace.note(banks, sample)
        if self.witness is not None:
            self.witness.take(self.learner, sample)
        if self.watcher is not None:
            self.watcher(sample)
        self.samples += 1
        self.latest = None
        for bank, delay in zip(banks, self.delays, strict=True):
            if bank.verdict:
                self.latest = (bank.name, REASONS[primary_reason(bank.verdict)])
            else:
                delay.note(bank.delay_s)

    def check_device(self) -> None:
        """Raise UserError where the present source is another device than the one expected."""
        if not self._identities or self.identity is None:
            return
        self.device = device_of(self.identity, self._controller)
        why = "" if self.expected is None else self.device.is_other_than(self.expected)
        if why:
            raise UserError(
                f"{self.source}: another device than this job's: {why}; take the right one, or "
                'say --other-device "REASON" if it really is the same vehicle'
            )

    def _take_time(self, sample: Sample) -> bool:
        """Make a sample's time the session's own; False where its span was set aside."""
        if self._offset_us is None:
            after = self._last_us + BETWEEN_SOURCES_US if self.samples else 0
            self._offset_us = after - sample.time_us
            self._first_us = sample.time_us
            if self.samples:
                sample.lost_before = 1
        since_s = 1e-6 * (sample.time_us - self._first_us)
        sample.time_us = self._last_us = sample.time_us + self._offset_us
        if is_inside(self._left_out.get(self.source, ()), since_s):
            self.left_out_count += 1
            self._is_after_gap = True
            return False
        if self._is_after_gap:
            self._is_after_gap = False
            sample.lost_before = 1
        return True

    def solve(self) -> list[BankResult]:
        """Solve every bank's evidence as it stands; nothing is proposed."""
        results = []
        for bank, cells, delay in zip(self.learner.banks, self.tables, self.delays, strict=True):
            solution = solve(bank.evidence, cells_pct=cells)
            old_pct = np.asarray(cells, dtype=np.float64).reshape(solution.correction.shape)
            results.append(BankResult(bank, old_pct, solution, delay))
        return results

    def diagnose(
        self, earlier: Earlier | None = None, solutions: Sequence[Solution] | None = None
    ) -> Diagnosis:
        """Look for other causes than VE in what was learned since `witnessed`. solutions: of the
        banks as they stand, where they are at hand."""
        assert self.witness is not None
        return diagnose(self.learner, self.witness, earlier, self.found_delays, solutions)

    def propose(self, solved: list[BankResult]) -> list[BankResult]:
        """Return what was solved, each with a proposal under the standard rules."""
        storage, axes = self.description.storage, self.description.axes
        rules = rules_for(self.description, Rules())
        return [
            replace(result, proposal=propose(cells, result.solution, storage, axes, rules))
            for cells, result in zip(self.tables, solved, strict=True)
        ]


def new_reader() -> BulkReader | LinkReader:
    """Return what reads a source's bytes: in bulk where the C core runs."""
    core = library()
    return LinkReader(TAKEN) if core is None else BulkReader(core, NOTED)


def _add_counters(total: Counters, more: Counters) -> None:
    for name, count in more.as_dict().items():
        setattr(total, name, getattr(total, name) + count)
