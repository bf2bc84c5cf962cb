"""Builds that several of the bridge's tests use, made once."""

import pytest
from bridge_cases import load_kit


@pytest.fixture(scope="session")
def kit(tmp_path_factory):
    """The C kit as a library of this machine."""
    return load_kit(tmp_path_factory.mktemp("kit"))
