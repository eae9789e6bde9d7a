"""Words and parts of buildings: names that can be found on the picture, the parts tree, what each role is judged by."""

from __future__ import annotations

from dataclasses import dataclass

from featurediff.api import Group

ROOF = "building/roof"
WALLS = "building/walls"
GROUND = "building/ground"


@dataclass(frozen=True)
class Kind:
    """How a role is told and judged. ``part``: where it hangs on the parts tree."""

    label: str
    part: str
    tolerance: str = "B"
    importance: float = 0.6
    stage: str = "placement"


ROLES: dict[str, Kind] = {
    "outer corner": Kind("outer corner", WALLS, "B", 1.0, "proportion"),
    "middle corner": Kind("corner between the fronts", WALLS, "B", 1.0, "proportion"),
    "inner corner": Kind("inner corner", WALLS, "B", 0.8, "proportion"),
    "vertical": Kind("vertical", WALLS, "B", 0.6, "placement"),
    "eaves": Kind("eaves", ROOF, "B", 0.9, "proportion"),
    "top edge": Kind("top edge", ROOF, "B", 0.9, "proportion"),
    "ridge": Kind("ridge", ROOF, "B", 0.7, "proportion"),
    "roof line": Kind("roof line", ROOF, "B", 0.6, "placement"),
    "roof slope": Kind("roof slope", ROOF, "B", 0.7, "tilt"),
    "chimney": Kind("side of the chimney", f"{ROOF}/chimney", "C", 0.4, "placement"),
    "chimney top": Kind("top of the chimney", f"{ROOF}/chimney", "C", 0.4, "placement"),
    "roof upright": Kind("upright above the roof", ROOF, "C", 0.4, "placement"),
    "storey line": Kind("storey line", WALLS, "B", 0.6, "placement"),
    "base line": Kind("base line", GROUND, "C", 0.6, "placement"),
    "ground line": Kind("line along the ground", GROUND, "C", 0.4, "placement"),
    "arc": Kind("arc", WALLS, "B", 0.6, "shape"),
    "line": Kind("line", WALLS, "B", 0.5, "placement"),
}


ORDINALS = ("first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth", "tenth")
# Words for two or three alike, from left to right and from top to bottom.
FEW = {"x": {2: ("left", "right"), 3: ("left", "middle", "right")}, "y": {2: ("upper", "lower"), 3: ("upper", "middle", "lower")}}
FROM = {"x": "from the left", "y": "from the top"}


def place_words(across: float) -> str:
    """Where something lies on the building, by the share 0..1 of its width."""
    return "on the left" if across < 0.36 else "on the right" if across > 0.64 else "in the middle"


def counted(label: str, where: str, axis: str, number: int, count: int) -> str:
    """The name of one of ``count`` things that are called the same, the ``number``-th (from 0) along ``axis`` ("x" or "y").

    "upper storey line on the left", "second vertical from the left".
    """
    if count == 1:
        return f"{label} {where}".strip()
    few = FEW[axis].get(count)
    if few and few[number] not in label.split() and not any(word in where.split() for word in few):
        return f"{few[number]} {label} {where}".strip()
    order = f"{ORDINALS[number]} {label}" if number < len(ORDINALS) else f"{label} {number + 1}"
    return f"{order} {FROM[axis]}" + (f", {where}" if where else "")


def groups(fronts: dict[str, str]) -> tuple[Group, ...]:
    """The blocks that move as one; ``fronts``: part path -> words of each front."""
    blocks = [
        Group("building", "whole building", "size"),
        Group(ROOF, "roof", "proportion"),
        Group(f"{ROOF}/chimney", "chimney"),
        Group(WALLS, "walls", "proportion", plural=True),
        Group(GROUND, "lines of the ground", "placement", plural=True),
    ]
    return tuple(blocks + [Group(part, words, "proportion") for part, words in fronts.items()])
