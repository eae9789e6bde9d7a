"""What a marks file holds. Points are (x, y) in px of the reference, pixel centres at integers, x right, y down."""

from __future__ import annotations

from dataclasses import dataclass, field

VERSION = 1
KINDS = ("point", "line", "curve", "ellipse")
MEASURES = {
    "point": ("across", "down"),
    "line": ("across", "down", "tilt", "width", "height"),
    "curve": ("across", "down", "width", "height", "tilt", "shape"),
    "ellipse": ("across", "down", "width", "height", "tilt", "openness", "ends"),
}
CLASSES = ("A", "B", "C")
SIDES = ("width", "height")


@dataclass(frozen=True)
class Round:
    """An ellipse: its middle, its two axes' whole lengths, and how far its width is turned clockwise, in px and degrees."""

    middle: tuple[float, float]
    width: float
    height: float
    turn: float = 0.0


@dataclass(frozen=True)
class Mark:
    """One named feature.

    ``points``: of a point one, of a line its two ends, of a curve what it runs through; none of an ellipse, which has ``round``.
    ``corners``: indices of a curve's points at which it turns sharply; elsewhere it is smooth. ``closed`` joins last to first.
    ``part``: the things it belongs to, from the whole down. ``spots``: named points of it, by index.
    ``judge``: what is judged of it; empty: what suits its kind. ``grade`` is its tolerance class. ``edges``: a curve with corners
    is compared edge by edge.
    """

    name: str
    kind: str
    points: tuple[tuple[float, float], ...] = ()
    corners: tuple[int, ...] = ()
    closed: bool = False
    round: Round | None = None
    part: tuple[str, ...] = ()
    grade: str = "B"
    importance: float = 0.5
    judge: tuple[str, ...] = ()
    edges: bool = True
    spots: dict[str, int] = field(default_factory=dict)


@dataclass(frozen=True)
class Whole:
    """Marks that may be wrong as one: all that belong to ``part``. ``several``: the name is a plural, "them" and not "it"."""

    part: tuple[str, ...]
    name: str
    several: bool = False


@dataclass(frozen=True)
class Corner:
    """Lines that meet in one place, by name."""

    name: str
    lines: tuple[str, ...]


@dataclass(frozen=True)
class Twins:
    """Two parts that mirror each other, whose spacing can be wrong: ``left`` and ``right`` are parts."""

    name: str
    left: tuple[str, ...]
    right: tuple[str, ...]


@dataclass(frozen=True)
class Stretch:
    """A length whose error carries all that lies ``beyond`` it, in words: "the foot comes up with it"."""

    name: str
    direction: str
    beyond: tuple[str, ...]
    follows: str


@dataclass(frozen=True)
class Marks:
    """A whole file. ``subject``: what is drawn, in plain words. ``width`` and ``height``: the reference's size in px.

    ``size``: which extent of all marks tolerances refer to, "width" or "height"; "" takes the height, but the width of what is
    far wider than high.
    """

    subject: str
    picture: str
    width: int
    height: int
    marks: tuple[Mark, ...]
    size: str = ""
    groups: tuple[Whole, ...] = ()
    corners: tuple[Corner, ...] = ()
    pairs: tuple[Twins, ...] = ()
    gaps: tuple[Stretch, ...] = ()
