"""The repository's Markdown pages: their links checked, and a site made of them and of the
docstrings.

    python -m breathmap.tools.make.pages check         every link and every name leads somewhere
    python -m breathmap.tools.make.pages build FOLDER  the site (extra `docs`), strictly

The site's pages are the repository's own, under their own names, and one page a shelf of what its
docstrings say; a page before these names all that `breathmap.learner.api` does. Exit code 1 where
something leads nowhere.
"""

import ast
import re
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from functools import cache
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = "breathmap"
ROOMS = ("learner", "protocol", "simulator", "tools")
# Pages for people; setup sheets of earlier versions and the like are data.
PLACES = ("*.md", *(f"{room}/**/*.md" for room in ROOMS))
LINK = re.compile(r"!?\[[^\]]*\]\(([^)\s]+)\)")
FENCE = re.compile(r"^```.*?^```$", re.MULTILINE | re.DOTALL)
HEADING = re.compile(r"^#{1,6} +(.+?)\s*$", re.MULTILINE)
# Files and modules that a page names in backticks, from the top or from its own folder.
FILE = re.compile(r"`((?:[\w.-]+/)+[\w.-]+\.(?:md|py|c|h|toml|json|html|svg|mjs))`")
NAME = re.compile(rf"`({PACKAGE}(?:\.\w+)+)`")

CONFIGURATION = """\
site_name: breathmap
docs_dir: pages
theme:
  name: mkdocs
  highlightjs: false
use_directory_urls: false
plugins:
  - search
  - mkdocstrings:
      handlers:
        python:
          paths: [package]
          options:
            docstring_style: {style}
            show_source: false
            show_root_heading: true
            show_root_full_path: true
            show_if_no_docstring: false
            show_signature_annotations: true
            separate_signature: false
            members_order: source
            filters: ["!^_"]
            heading_level: 2
validation:
  nav: {{omitted_files: info}}
  links: {{not_found: warn, anchors: warn, absolute_links: warn, unrecognized_links: warn}}
"""


def pages() -> list[Path]:
    """Return the pages, in order."""
    return sorted({path for pattern in PLACES for path in ROOT.glob(pattern) if _is_ours(path)})


def _is_ours(path: Path) -> bool:
    return not any(part.startswith(".") for part in path.relative_to(ROOT).parts)


def anchor_of(heading: str) -> str:
    """Return what a heading's anchor is called: small letters, spaces as hyphens, no other
    signs."""
    plain = re.sub(r"[`*]|\[([^\]]*)\]\([^)]*\)", r"\1", heading).lower()
    return re.sub(r"[^\w\- ]", "", plain).strip().replace(" ", "-")


def anchors_in(text: str) -> set[str]:
    """Return the anchors of a page's headings; the second of a name has -1 behind it."""
    found: set[str] = set()
    for heading in HEADING.findall(FENCE.sub("", text)):
        name, count = anchor_of(heading), 0
        while (f"{name}-{count}" if count else name) in found:
            count += 1
        found.add(f"{name}-{count}" if count else name)
    return found


def broken_links(page: Path, text: str | None = None) -> list[str]:
    """Return what of a page leads nowhere, a line each. text: by default the page's own."""
    text = page.read_text(encoding="utf-8") if text is None else text
    spoken = FENCE.sub("", text)
    wrong = [line for target in LINK.findall(spoken) if (line := _wrong_link(page, text, target))]
    for name in FILE.findall(spoken):
        places = [top for top in (ROOT, page.parent) if (top / name.split("/")[0]).exists()]
        # What a job or a run makes is in no folder of ours.
        if places and not any((top / name).exists() for top in places):
            wrong.append(f"`{name}`: no such file")
    return wrong + wrong_names(spoken)


def _wrong_link(page: Path, text: str, target: str) -> str:
    if "://" in target or target.startswith("mailto:"):
        return ""
    name, _, anchor = target.partition("#")
    place = page.parent / name if name else page
    if place != page and not place.exists():
        return f"({target}): no such file"
    if anchor and place.suffix == ".md":
        there = text if place == page else place.read_text(encoding="utf-8")
        if anchor not in anchors_in(there):
            return f"({target}): {place.name} has no such heading"
    return ""


def wrong_names(text: str) -> list[str]:
    """Return the names `breathmap.…` in a text that are no module, class, function or value."""
    return [f"`{name}`: no such name" for name in NAME.findall(text) if not _is_there(name)]


def _is_there(name: str) -> bool:
    parts = name.split(".")[1:]
    for end in range(len(parts), 0, -1):
        place = ROOT.joinpath(*parts[:end])
        if place.is_dir():
            return end == len(parts)
        if place.with_suffix(".py").is_file():
            return _has(place.with_suffix(".py"), parts[end:])
    return False


@cache
def _parsed(module: Path) -> ast.Module:
    return ast.parse(module.read_text(encoding="utf-8"))


def _has(module: Path, names: list[str]) -> bool:
    """True when a module's text has a name, and of a class so named the next one."""
    body: list[ast.stmt] = _parsed(module).body
    for name in names:
        found = [node for node in body if name in _named(node)]
        if not found:
            return False
        body = found[0].body if isinstance(found[0], ast.ClassDef) else []
    return True


