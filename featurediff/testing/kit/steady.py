"""Does a detector find the same features again on the same picture, scaled, turned or mirrored?"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from featurediff.geometry import apply, resample
from featurediff.records import Feature, Subject
from featurediff.settings import Tolerances

# This share of the features must be found again under their own names, and of these this share within their class's limit.
SAME_NAMES, SAME_PLACES = 0.9, 0.9
SHOWN = 3
# Lines that lie beyond each other's ends by this share have too little in common to be compared across only.
MOSTLY_BEYOND = 0.7
ENOUGH_POINTS = 250


@dataclass(frozen=True)
class Again:
    """``missing``: names not found again. ``off``: name -> distance as a share of the subject's size, where beyond its limit.
    ``of``: how many features there were at first.
    """

    of: int
    missing: tuple[str, ...]
    off: dict[str, float]

    @property
    def steady(self) -> bool:
        """Enough found again, near enough."""
        again = self.of - len(self.missing)
        return again >= SAME_NAMES * self.of and len(self.off) <= (1 - SAME_PLACES) * again

    def told(self) -> str:
        """In words."""
        parts = [f"{self.of - len(self.missing)} of {self.of} features found again by name"]
        if self.missing:
            parts.append(f"not {_some(self.missing)}")
        if self.off:
            worst = sorted(self.off, key=lambda name: -self.off[name])
            listed = [f"{name} ({100 * self.off[name]:.1f} % of the size)" for name in worst]
            parts.append(f"beyond their limit: {_some(listed)}")
        else:
            parts.append("each within its limit")
        return ", ".join(parts)


def again(before: Subject, after: Subject, to_after: np.ndarray, rename: Callable[[str], str] = lambda name: name) -> Again:
    """``before``'s features looked for in ``after``; ``to_after`` (3, 3) maps px of the one to the other, ``rename`` the names.

    The distance is between the lines, not between their points: where along a line the points lie does not matter.
    """
    scale = float(np.sqrt(abs(np.linalg.det(to_after[:2, :2]))))
    there = {f.name: f for f in after.features}
    missing, off = [], {}
    for each in before.features:
        found = there.get(rename(each.name))
        if found is None:
            missing.append(each.name)
            continue
        closed, slides = each.closed or each.kind == "ellipse", each.slides or each.kind == "segment"
        away = apart(apply(to_after, each.points), found.points, closed, slides) / scale / before.size_px
        if away > limit(each):
            off[each.name] = away
    return Again(len(before.features), tuple(missing), off)


def limit(feature: Feature) -> float:
    """How far a feature may stray, as a share of the subject's size: what its class tolerates."""
    return getattr(Tolerances(), feature.tolerance).percent / 100


def apart(a: np.ndarray, b: np.ndarray, closed: bool = False, slides: bool = False) -> float:
    """Mean distance of two lines (n, 2), (m, 2) from each other: the larger of both ways.

    Of lines that may slide along themselves only the stretch that both have is looked at, where there is one.
    """
    a, b = (_thinned(line, closed) for line in (a, b))
    return max(_to_line(a, b, closed, slides), _to_line(b, a, closed, slides))


def _thinned(line: np.ndarray, closed: bool) -> np.ndarray:
    """A contour of thousands of px as some hundred points: time goes by the square of their number."""
    if len(line) <= ENOUGH_POINTS:
        return line
    ends = np.vstack([line, line[:1]]) if closed else line
    length = float(np.hypot(*np.diff(ends, axis=0).T).sum())
    return resample(line, length / ENOUGH_POINTS, closed)


def _to_line(points: np.ndarray, line: np.ndarray, closed: bool, slides: bool = False) -> float:
    if len(line) == 1:
        return float(np.hypot(*(points - line[0]).T).mean())
    ends = np.vstack([line, line[:1]]) if closed else line
    a, way = ends[:-1], np.diff(ends, axis=0)
    along = ((points[:, None] - a[None]) * way[None]).sum(2) / np.maximum((way**2).sum(1), 1e-12)
    foot = a[None] + np.clip(along, 0, 1)[..., None] * way[None]
    away = np.sqrt(((points[:, None] - foot) ** 2).sum(2))
    nearest, least = away.argmin(1), away.min(1)
    beyond = ((nearest == 0) & (along[:, 0] < 0)) | ((nearest == len(a) - 1) & (along[:, -1] > 1))
    if slides and not closed and beyond.mean() < MOSTLY_BEYOND:
        least = least[~beyond]
    return float(least.mean())


# ---------------------------------------------------------------- sides

_SIDES = re.compile(r"(?<!from the )\b(left|right)\b")
# "Third from the left" tells an order: what becomes of it in the mirror depends on how many there are.
_ORDER = re.compile(r"\bfrom the (left|right)\b")


def other_side(name: str) -> str:
    """The name with left and right exchanged."""
    return _SIDES.sub(lambda found: "right" if found[0] == "left" else "left", name)


def sided(subject: Subject) -> list[Feature]:
    """The features whose names say a side, those told by their order left out."""
    return [f for f in subject.features if _SIDES.search(f.name) and not _ORDER.search(f.name)]


def crossed(subject: Subject) -> list[tuple[str, str]]:
    """Pairs of one name on both sides, of which the left one lies right of the other."""
    there = {f.name: f for f in subject.features}
    out = []
    for each in subject.features:
        words = set(_SIDES.findall(each.name))
        twin = there.get(other_side(each.name))
        if words == {"left"} and twin is not None and _middle(each.points)[0] > _middle(twin.points)[0]:
            out.append((each.name, twin.name))
    return out


def _middle(points: np.ndarray) -> np.ndarray:
    return (points.min(0) + points.max(0)) / 2


def wrongly_sided(before: Subject, after: Subject, flip: np.ndarray) -> list[str]:
    """Names that stay with their thing when the picture is flipped, instead of changing sides."""
    there = {f.name: f for f in after.features}
    out = []
    for each in sided(before):
        same, twin = there.get(each.name), there.get(other_side(each.name))
        if same is None or other_side(each.name) == each.name:
            continue
        at = apply(flip, each.points)
        stayed = apart(at, same.points) < 2 * limit(each) * before.size_px
        changed = twin is not None and apart(at, twin.points) <= apart(at, same.points)
        if stayed and not changed:
            out.append(each.name)
    return out


def _some(names: list[str] | tuple[str, ...]) -> str:
    more = f" and {len(names) - SHOWN} more" if len(names) > SHOWN else ""
    return ", ".join(names[:SHOWN]) + more
