"""What a summary and a report say of a port: how often it was lost, and what is not recorded."""

from breathmap.tools.run.alarm_words import span
from breathmap.tools.run.summary import PortSummary


def port_lines(port: PortSummary | None) -> list[str]:
    """Return what happened to a port, a line each; none where nothing did."""
    if port is None:
        return []
    lines = []
    if port.times_lost:
        often = "once" if port.times_lost == 1 else f"{port.times_lost:,} times"
        lines.append(f"The port was lost {often}, for {span(port.lost_s)} in all.")
    if port.refused:
        devices = "another device" if port.refused == 1 else f"{port.refused:,} other devices"
        lines.append(f"In its place came {devices}: refused, nothing of it was learned.")
    if port.unknown:
        lines.append(
            f"Sent by nobody knows whom, kept and not learned: {', '.join(port.unknown)}; learn "
            "it where you know that it is this engine's."
        )
    return lines


def unrecorded_lines(port: PortSummary, is_learned: bool) -> list[str]:
    """Return the warning that a recording ended early. is_learned: what came later is in the
    results; in a job it is not, since only what is recorded can be proved."""
    if not port.unrecorded_bytes:
        return []
    begin = f"recording ended at {port.unrecorded_from}: {port.unrecorded_why}"
    if is_learned:
        return [
            f"{begin}; {port.unrecorded_bytes:,} bytes that came later are in these results and in "
            "evidence.bin, but in no recording: replaying the recordings gives less"
        ]
    return [
        f"{begin}; what came later ({port.unrecorded_bytes:,} bytes) is not in the job: make room, "
        "and drive that part again"
    ]
