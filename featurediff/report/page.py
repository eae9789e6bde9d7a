"""The page for the artist's hand: one self-contained HTML file, and on paper one A4 page.

First all that is told is put into plain records (`page_view`), then one template shows it. Nothing of the reference is drawn:
its photograph stands beside the drawing on the screen, on paper it is left out, and no outline of it is ever made.
"""

from __future__ import annotations

import base64
import hashlib
import re
from functools import cache
from importlib import resources

import jinja2
import numpy as np
from markupsafe import Markup

from featurediff.records import Located, Report, Subject
from featurediff.report.page_notes import RoundNotes
from featurediff.report.page_view import View, view


def page(
    report: Report,
    squared: np.ndarray,
    px_per_unit: float,
    reference: np.ndarray | None = None,
    subject: Subject | None = None,
    located: tuple[Located, ...] = (),
    notes: RoundNotes | None = None,
    name: str = "",
) -> str:
    """The page as HTML text.

    ``squared`` (h, w, 3) uint8 RGB is the sheet seen square on, ``px_per_unit`` px to a sheet unit; ``reference`` (h, w, 3) uint8
    RGB as the detector took it (without it the two pictures side by side are left out), ``subject`` what was found on it and
    ``located`` where that is on the sheet. ``notes`` tell of a round; ``name``: the drawing's file name, for the title.
    """
    shown = view(report, squared, px_per_unit, reference, subject, located, notes, name)
    return render(shown)


def render(shown: View) -> str:
    """The template filled. Everything is escaped; scripts and styles are ours and are named to the browser by their hashes."""
    environment = _environment()
    style = environment.get_template("page.css").render(view=shown)
    script = _text("page.js")
    policy = (
        f"default-src 'none'; img-src data:; style-src '{_hash(style)}'; script-src '{_hash(script)}'; "
        "base-uri 'none'; form-action 'none'"
    )
    return environment.get_template("page.html").render(view=shown, style=Markup(style), script=Markup(script), policy=policy)


@cache
def _environment() -> jinja2.Environment:
    environment = jinja2.Environment(
        loader=jinja2.FunctionLoader(_text),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["unbroken"] = _unbroken
    return environment


def _unbroken(text: str) -> Markup:
    """A number and its unit stay on one line; the text as such is unchanged."""
    pieces = re.split(r"(\d[\d.]* (?:mm|degrees?|%))", text)
    return Markup("").join(
        Markup('<span class="unbroken">{}</span>').format(piece) if k % 2 else piece for k, piece in enumerate(pieces)
    )


def _text(name: str) -> str:
    return (resources.files("featurediff.report") / "templates" / name).read_text(encoding="utf-8")


def _hash(text: str) -> str:
    """What a page's policy (W3C Content Security Policy Level 3) calls an inline script or style by."""
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode("ascii")
