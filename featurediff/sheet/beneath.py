"""Another sheet beneath the drawn one: a paper edge that runs inside the outline found, along the whole of a side.

Paper on paper hardly differs, so that the outline of a sheet that lies on a pad, or on other sheets, is partly the lower sheet's.
The upper sheet's own edge shows by the shadow it throws. It reaches from one end of the side to the other, which no drawn line
that stops on the paper does, and it is darker outside, lastingly, which no pencil line is.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from featurediff.sheet.edges import MARGIN, Edge, directions, intersections, profiles_across

# How far inside a side the upper sheet's edge is looked for, as shares of the page's shorter side.
_NEAREST, _FARTHEST = 0.01, 0.08
_MOST_SLOPE, _SLOPES = 0.02, 21  # against the outer edge, px per px
_BROAD = 7  # px of the median that takes out pencil lines
_HALF = 3  # px on either side of the line that are compared
_NEAR = 4  # px by which the best line of those tried may miss the edge
_ALONG = 9  # profiles averaged, for the grain
_LEAST_FALL = 0.02  # of the paper's brightness
# How much of the line, and of each fifth of it, must fall so: it ends before the side does where the next
# one is an inner edge too.
_LEAST_SEEN, _LEAST_OF_A_FIFTH, _PARTS = 0.85, 0.5, 5
# At either end it must run on to the paper's outline, or to the next inner edge: seen over so much of the last stretch, which is
# this share of the page's shorter side.
_LEAST_AT_AN_END, _END = 0.9, 0.03


@dataclass(frozen=True)
class _Inner:
    """An inner edge: its offsets from the side at both ends in px, off the paper positive, and where along the side, in px, it
    is ``seen`` (n,) at ``at`` (n,)."""

    ends: tuple[float, float]
    at: np.ndarray
    seen: np.ndarray

    def reaches(self, place: float, inwards: int, stretch: float) -> bool:
        """Whether it runs on to ``place`` px along the side, by the ``stretch`` px from there ``inwards`` (1 or -1)."""
        from_it = inwards * (self.at - place)
        near = (from_it >= 0) & (from_it <= stretch)
        return bool(near.any()) and self.seen[near].mean() >= _LEAST_AT_AN_END


def upper_corners(pixels: np.ndarray, edges: tuple[Edge, ...]) -> tuple[np.ndarray, tuple[float, ...]]:
    """The corners (4, 2) in px of the sheet on top, and how far inside each of ``edges`` its own runs (0: the same).

    ``pixels`` is (h, w, 3) uint8, about 3 px per mm. Four inner edges are a frame on the paper, not another sheet's.
    """
    corners = intersections(edges)
    shortest = float(np.hypot(*(np.roll(corners, -1, axis=0) - corners).T).min())
    sides = [(corners[i], corners[(i + 1) % 4]) for i in range(4)]
    found = [_inner(pixels, *side, shortest, edge.bow) for side, edge in zip(sides, edges, strict=True)]
    if all(found):
        return corners, (0.0,) * 4
    for _ in range(4):  # without one that is no edge its neighbours may be none either
        found = [each if each and _whole(found, i, sides[i], _END * shortest) else None for i, each in enumerate(found)]
    upper = tuple(_moved(edge, *side, each) for edge, side, each in zip(edges, sides, found, strict=True))
    return intersections(upper), tuple(-sum(each.ends) / 2 if each else 0.0 for each in found)


def _whole(found: list[_Inner | None], i: int, side: tuple[np.ndarray, np.ndarray], stretch: float) -> bool:
    """Whether the inner edge of side ``i`` runs from one neighbour to the other: from its inner edge, or from its outline."""
    length, _, _ = directions(*side)
    before, after = found[i - 1], found[(i + 1) % 4]
    first, last = -before.ends[1] if before else 0.0, length + (after.ends[0] if after else 0.0)
    return found[i].reaches(first, 1, stretch) and found[i].reaches(last, -1, stretch)


def _moved(edge: Edge, start: np.ndarray, end: np.ndarray, inner: _Inner | None) -> Edge:
    """The side, or where its inner edge runs instead."""
    if inner is None:
        return edge
    start, end = start + inner.ends[0] * edge.normal, end + inner.ends[1] * edge.normal
    _, _, normal = directions(start, end)
    return replace(edge, normal=normal, distance=float(normal @ start))


def _inner(pixels: np.ndarray, start: np.ndarray, end: np.ndarray, shortest: float, bow: float) -> _Inner | None:
    """The inner edge along a side that bulges by ``bow`` px; None when there is none."""
    length, along, normal = directions(start, end)
    # Begun and ended beyond the corners, as profiles leave out what is near the ends of what they are asked for.
    beyond = MARGIN / (1 - 2 * MARGIN) * length
    at, profiles, offsets = profiles_across(
        pixels, start - beyond * along, along, normal, length + 2 * beyond, _FARTHEST * shortest, bow
    )
    at = at - beyond
    inside = offsets <= -max(_NEAREST * shortest, 1.5 * _HALF)
    if len(at) < 20 or inside.sum() < 4 * _HALF:
        return None
    offsets, falls, u = offsets[inside], _falls(profiles[:, inside]), at / length - 0.5
    line = _best_line(falls, u, _MOST_SLOPE * length)
    if line is None:
        return None
    middle, slope = _refined(falls, u, *line)
    start_at, end_at = offsets[0] + middle + slope * np.array([-0.5, 0.5])
    return _Inner((float(start_at), float(end_at)), at, _seen(_along(falls, u, middle, slope)))


def _falls(profiles: np.ndarray) -> np.ndarray:
    """(n, offsets): by what share brightness falls there, outwards, lastingly. ``profiles`` (n, offsets, 3)."""
    grey = cv2.medianBlur(np.clip(profiles.mean(2), 0, 255).astype(np.uint8), _BROAD).astype(np.float32)
    kernel = np.repeat([1.0, 0.0, -1.0], [_HALF, 1, _HALF])[None] / _HALF
    fall = cv2.filter2D(grey, cv2.CV_32F, kernel, borderType=cv2.BORDER_REPLICATE) / max(float(np.median(grey)), 1.0)
    fall = cv2.blur(fall, (1, _ALONG), borderType=cv2.BORDER_REPLICATE)
    # Where it falls ever faster outwards, as at a blurred outer edge, there is no edge of its own.
    return fall * (fall.argmax(1) < fall.shape[1] - 2)[:, None]


def _seen(falls: np.ndarray) -> np.ndarray:
    return np.clip(falls / _LEAST_FALL, 0.0, 1.0)


def _best_line(falls: np.ndarray, u: np.ndarray, most_slope: float) -> tuple[float, float] | None:
    """Column at the side's middle, and columns gained from end to end, of the line that falls most throughout, if any.

    ``u`` (n,) runs from -0.5 to 0.5 along the side.
    """
    best, line = _LEAST_SEEN, None
    if _seen(falls.max(1)).mean() < best:  # nor by any line, then; so nearly always
        return None
    for slope in np.linspace(-most_slope, most_slope, _SLOPES):
        for column in range(falls.shape[1]):
            seen = _seen(_along(falls, u, column, slope))
            if seen.mean() > best and all(part.mean() >= _LEAST_OF_A_FIFTH for part in np.array_split(seen, _PARTS)):
                best, line = float(seen.mean()), (float(column), float(slope))
    return line


def _along(falls: np.ndarray, u: np.ndarray, middle: float, slope: float) -> np.ndarray:
    """The falls along a line (n,), 0 where it leaves the profiles."""
    columns = np.round(middle + slope * u).astype(int)
    reached = (columns >= 0) & (columns < falls.shape[1])
    return np.where(reached, falls[np.arange(len(u)), np.clip(columns, 0, falls.shape[1] - 1)], 0.0)


def _refined(falls: np.ndarray, u: np.ndarray, middle: float, slope: float) -> tuple[float, float]:
    """The straight line through the steepest fall of each profile near the line given."""
    around = np.arange(-_NEAR, _NEAR + 1)
    for _ in range(3):
        near = np.array([_along(falls, u, middle + step, slope) for step in around])
        steepest = near.max(0)
        places = middle + slope * u + around[near.argmax(0)]
        good = steepest >= _LEAST_FALL
        slope, middle = (float(value) for value in np.polyfit(u[good], places[good], 1, w=np.sqrt(steepest[good])))
    return middle, slope
