"""The installed version, and what `breathmap --version` says."""

from importlib.metadata import PackageNotFoundError, version

from breathmap.learner.fast.compiled import core_name
from breathmap.protocol.wire.codes import PROTOCOL_VERSION


def software_version() -> str:
    """Return the installed version."""
    try:
        return version("breathmap")
    except PackageNotFoundError:
        return "not installed"


def version_line() -> str:
    """Return the versions and which core runs, for people."""
    return f"breathmap {software_version()}, protocol version {PROTOCOL_VERSION}, {core_name()}"
