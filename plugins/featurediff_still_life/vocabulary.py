"""Words and the parts tree: how things and their features are called, and what is judged of each. No pixels.

A thing is called by what can be known: its place among those of its kind, and that it is a vessel or a dish when its ellipse was
found; or as the artist calls it.
"""

from __future__ import annotations

from dataclasses import dataclass

COVERED = 0.6  # of the narrower's breadth: so much of it before or behind another, a thing is told by that

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
    "base": Judged("body/base", ("across", "down", "shape"), "B", 0.7, "placement"),
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


def height(index: int, count: int) -> str:
    """What tells the one of ``count`` alike that is ``index`` from the top, with a blank after it; "" for a single one."""
    if count == 1:
        return ""
    if count == 2:
        return ("upper ", "lower ")[index]
    return f"{_ORDINALS[min(index, len(_ORDINALS) - 1)]} "


@dataclass(frozen=True)
class Standing:
    """Where a thing stands on the picture, px: from ``left`` to ``right``, down to ``low``."""

    left: float
    right: float
    low: float


def names(kinds: list[str], given: list[str], standing: list[Standing]) -> list[str]:
    """A name for each thing: the artist's, or by its kind and its place among those of its kind: "vessel on the left".

    Of things that stand one before the other, the order from left to right says little: they are told by that: "vessel on the
    left at the back".
    """
    found = list(given)
    for kind in dict.fromkeys(kinds):
        mine = [k for k, own in enumerate(kinds) if own == kind and not given[k]]
        columns = _columns(mine, standing)
        for c, column in enumerate(columns):
            for k, depth in zip(column, _depths(len(column)), strict=True):
                found[k] = " ".join(filter(None, [kind, _place(c, len(columns)), depth]))
    return found


def _columns(which: list[int], standing: list[Standing]) -> list[list[int]]:
    """Things that cover each other's breadth, together, the farthest first; these groups from left to right."""

    def covered(k: int, others: list[int]) -> bool:
        def share(j: int) -> float:
            a, b = standing[k], standing[j]
            return (min(a.right, b.right) - max(a.left, b.left)) / max(min(a.right - a.left, b.right - b.left), 1e-9)

        return any(share(j) > COVERED for j in others)

    columns: list[list[int]] = []
    for k in which:
        joined = [column for column in columns if covered(k, column)]
        columns = [column for column in columns if column not in joined] + [[*(j for column in joined for j in column), k]]
    columns = [sorted(column, key=lambda k: standing[k].low) for column in columns]
    return sorted(columns, key=lambda column: sum(standing[k].left + standing[k].right for k in column) / len(column))


def _depths(count: int) -> list[str]:
    if count == 1:
        return [""]
    between = (
        ["in between"] if count == 3 else [f"{_ORDINALS[min(k, len(_ORDINALS) - 1)]} from the back" for k in range(1, count - 1)]
    )
    return ["at the back", *between, "in front"]


def _place(index: int, count: int) -> str:
    if count == 1:
        return ""
    if index == 0:
        return "on the left"
    if index == count - 1:
        return "on the right"
    if count == 3:
        return "in the middle"
    left = index < count / 2
    number = index if left else count - 1 - index
    return f"{_ORDINALS[min(number, len(_ORDINALS) - 1)]} from the {'left' if left else 'right'}"
