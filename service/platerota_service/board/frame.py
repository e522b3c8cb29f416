"""What every page has: one file that loads nothing else, styles and script inside, and a policy that allows those two alone."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from platerota_service.pictures.drawing import px


@dataclass(frozen=True, slots=True)
class Page:
    """A page and the headers it is answered with."""

    html: str
    headers: Mapping[str, str]


Opens = Callable[[str], str | None]
"""An address as whoever looks at a page may open it; None where they may not."""


@dataclass(frozen=True, slots=True)
class Viewer:
    """Who looks at a page: what can be opened from there, and whether they signed in and so may sign out.

    A page links to nothing that would be refused: whoever came by a signed link gets the words without the link.
    """

    opens: Opens = lambda href: href
    signed_in: bool = False


ANYBODY = Viewer()
"""Who may open everything, without having signed in."""


def render(
    template: str, *, styles: tuple[str, ...], script: str | None = None, viewer: Viewer = ANYBODY, **values: Any,
) -> Page:
    """The page of a template of this package.

    Parameters
    ----------
    template
        Its name without ``.html.j2``.
    styles, script
        Names of the style sheets and the script that stand inside the page.
    viewer
        Who looks at it.
    values
        What the template shows; every text in them is escaped.
    """
    css, js = "\n".join(_source(name) for name in styles), _source(script) if script else ""
    shared = {"css": Markup(css), "js": Markup(js), "viewer": viewer, "opens": viewer.opens}
    html = _environment().get_template(f"{template}.html.j2").render(**shared, **values)
    return Page(html, _headers(css, js))


def _headers(css: str, js: str) -> dict[str, str]:
    """The content policy names the page's own styles and script by their hashes: what a caller's text might smuggle in never runs."""
    scripts = f"script-src {_hash(js)}; connect-src 'self'; " if js else ""
    return {
        "Content-Security-Policy":
            f"default-src 'none'; style-src {_hash(css)}; {scripts}base-uri 'none'; form-action 'self'; frame-ancestors 'self'",
        "X-Content-Type-Options": "nosniff",
        "Referrer-Policy": "same-origin",
        "Cache-Control": "private, no-cache",
    }


def _hash(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


@cache
def _source(name: str) -> str:
    """A style sheet or script as it stands between its tags."""
    loader = _environment().loader
    assert loader is not None
    return loader.get_source(_environment(), name)[0].strip()


@cache
def _environment() -> Environment:
    loader = PackageLoader("platerota_service.board")
    environment = Environment(loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    environment.filters["px"] = px
    return environment
