"""Long drives as few enough points for a page: least and most of each bucket, so that no peak is
lost, and the rarest verdict of each, so that no refusal is.

Where a drive has few enough samples, all of them go into the page, and looking closer shows each.
"""

import base64
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# Of 16 bits, the last says that there is no value.
STEPS = 65534
NO_VALUE = 65535


@dataclass(frozen=True)
class Buckets:
    """Samples in buckets of (nearly) equal count. starts: of each its first sample, (buckets,).
    count: of the samples."""

    starts: NDArray[np.intp]
    count: int

    @property
    def is_thinned(self) -> bool:
        """True where a bucket holds more than one sample."""
        return len(self.starts) < self.count

    def least(self, values: Array) -> Array:
        """Return the least of each bucket; NaN where it holds no value."""
        return np.fmin.reduceat(values, self.starts)

    def most(self, values: NDArray[Any]) -> NDArray[Any]:
        """Return the most of each bucket; NaN where it holds no value."""
        return np.fmax.reduceat(values, self.starts)


def buckets_of(count: int, channels: int, budget: int) -> Buckets:
    """Return the buckets for so many samples: one each where `budget` numbers hold all channels of
    all samples, else as many as it holds with two numbers each."""
    buckets = count if count * channels <= budget else min(count, budget // (2 * channels))
    return Buckets(np.arange(max(buckets, 1)) * count // max(buckets, 1), count)


def packed(values: Array, buckets: Buckets) -> dict[str, Any]:
    """Return a channel for the page: least and most of each bucket (`hi` is None where these are
    the same) as 16-bit steps from `low` to `high`, little-endian, base64."""
    known = values[np.isfinite(values)]
    low = float(known.min()) if len(known) else 0.0
    high = float(known.max()) if len(known) else 0.0
    step = (high - low) / STEPS or 1.0
    values = np.where(np.isfinite(values), values, np.nan)
    lo = _text(_coded(buckets.least(values), low, step))
    hi = _text(_coded(buckets.most(values), low, step)) if buckets.is_thinned else None
    return {"low": low, "step": step, "lo": lo, "hi": hi}


def _coded(values: Array, low: float, step: float) -> NDArray[np.uint16]:
    codes = np.nan_to_num(np.rint((values - low) / step), nan=float(NO_VALUE))
    return codes.astype("<u2")


def packed_times(time_s: Array, buckets: Buckets) -> str:
    """Return the time of each bucket's first sample in whole ms, 32 bits, base64."""
    return _text(np.rint(1000.0 * time_s[buckets.starts]).astype("<u4"))


def packed_verdicts(verdicts: NDArray[np.int32], buckets: Buckets) -> tuple[list[int], str]:
    """Return the verdicts that there are, used ones first and the rarest last, and per bucket the
    place of its rarest among them: 16 bits, base64."""
    found, places, counts = np.unique(verdicts, return_inverse=True, return_counts=True)
    order = np.lexsort((-counts, found != 0))
    rank = np.empty(len(order), dtype=np.int64)
    rank[order] = np.arange(len(order))
    codes = buckets.most(rank[places])
    return [int(mask) for mask in found[order]], _text(codes.astype("<u2"))


def _text(values: NDArray[Any]) -> str:
    return base64.b64encode(values.tobytes()).decode("ascii")
