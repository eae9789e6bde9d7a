"""Words and the parts tree: how things and their features are called, and what is judged of each. No pixels.

A thing is called by what can be known: its place, and that it is a vessel or a dish when its ellipse was found; or as the
artist calls it.
"""

from __future__ import annotations

from dataclasses import dataclass

TABLE = "table"
TABLE_EDGE = "table edge"


@dataclass(frozen=True)
class Judged:
    """What is judged of one kind of feature: see `featurediff.api.Feature`."""

    part: str
    measures: tuple[str, ...]
    tolerance: str
    importance: float
    stage: str


_ELLIPSE = ("across", "down", "width", "height", "tilt", "openness", "ends")
_JUDGED = {
    "rim": Judged("rim", _ELLIPSE, "B", 0.9, "shape"),
    "dish": Judged("rim", _ELLIPSE, "B", 0.8, "shape"),
    "left side": Judged("body/left side", ("across", "tilt", "shape"), "B", 0.8, "proportion"),
    "right side": Judged("body/right side", ("across", "tilt", "shape"), "B", 0.8, "proportion"),
    "base": Judged("body/base", ("down", "shape"), "B", 0.7, "placement"),
    "stem": Judged("stem", ("across", "down"), "B", 0.4, "detail"),
    "handle": Judged("handle", ("across", "down", "shape"), "C", 0.6, "placement"),
    "inside": Judged("handle", ("across", "down", "width", "height"), "C", 0.4, "detail"),
    "outline": Judged("outline", ("across", "down", "shape"), "B", 0.7, "shape"),
    TABLE_EDGE: Judged("", ("down", "tilt"), "C", 0.4, "placement"),
}
_ORDINALS = ("first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth", "tenth")


def judged(what: str) -> Judged:
    """What is judged of a piece: "left side", "handle on the right", "upper left of the outline" ..."""
    if what in _JUDGED:
        return _JUDGED[what]
    if what.startswith("inside"):
        return _JUDGED["inside"]
    return _JUDGED["outline"] if "outline" in what else _JUDGED["handle"]


def part_of(thing: str, what: str) -> str:
    """The place of a piece on the parts tree: "table/jug/body/left side"."""
    own = judged(what).part
    if what in _JUDGED:
        return f"{TABLE}/{thing}/{own}"
    return f"{TABLE}/{thing}/{own}/{what}"


def call(what: str, thing: str, several: bool = False) -> str:
    """ "rim", "jug" -> "rim of the jug"; "handle on the right", "jug" -> "handle of the jug", or, where it has ``several``,
    "handle on the right of the jug"."""
    stem, middle, place = what.partition(" on the ")
    if middle and "handle" in stem and not several:
        return f"{stem} of the {thing}"
    return f"{stem}{middle}{place} of the {thing}" if not middle else f"{stem} on the {place} of the {thing}"


def names(kinds: list[str], given: list[str]) -> list[str]:
    """A name for each thing, left to right: the artist's, or by kind and place: "vessel on the left"."""
    count = len(kinds)
    if count == 1:
        return [given[0] or kinds[0]]
    return [own or f"{kind} {_place(k, count)}" for k, (kind, own) in enumerate(zip(kinds, given, strict=True))]


def _place(index: int, count: int) -> str:
    if index == 0:
        return "on the left"
    if index == count - 1:
        return "on the right"
    if count == 3:
        return "in the middle"
    left = index < count / 2
    number = index if left else count - 1 - index
    return f"{_ORDINALS[min(number, len(_ORDINALS) - 1)]} from the {'left' if left else 'right'}"
