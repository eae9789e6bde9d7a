"""Words and parts of buildings: names that can be found on the picture, the parts tree, what each role is judged by. No pixels."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
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
    "slope": Kind("slope", WALLS, "B", 0.5, "tilt"),
    "storey line": Kind("storey line", WALLS, "B", 0.6, "placement"),
    "base line": Kind("base line", GROUND, "C", 0.6, "placement"),
    "ground line": Kind("ground line", GROUND, "C", 0.4, "placement"),
    "line": Kind("line", WALLS, "B", 0.5, "placement"),
}


def place_words(across: float, down: float, rough: bool) -> str:
    """Where a middle lies on the building: shares 0..1 of its width and height. ``rough``: left, middle or right alone."""
    column = "on the left" if across < 0.36 else "on the right" if across > 0.64 else "in the middle"
    if rough:
        return column
    row = "upper" if down < 0.36 else "lower" if down > 0.64 else ""
    if not row:
        return column
    return f"{row} {column.removeprefix('on the ').replace('in the middle', 'middle')}"


def unique(names: Sequence[str], finer: Sequence[str], order: Sequence[float]) -> list[str]:
    """Names that differ: doubles take their ``finer`` form; those still alike are counted along ``order``."""
    names = list(names)
    count = Counter(names)
    names = [finer[k] if count[name] > 1 else name for k, name in enumerate(names)]
    for name, times in Counter(names).items():
        if times > 1:
            alike = sorted((k for k, n in enumerate(names) if n == name), key=lambda k: order[k])
            for number, k in enumerate(alike, 1):
                names[k] = f"{ORDINALS[number - 1]} {name}" if number <= len(ORDINALS) else f"{name}, number {number}"
    return names


ORDINALS = ("first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth", "tenth")


def groups(fronts: dict[str, str]) -> tuple[Group, ...]:
    """The blocks that move as one; ``fronts``: part path -> words of each front."""
    blocks = [
        Group("building", "whole building", "size"),
        Group(ROOF, "roof", "proportion"),
        Group(WALLS, "walls", "proportion", plural=True),
        Group(GROUND, "lines of the ground", "placement", plural=True),
    ]
    return tuple(blocks + [Group(part, words, "proportion") for part, words in fronts.items()])
