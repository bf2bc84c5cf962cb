"""What of recordings is not to be learned: spans of their time, or all of them.

The bytes stay as they are; whoever learns leaves out what is named here.
"""

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

# From and to, seconds since a recording's first sample; the end is not in it.
Span = tuple[float, float]
WHOLE: Span = (0.0, float("inf"))
LeftOut = Mapping[Path, Sequence[Span]]
NOTHING: LeftOut = {}


def kept(paths: Iterable[Path], left_out: LeftOut) -> list[Path]:
    """Return the files of which something is to be learned, in their order."""
    return [path for path in paths if WHOLE not in left_out.get(path, ())]


def is_inside(spans: Sequence[Span], time_s: float) -> bool:
    """True when a moment is in one of the spans."""
    return any(from_s <= time_s < to_s for from_s, to_s in spans)
