"""Where the checkout is, and what it holds of earlier versions."""

from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
# What version 0.1.0 wrote.
EARLIER = ROOT / "tests" / "data" / "0.1.0"
