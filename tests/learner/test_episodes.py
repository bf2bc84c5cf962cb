"""What a run keeps of its alarms: counted without end, and no kind pushes out another."""

from breathmap.learner.core.alarms import FRAMES_LOST, LEAN, NAMES
from breathmap.learner.core.episodes import KEPT, Episode, Episodes


def one(episodes: Episodes, kind: int, worst: float, limit: float) -> Episode:
    """Let one episode begin and end."""
    episodes.time_s += 1.0
    episode = episodes.of(kind, 0)
    episode.see(worst, limit, 3000.0, 90.0)
    episodes.end(episode)
    return episode


def test_a_lean_alarm_is_kept_after_any_number_of_others() -> None:
    """However many frames were lost before, the lean alarm is there to be told."""
    episodes = Episodes(len(NAMES))
    for _ in range(3 * KEPT):
        one(episodes, FRAMES_LOST, 40.0, 5.0)
    lean = one(episodes, LEAN, 1.10, 0.95)
    assert lean in episodes.kept
    assert episodes.counts[FRAMES_LOST] == 3 * KEPT
    assert len(episodes.kept) <= KEPT * len(NAMES)


def test_the_worst_of_a_kind_is_kept() -> None:
    """The first of a kind are kept, and in the last of their places the worst of all others."""
    episodes = Episodes(len(NAMES))
    first = one(episodes, LEAN, 0.96, 0.95)
    worst = [one(episodes, LEAN, 1.0 + 1e-4 * k, 0.95) for k in range(3 * KEPT)][-1]
    assert first in episodes.kept
    assert worst in episodes.kept
