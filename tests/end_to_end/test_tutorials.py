"""The tutorials are typed as they stand, and every link between pages leads somewhere."""

import os
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from checkout import ROOT
from forked import forking

from breathmap.tools.make.pages import broken_links, check, pages
from breathmap.tools.make.walk import blocks_of, walk

TUTORIALS = (
    "protocol/tutorial-bridge.md",
    "simulator/tutorial-convergence.md",
    "simulator/tutorial-classroom.md",
)


@pytest.fixture(scope="module")
def environment(
    package_folder: Path, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[dict[str, str]]:
    """Variables with which `breathmap` and `python` are those of this checkout."""
    folder = tmp_path_factory.mktemp("bin")
    program = folder / "python"
    program.write_text(f'#!/bin/sh\nexec "{sys.executable}" "$@"\n')
    program.chmod(0o755)
    path = os.pathsep.join([str(folder), os.environ["PATH"]])
    with forking(folder, {**os.environ, "PYTHONPATH": str(package_folder)}):
        yield {**os.environ, "PATH": path, "PYTHONPATH": str(package_folder), "COLUMNS": "80"}


@pytest.mark.parametrize("name", TUTORIALS)
def test_a_tutorial_is_typed_as_it_stands(
    name: str, environment: dict[str, str], tmp_path: Path
) -> None:
    """Every command and every line of Python of a tutorial runs, in order, in an empty folder."""
    page = ROOT / name
    blocks = blocks_of(page.read_text(encoding="utf-8"))
    assert len(blocks) > 4
    assert not [block for block in blocks if block.why_not]
    assert walk(page, environment, tmp_path) == 0


def test_every_link_and_name_leads_somewhere() -> None:
    """Relative links, their anchors, files and names in backticks: in every page of the
    repository, and in every docstring."""
    assert {ROOT / "README.md", ROOT / TUTORIALS[0]} <= set(pages())
    assert check() == []


WRONG = """
# One heading, `coded`
[gone](../gone.md) [there](SPEC.md) [out](https://example.org/x) ![picture](bridge/no.svg)
[no such heading](#two) [this one](#one-heading-coded) [far](SPEC.md#2-framing) [not](SPEC.md#22)
`tools/run/gone.py` `tools/run/session.py` `bridge/README.md` `monday/engine.toml`
`breathmap.tools.run.session.Session.solve` `breathmap.tools.run.session.Session.sulk`
`breathmap.learner.core` `breathmap.learner.care`
```
[in a block](gone.md)
```
"""


def test_what_leads_nowhere_is_found() -> None:
    """Links to missing files and headings, and names of what is not there, are told one by one;
    what a run makes is no file of ours."""
    found = broken_links(ROOT / "protocol" / "made-up.md", WRONG)
    assert found == [
        "(../gone.md): no such file",
        "(bridge/no.svg): no such file",
        "(#two): made-up.md has no such heading",
        "(SPEC.md#22): SPEC.md has no such heading",
        "`tools/run/gone.py`: no such file",
        "`breathmap.tools.run.session.Session.sulk`: no such name",
        "`breathmap.learner.care`: no such name",
    ]
