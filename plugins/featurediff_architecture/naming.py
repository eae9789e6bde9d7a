"""Names and parts of the chosen lines, from their roles and places."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from featurediff_architecture.curves import Arc
from featurediff_architecture.fronts import Front
from featurediff_architecture.roles import UPRIGHT, Role
from featurediff_architecture.vocabulary import ROLES, ROOF, WALLS, counted, place_words

SIDED = ("outer corner", "roof slope", "chimney")
# A line that covers so much of the building's width needs no word for its side.
WHOLE_WIDTH = 0.6
# An arc that rises by so much of its width is an arch, against the sky a round top.
ARCHED = 0.3


@dataclass(frozen=True)
class Named:
    """A chosen line's ``name`` and ``part`` on the parts tree, and its ``role``."""

    name: str
    part: str
    role: Role


def name_lines(roles: list[Role], ends: np.ndarray, fronts: tuple[Front, ...], box: tuple[np.ndarray, np.ndarray]) -> list[Named]:
    """Names, unique, of lines with ``ends`` (n, 2, 2); ``box``: the building's upper left and lower right corner."""
    low, high = box
    middle = ends.mean(1)
    share = (middle[:, 0] - low[0]) / max(high[0] - low[0], 1e-6)
    wide = np.ptp(ends[..., 0], axis=1) / max(high[0] - low[0], 1e-6)
    words = front_words(fronts)
    calls = [(_label(role), _where(role, share[k], wide[k], words)) for k, role in enumerate(roles)]
    calls = _told_apart(calls, share)
    names = [""] * len(roles)
    for call in set(calls):
        axis = _axis([roles[k] for k in range(len(roles)) if calls[k] == call])
        alike = sorted((k for k in range(len(roles)) if calls[k] == call), key=lambda k: middle[k, 0 if axis == "x" else 1])
        for number, k in enumerate(alike):
            names[k] = counted(*call, axis, number, len(alike))
    return [Named(name, _part(role, name, len(fronts)), role) for name, role in zip(names, roles, strict=True)]


def name_arcs(arcs: tuple[Arc, ...], box: tuple[np.ndarray, np.ndarray]) -> list[tuple[str, str, Arc]]:
    """(name, part, arc) of each arc: a round top stands against the sky, an arch rises between its ends."""
    low, high = box
    calls = []
    for arc in arcs:
        share = float((arc.points[:, 0].mean() - low[0]) / max(high[0] - low[0], 1e-6))
        upper = arc.points[:, 1].mean() < low[1] + 0.5 * (high[1] - low[1])
        label = "curved edge"
        if arc.rise > ARCHED:
            label = "round top" if arc.sky else "arch"
        calls.append((label, place_words(share), ROOF if upper and arc.sky else WALLS))
    named = []
    for k, (label, where, part) in enumerate(calls):
        axis = "y" if label == "curved edge" else "x"
        alike = [m for m, call in enumerate(calls) if call[:2] == (label, where)]
        alike.sort(key=lambda m: arcs[m].points[:, 0 if axis == "x" else 1].mean())
        name = counted(label, where, axis, alike.index(k), len(alike))
        named.append((name, f"{part}/{name}", arcs[k]))
    return named


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


def _label(role: Role) -> str:
    label = ROLES[role.what].label
    return f"{role.side} {label}" if role.what in SIDED and role.side else label


def _where(role: Role, share: float, wide: float, words: list[str]) -> str:
    """Words for the place: the front's, or the third of the building; none where there is no need."""
    if role.what in (*UPRIGHT, "roof slope", "chimney", "chimney top", "roof upright"):
        return ""
    if len(words) > 1 and role.front >= 0:
        return words[role.front]
    return "" if wide > WHOLE_WIDTH or role.what in ("storey line", "base line") else place_words(share)


def _told_apart(calls: list[tuple[str, str]], share: np.ndarray) -> list[tuple[str, str]]:
    """Roof slopes that are called the same are told apart by their third of the building."""
    return [
        (label, place_words(share[k]))
        if not where and label.endswith("roof slope") and calls.count((label, where)) > 1
        else (label, where)
        for k, (label, where) in enumerate(calls)
    ]


def _axis(roles: list[Role]) -> str:
    return "x" if roles[0].what in (*UPRIGHT, "roof slope", "chimney", "chimney top", "roof upright") else "y"


def _part(role: Role, name: str, fronts: int) -> str:
    kind = ROLES[role.what]
    leaf = name.replace("/", " ")
    if kind.part == "building/walls":
        return f"{front_part(role.front, fronts)}/{leaf}"
    return f"{kind.part}/{leaf}"
