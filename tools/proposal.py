"""Moved to `learner.proposal`; this name stays until its users have followed."""

from learner.proposal import SATURATED as CLIPPED
from learner.proposal import Proposal, propose

__all__ = ["CLIPPED", "Proposal", "propose"]
