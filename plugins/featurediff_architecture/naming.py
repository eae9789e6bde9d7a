"""Names and parts of the chosen lines, from their roles and places."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from featurediff_architecture.fronts import Front
from featurediff_architecture.roles import Role
from featurediff_architecture.vocabulary import ROLES, place_words, unique

# A line that covers so much of the building's width needs no word for its side.
WHOLE_WIDTH = 0.6


@dataclass(frozen=True)
class Named:
    """A chosen line's ``name`` and ``part`` on the parts tree, and its ``role``."""

    name: str
    part: str
    role: Role


def name_lines(roles: list[Role], ends: np.ndarray, fronts: tuple[Front, ...], box: tuple[np.ndarray, np.ndarray]) -> list[Named]:
    """Names, unique, of lines with ``ends`` (n, 2, 2); ``box``: the building's upper left and lower right corner."""
    low, high = box
    span = np.maximum(high - low, 1e-6)
    middle = (ends.mean(1) - low) / span if len(ends) else np.zeros((0, 2))
    wide = np.ptp(ends[..., 0], axis=1) / span[0] if len(ends) else np.zeros(0)
    words = front_words(fronts)
    first = [_name(role, middle[k], wide[k], words, rough=True) for k, role in enumerate(roles)]
    finer = [_name(role, middle[k], wide[k], words, rough=False) for k, role in enumerate(roles)]
    order = [float(middle[k, 0 if role.what in ("vertical", "outer corner", "roof slope", "slope") else 1]) for k, role in enumerate(roles)]
    names = unique(first, finer, order)
    return [Named(name, _part(role, name, len(fronts)), role) for name, role in zip(names, roles, strict=True)]


def front_words(fronts: tuple[Front, ...]) -> list[str]:
    """Words after a name that tell which front: "on the left"; "" when there is only one."""
    n = len(fronts)
    if n <= 1:
        return [""] * n
    if n == 2:
        return ["on the left", "on the right"]
    if n == 3:
        return ["on the left", "in the middle", "on the right"]
    return [f"of front {k + 1}" for k in range(n)]


def front_part(number: int, count: int) -> str:
    """Where a front hangs on the parts tree."""
    return f"building/walls/front {number + 1}" if count > 1 and number >= 0 else "building/walls"


def _name(role: Role, middle: np.ndarray, wide: float, words: list[str], rough: bool) -> str:
    label = ROLES[role.what].label
    if role.what == "middle corner":
        return label if rough else f"{label}, {place_words(*middle, True)}"
    if role.what in ("outer corner", "roof slope"):
        sided = f"{role.side} {label}"
        return sided if rough else f"{sided}, {place_words(*middle, False)}"
    if rough and words and role.front >= 0 and words[role.front] and role.what not in ("vertical", "slope"):
        return f"{label} {words[role.front]}"
    if rough and wide > WHOLE_WIDTH:
        return label
    return _joined(label, place_words(*middle, rough))


def _joined(label: str, place: str) -> str:
    if place.startswith(("upper", "lower")):
        return f"{label} on the {place}" if not place.endswith("middle") else f"{label} in the {place}"
    return f"{label} {place}"


def _part(role: Role, name: str, fronts: int) -> str:
    kind = ROLES[role.what]
    leaf = name.replace("/", " ")
    if kind.part == "building/walls":
        return f"{front_part(role.front, fronts)}/{leaf}"
    return f"{kind.part}/{leaf}"
