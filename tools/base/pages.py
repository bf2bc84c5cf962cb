"""HTML pages from templates: every name and number is escaped, what cannot be seen is shown."""

from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from breathmap.tools.base.texts import visible


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


def _shown(value: Any) -> Any:
    return visible(value) if isinstance(value, str) and not isinstance(value, Markup) else value
