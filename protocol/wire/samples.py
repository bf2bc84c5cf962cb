# Board-safe: runs on CPython and MicroPython alike.
"""From link events to samples: continuous time, and how much was lost before each.

Feed it every event, not only frames: the losses stand between them.
"""

from breathmap.protocol.wire.events import Event, FrameEvent, LostFrames, Malformed, Restarted
from breathmap.protocol.wire.sample import ClockUnwrapper, Sample
from breathmap.protocol.wire.shapes import SAMPLE_TYPE


class SampleTimeline:
    """Gives each sample frame its continuous time and the losses since the one before."""

    def __init__(self) -> None:
        self.time_us = 0
        self.lost_before = 0
        self._clock = ClockUnwrapper()
        self._offset_us = 0
        self._restarted = False
        self._lost = 0

    def take(self, event: Event) -> "bytes | None":
        """Note one event; return the payload when it is a sample frame, else None.

        After a sample, `time_us` (microseconds, never less than the one before) and
        `lost_before` are its own. A restart counts as one frame lost and holds the time.
        """
        if isinstance(event, LostFrames):
            self._lost += event.count
        elif isinstance(event, Restarted):
            self._lost += 1
            self._restarted = True
        elif isinstance(event, Malformed):
            # Other damaged runs show as a gap in the sequence; counting them here as well
            # would count them twice.
            if event.reason == "length":
                self._lost += 1
        elif isinstance(event, FrameEvent) and event.type == SAMPLE_TYPE:
            self._stamp(event.time_us)
            return event.payload
        return None

    def _stamp(self, device_us: int) -> None:
        if self._restarted:
            # The new clock may stand above the old one's last value and look like a step ahead.
            self._restarted = False
            self._clock = ClockUnwrapper()
            self._offset_us = self.time_us - device_us
        self.time_us = self._offset_us + self._clock.unwrap(device_us)
        self.lost_before = self._lost
        self._lost = 0


class SampleAssembler:
    """Turns link events into Sample objects.

    reuse: hand out one and the same Sample again and again (a board saves the memory); its
    contents hold until the next call of `take`. decode: fills a Sample from a payload, by default
    from the field table.
    """

    def __init__(self, reuse: bool = False, decode=None) -> None:  # type: ignore[no-untyped-def]
        if decode is None:
            from breathmap.protocol.wire.payload import decode_sample_into

            decode = decode_sample_into
        self._decode = decode
        self._timeline = SampleTimeline()
        self._sample = Sample() if reuse else None

    def take(self, event: Event) -> "Sample | None":
        """Note one event; return the sample when it brings one, else None."""
        payload = self._timeline.take(event)
        if payload is None:
            return None
        sample = self._sample or Sample()
        self._decode(payload, sample)
        sample.time_us = self._timeline.time_us
        sample.lost_before = self._timeline.lost_before
        return sample