def _named(node: ast.stmt) -> set[str]:
    if isinstance(node, ast.ClassDef | ast.FunctionDef):
        return {node.name}
    if isinstance(node, ast.ImportFrom | ast.Import):
        return {alias.asname or alias.name for alias in node.names}
    targets = node.targets if isinstance(node, ast.Assign) else [getattr(node, "target", None)]
    return {target.id for target in targets if isinstance(target, ast.Name)}


def modules() -> list[Path]:
    """Return every module of the rooms."""
    return sorted(path for room in ROOMS for path in (ROOT / room).glob("**/*.py"))


def docstrings(module: Path) -> Iterator[str]:
    """Yield the docstrings of a module and of all in it."""
    for node in ast.walk(_parsed(module)):
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef):
            yield ast.get_docstring(node) or ""


def check() -> list[str]:
    """Return everything in pages and docstrings that leads nowhere, a line each."""
    wrong = [f"{_name(page)}: {line}" for page in pages() for line in broken_links(page)]
    for module in modules():
        for text in docstrings(module):
            wrong += [f"{_name(module)}: {line}" for line in wrong_names(text)]
    return wrong


def _name(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


# --- the site ------------------------------------------------------------------------------------


def build(folder: Path) -> int:
    """Build the site into a folder; return mkdocs' exit code, 1 where it warned of anything."""
    with tempfile.TemporaryDirectory(prefix="site-") as name:
        work = Path(name)
        (work / "package" / PACKAGE).mkdir(parents=True)
        for room in ROOMS:
            (work / "package" / PACKAGE / room).symlink_to(ROOT / room)
        write_sources(work / "pages")
        configuration = CONFIGURATION.format(style="sphinx")
        (work / "mkdocs.yml").write_text(configuration, encoding="utf-8")
        command = [sys.executable, "-m", "mkdocs", "build", "--strict"]
        command += ["--site-dir", str(folder.resolve())]
        return subprocess.run(command, cwd=work, check=False).returncode


def write_sources(folder: Path) -> None:
    """Write what the site is made of: the pages as they are, and one a shelf."""
    for page in [*pages(), *ROOT.glob("protocol/**/*.svg")]:
        place = folder / _name(page)
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_bytes(page.read_bytes())
    api = folder / "api"
    api.mkdir()
    (api / "door.md").write_text(_door(), encoding="utf-8")
    shelves = sorted({path.parent for path in modules()})
    for shelf in shelves:
        (api / f"{_dotted(shelf)}.md").write_text(_shelf(shelf), encoding="utf-8")
    lines = ["# All shelves", "", "- [The public door](door.md)"]
    lines += [f"- [{_dotted(shelf)}]({_dotted(shelf)}.md)" for shelf in shelves]
    (api / "index.md").write_text("\n".join(lines) + "\n", encoding="utf-8")


def _dotted(path: Path) -> str:
    return ".".join((PACKAGE, *path.relative_to(ROOT).with_suffix("").parts))


def _door() -> str:
    """Return the page of what `breathmap.learner.api` names, each with a link to where it is."""
    door = ROOT / "learner" / "api.py"
    tree = _parsed(door)
    origin = {
        alias.asname or alias.name: f"{node.module}.{alias.name}"
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom)
        for alias in node.names
    }
    named = next(node for node in tree.body if "__all__" in _named(node))
    assert isinstance(named, ast.Assign)
    names = ast.literal_eval(named.value)
    parts = ["# breathmap.learner.api", "", ast.get_docstring(tree) or "", ""]
    parts += [
        f"- [`{name}`][{origin[name]}]: {_first_sentence(origin[name])}"
        for name in names
        if not name.isupper()
    ]
    constants = ", ".join(f"`{name}`" for name in names if name.isupper())
    return "\n".join([*parts, "", "## Constants", "", constants, ""])


def _first_sentence(name: str) -> str:
    """Return how the docstring of a function or class of ours begins."""
    module, _, own = name.rpartition(".")
    place = ROOT.joinpath(*module.split(".")[1:]).with_suffix(".py")
    for node in _parsed(place).body:
        if isinstance(node, ast.ClassDef | ast.FunctionDef) and node.name == own:
            text = " ".join((ast.get_docstring(node) or "").split("\n\n")[0].split())
            return re.split(r"(?<=[.]) ", text)[0]
    return ""


def _shelf(shelf: Path) -> str:
    inside = sorted(
        path for path in shelf.glob("*.py") if path.stem not in ("__init__", "__main__")
    )
    text = ast.get_docstring(_parsed(shelf / "__init__.py")) or ""
    parts = [f"# {_dotted(shelf)}", "", text]
    return "\n".join([*parts, *(f"\n::: {_dotted(path)}" for path in inside)]) + "\n"


def main(arguments: list[str]) -> int:
    """Check, or build; return the exit code."""
    if arguments == ["check"]:
        wrong = check()
        sys.stderr.write("".join(f"{line}\n" for line in wrong))
        return 1 if wrong else 0
    if len(arguments) == 2 and arguments[0] == "build":
        return build(Path(arguments[1]))
    sys.stderr.write(__doc__ or "")
    return 2


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
