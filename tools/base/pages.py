"""HTML pages from templates: every name and number is escaped, what cannot be seen is shown."""

import base64
import hashlib
import re
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from breathmap.tools.base.errors import UserError
from breathmap.tools.base.texts import visible

SUFFIXES = (".html", ".htm")


def environment(templates: Path) -> Environment:
    """Return what renders the templates of a folder. Only `Markup` goes through unescaped, and a
    name that a template does not know is an error."""
    return Environment(
        loader=FileSystemLoader(templates),
        autoescape=True,
        finalize=_shown,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def check_place(path: Path) -> None:
    """Refuse to write a page where it would not be known for one, or over a recording."""
    if path.suffix.lower() not in SUFFIXES or path.is_dir():
        raise UserError(f"{path}: give a file name that ends in .html with --out")


def _shown(value: Any) -> Any:
    return visible(value) if isinstance(value, str) and not isinstance(value, Markup) else value


def scripts_in(markup: str) -> list[str]:
    """Return what stands in the script elements of a piece of markup."""
    return re.findall(r"<script[^>]*>(.*?)</script>", markup, flags=re.S)


def policy_of(scripts: list[str]) -> Markup:
    """Return the content security policy: these scripts and no other, styles, and no connection."""
    hashes = (hashlib.sha256(script.encode()).digest() for script in scripts)
    allowed = " ".join(f"'sha256-{base64.b64encode(one).decode()}'" for one in hashes)
    return Markup(
        f"default-src 'none'; script-src {allowed}; style-src 'unsafe-inline'; img-src data:; "
        "font-src data:; base-uri 'none'; form-action 'none'"
    )
