"""The installed version, and what `breathmap --version` says."""

from functools import cache
from importlib.metadata import PackageNotFoundError, version

from breathmap.learner.fast.compiled import core_name
from breathmap.protocol.wire.codes import PROTOCOL_VERSION


@cache
def software_version() -> str:
    """Return the installed version; looked for once, as every record and summary names it."""
    try:
        return version("breathmap")
    except PackageNotFoundError:
        return "not installed"


def version_line() -> str:
    """Return the versions and which core runs, for people."""
    return f"breathmap {software_version()}, protocol version {PROTOCOL_VERSION}, {core_name()}"
