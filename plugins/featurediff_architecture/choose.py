"""The few lines that a sketcher would draw, out of the many that are there."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from featurediff_architecture.classify import OTHER, SLOPE, VERTICAL
from featurediff_architecture.clutter import Ground, beside_sky, tangled
from featurediff_architecture.directions import Directions
from featurediff_architecture.segments import Lines
from featurediff_architecture.working import Working, sample

# No more lines than these are told; windows, doors and arches come on top.
AT_MOST = 24
# A line counts from this share of the building's size on, an upright from the second, a slope or what stands against the sky
# from the last.
LONG_ENOUGH, UPRIGHT_ENOUGH, SMALL_BUT_CLEAR = 0.14, 0.2, 0.05
# Lines nearer to each other than this share of the size, side by side, are one to the eye; a weaker one within the second
# share is a moulding of the stronger.
DOUBLE, MOULDING = 0.028, 0.05
# Lines nearer to each other than this share of the picture hang together; a cluster with less than this share of the heaviest
# one's length is no building.
TOGETHER, SLIGHT = 0.035, 0.12
# An overhang reaches this share of the outer upright's length beyond it.
BEYOND = 0.16
# ... and lies in this uppermost share of it.
OVERHANG = 0.3
# A thin line (post, wire, joint) with less colour difference (Lab) than this between its two sides bounds nothing.
BOUNDS = 9.0
# An edge that is shown over less of its length is a row of pieces.
BROKEN = 0.7
# An edge goes on behind a chimney, a post or a person no wider than this share of the size.
HIDDEN = 0.16
# A post is at most so wide (share of the picture's long side), and at least so many times as tall.
POST, SLENDER = 0.015, 9.0
# A wall shows lines below its top edge: together at least so many times as long.
NOTHING = 0.3
# What scores less than this share of the best tenth is left out.
WEAK = 0.12


@dataclass(frozen=True)
class Candidates:
    """Lines with what is known of each: ``kind`` and ``aim`` (see classify), ``sky`` (n, 2) share of sky on its left and right
    hand, ``apart`` (n,) colour difference across it as a boundary, ``score`` (n,)."""

    lines: Lines
    kind: np.ndarray
    aim: np.ndarray
    sky: np.ndarray
    apart: np.ndarray
    score: np.ndarray

    def __len__(self) -> int:
        return len(self.lines)

    def take(self, index: np.ndarray) -> Candidates:
        """The candidates of ``index`` (numbers or a mask)."""
        rest = (each[index] for each in (self.kind, self.aim, self.sky, self.apart, self.score))
        return Candidates(self.lines.take(index), *rest)


def candidates(lines: Lines, kind: np.ndarray, aim: np.ndarray, ground: Ground, working: Working) -> Candidates:
    """Lines of buildings: those that follow one of the picture's directions, and slopes, outside tangles."""
    keep = (kind != OTHER) & ~tangled(lines, ground, max(working.size))
    lines, kind, aim = lines.take(keep), kind[keep], aim[keep]
    found = Candidates(lines, kind, aim, beside_sky(lines, ground), _apart(lines, working), np.zeros(len(lines)))
    post = _posts(lines, kind, working) | (lines.thin > 0) & (found.apart < BOUNDS) & ((kind == VERTICAL) | (kind == SLOPE))
    wire = found.sky.min(1) > 0.3
    return found.take(~post & ~wire)


def _posts(lines: Lines, kind: np.ndarray, working: Working) -> np.ndarray:
    """(n,) True for the two edges of a post or pipe: tall, close together, the same colour beyond both."""
    found = np.zeros(len(lines), bool)
    upright = np.flatnonzero((kind == VERTICAL) & (lines.length > SLENDER * 8.0))
    length, x, top, foot = lines.length, lines.middle[:, 0], lines.ends[..., 1].min(1), lines.ends[..., 1].max(1)
    outside = working.colour
    for k in upright:
        gap = x - x[k]
        shared = np.minimum(foot, foot[k]) - np.maximum(top, top[k])
        wide = np.minimum(length, length[k]) / SLENDER
        mates = upright[((gap > 0) & (gap < POST * max(working.size)) & (gap < wide) & (shared > 0.6 * length[k]))[upright]]
        for m in mates:
            low, high = max(top[k], top[m]), min(foot[k], foot[m])
            y = np.linspace(low, high, 15)
            at = np.stack([np.stack([np.full(15, x[k] - 6.0), y], 1), np.stack([np.full(15, x[m] + 6.0), y], 1)])
            beyond = np.median(sample(outside, at), axis=1)
            if np.linalg.norm(beyond[0] - beyond[1]) < BOUNDS and shared[m] > 0.6 * length[m]:
                found[[k, m]] = True
    return found


def on_building(found: Candidates, directions: Directions, size: tuple[int, int]) -> np.ndarray:
    """(n,) True for lines of the buildings: drawn thick, they hang together; what stands apart and is slight does not.

    ``size``: width and height of the working copy.
    """
    if not len(found):
        return np.zeros(0, bool)
    coarse = 8.0
    canvas = np.zeros((int(size[1] / coarse) + 1, int(size[0] / coarse) + 1), np.uint8)
    thick = max(round(TOGETHER * max(size) / coarse), 3)
    for a, b in np.round(found.lines.ends / coarse).astype(int):
        cv2.line(canvas, a.tolist(), b.tolist(), 1, thick)
    _, label = cv2.connectedComponents(canvas)
    middle = np.clip(np.round(found.lines.middle / coarse).astype(int), 0, np.array(canvas.shape[::-1]) - 1)
    own = label[middle[:, 1], middle[:, 0]]
    weight = np.bincount(own, found.lines.length)
    return (
        (weight[own] > SLIGHT * weight.max())
        & _between_ends(found, size)
        & _beside_core(found, directions, size)
        & ~_skyline_only(found)
    )


def _skyline_only(found: Candidates) -> np.ndarray:
    """(n,) True for lines under the sky with nothing built below them: the horizon, a hill, the top of a hedge."""
    lines = found.lines
    left_hand = (lines.vector[:, 0] > 0).astype(int)  # going right, the left hand side is above
    above = found.sky[np.arange(len(found)), 1 - left_hand]
    only = np.zeros(len(found), bool)
    x, y = lines.middle.T
    for k in np.flatnonzero((above > 0.5) & (found.kind != VERTICAL)):
        low, high = np.sort(lines.ends[k, :, 0])
        under = (x > low) & (x < high) & (y > lines.ends[k, :, 1].max() + 0.05 * lines.length[k])
        only[k] = lines.length[under].sum() < NOTHING * lines.length[k]
    return only


def _beside_core(found: Candidates, directions: Directions, size: tuple[int, int]) -> np.ndarray:
    """(n,) False for what lies left or right of all long lines but those at the eye level: the horizon and what is on it."""
    lines = found.lines
    # Shadows and banks lie level; uprights and slopes are built.
    least = np.where((found.kind == VERTICAL) | (found.kind == SLOPE), 0.05, 0.12) * max(size)
    core = (lines.length > least) & (lines.shown > 0.7) & (lines.thin == 0)
    eye = directions.eye_height(lines.middle[:, 0])
    if eye is not None:
        core &= (found.kind == VERTICAL) | (np.abs(lines.middle[:, 1] - eye) > 0.03 * size[1])
    if not core.any():
        return np.ones(len(found), bool)
    low, high = lines.ends[core, :, 0].min(), lines.ends[core, :, 0].max()
    return (lines.middle[:, 0] > low - 0.02 * size[0]) & (lines.middle[:, 0] < high + 0.02 * size[0])


def _between_ends(found: Candidates, size: tuple[int, int]) -> np.ndarray:
    """(n,) False for what lies beyond the outermost tall upright on a side where that one stands against the sky."""
    lines = found.lines
    tall = np.flatnonzero((found.kind == VERTICAL) & (lines.length > 0.16 * size[1]) & (lines.thin == 0))
    inside = np.ones(len(found), bool)
    if not len(tall):
        return inside
    x = lines.middle[:, 0]
    for sign, k in ((-1.0, tall[x[tall].argmin()]), (1.0, tall[x[tall].argmax()])):
        if _sky_to(found, k, sign) > 0.35:
            # Only a roof overhangs, near the top; far trees and the horizon lie lower.
            top = lines.ends[k, :, 1].min()
            high = lines.middle[:, 1] < top + OVERHANG * lines.length[k]
            inside &= sign * (x - x[k]) < np.where(high, BEYOND, 0.01) * lines.length[k]
    return inside


def _sky_to(found: Candidates, k: int, sign: float) -> float:
    """Share of an upright's length with sky to the picture's left (-1) or right (1) and none on its other side."""
    right_hand = 1 if found.lines.vector[k, 1] < 0 else 0  # going up, the right hand side is the picture's right
    to_right, to_left = found.sky[k, right_hand], found.sky[k, 1 - right_hand]
    return float(to_right - to_left) * sign


def extent(found: Candidates) -> tuple[np.ndarray, np.ndarray]:
    """Upper left and lower right corner of what the longer lines cover, the outer hundredths of their length left out."""
    lines = found.lines
    use = (found.kind == VERTICAL) | (np.abs(found.sky[:, 0] - found.sky[:, 1]) > 0.5) | (found.kind == SLOPE)
    use |= lines.length > 0.05 * float(np.hypot(*np.ptp(lines.ends.reshape(-1, 2), axis=0)))
    use = use if use.any() else np.ones(len(lines), bool)
    points = lines.ends[use].reshape(-1, 2)
    weight = np.repeat(lines.length[use], 2)
    return _quantile(points, weight, 0.006), _quantile(points, weight, 0.994)


def choose(found: Candidates, size: float, span: np.ndarray) -> Candidates:
    """At most `AT_MOST` of the candidates, strongest first.

    ``size`` is the building's in px, ``span`` (n,) the width of the front of each, which a level line can fill at most.
    """
    found = _scored(found, size, span)
    if not len(found):
        return found
    found = found.take(np.argsort(-found.score, kind="stable"))
    floor = WEAK * float(np.sort(found.score)[-max(len(found) // 10, 1) :].mean())
    kept: list[int] = []
    for k in range(len(found)):
        if len(kept) == AT_MOST or found.score[k] < floor:
            break
        goes_on = next((other for other in kept if _goes_on(found, other, k, size)), None)
        if goes_on is not None:
            found = _extended(found, goes_on, k)
        elif not any(_doubles(found, k, other, size) for other in kept):
            kept.append(k)
    return found.take(np.array(kept, int))


def _goes_on(found: Candidates, strong: int, k: int, size: float) -> bool:
    """Is line ``k`` the same edge as the stronger one, beyond something that stands before it?"""
    lines = found.lines
    rel = lines.ends[k] - lines.ends[strong, 0]
    along, across = np.sort(rel @ lines.direction[strong]), np.abs(rel @ lines.normal[strong])
    gap = max(along[0] - lines.length[strong], -along[1])
    turned = abs((lines.angle[k] - lines.angle[strong] + 90.0) % 180.0 - 90.0)
    alike = np.abs(np.sort(found.sky[k]) - np.sort(found.sky[strong])).max() < 0.5
    # The angle of a short piece is known only so well.
    loose = max(2.0, float(np.degrees(np.arctan2(3.0, lines.length[k]))))
    return bool(turned < loose and across.max() < 0.01 * size and -0.02 * size < gap < HIDDEN * size and alike)


def _extended(found: Candidates, strong: int, k: int) -> Candidates:
    """The candidates with the strong line carried on over line ``k``."""
    lines = found.lines
    along = (lines.ends[k] - lines.ends[strong, 0]) @ lines.direction[strong]
    reach = [min(0.0, along.min()), max(lines.length[strong], along.max())]
    ends = lines.ends.copy()
    ends[strong] = lines.ends[strong, 0] + np.outer(reach, lines.direction[strong])
    return replace(found, lines=replace(lines, ends=ends))


def _quantile(points: np.ndarray, weight: np.ndarray, share: float) -> np.ndarray:
    out = np.zeros(2)
    for axis in range(2):
        order = np.argsort(points[:, axis])
        total = np.cumsum(weight[order])
        out[axis] = points[order, axis][min(np.searchsorted(total, share * total[-1]), len(order) - 1)]
    return out


def _apart(lines: Lines, working: Working) -> np.ndarray:
    """(n,) difference in Lab of the strips 3 to 12 px off on both sides: large for the boundary between two surfaces."""
    if not len(lines):
        return np.zeros(0)
    t = np.linspace(0.05, 0.95, 13)
    on = lines.ends[:, :1] + t[None, :, None] * lines.vector[:, None]
    strips = []
    for sign in (-1.0, 1.0):
        away = np.array([4.0, 6.0, 9.0, 12.0]) * sign
        grid = on[:, :, None] + away[None, None, :, None] * lines.normal[:, None, None]
        values = sample(working.colour, grid.reshape(len(lines), -1, 2))
        strips.append(np.median(values, axis=1))
    return np.linalg.norm(strips[1] - strips[0], axis=1)


def _scored(found: Candidates, size: float, span: np.ndarray) -> Candidates:
    """Scores: long, covered by edges, a boundary, against the sky; repeated short lines (windows, railings) count little."""
    lines = found.lines
    share = lines.length / size
    sky = np.abs(found.sky[:, 0] - found.sky[:, 1])
    clear = sky > 0.5
    least = np.where(found.kind == VERTICAL, UPRIGHT_ENOUGH, LONG_ENOUGH)
    enough = share > np.where(clear, np.where(found.kind == SLOPE, 2 * SMALL_BUT_CLEAR, SMALL_BUT_CLEAR), least)
    step = np.clip(np.abs(lines.step) / 8.0, 0.3, 1.2)
    apart = 0.5 + np.clip(found.apart / 25.0, 0.0, 1.0)
    # A joint between stones, a wire, a rail: thin, and alike on both sides.
    apart = np.where((lines.thin > 0) & (found.apart < BOUNDS), 0.5 * apart, apart)
    fills = np.where((found.kind == VERTICAL) | (found.kind == SLOPE), share, lines.length / np.minimum(span, size))
    score = np.minimum(fills, 1.2) ** 0.8 * step * apart * np.clip(lines.shown, 0.2, 1.0) ** 1.5 * (1.0 + 1.2 * sky)
    # Sills, heads and transoms in a row make a line with gaps, which their windows tell already.
    score = np.where((lines.shown < BROKEN) & (sky < 0.5), 0.5 * score, score)
    score /= 1.0 + 0.5 * np.maximum(_alike(found, size) - 2, 0)
    score = np.where(found.kind == SLOPE, score * np.where(_founded(found, size), 1.0, 0.25), score)
    return Candidates(lines, found.kind, found.aim, found.sky, found.apart, np.where(enough, score, 0.0))


def _alike(found: Candidates, size: float) -> np.ndarray:
    """(n,) how many other lines of the class are as long (within a sixth): a short line often repeated is part of a window."""
    lines = found.lines
    same = found.kind[:, None] == found.kind[None]
    ratio = lines.length[:, None] / np.maximum(lines.length[None], 1e-9)
    beside = np.hypot(*(lines.middle[:, None] - lines.middle[None]).transpose(2, 0, 1)) < 1.2 * size
    count = (same & beside & (np.abs(np.log(ratio)) < 0.16)).sum(1) - 1
    return np.where(lines.length < 0.3 * size, count, 0)


def _founded(found: Candidates, size: float) -> np.ndarray:
    """(n,) True for slopes with an end near another line's end, and for what has sky on one side only: part of a structure."""
    lines = found.lines
    ends = lines.ends.reshape(-1, 2)
    angle, length = np.repeat(lines.angle, 2), np.repeat(lines.length, 2)
    founded = np.abs(found.sky[:, 0] - found.sky[:, 1]) > 0.5
    for k in np.flatnonzero((found.kind == SLOPE) & ~founded):
        gap = np.abs(ends[:, None] - lines.ends[k][None]).max(2).min(1)
        turned = np.abs((angle - lines.angle[k] + 90.0) % 180.0 - 90.0)
        founded[k] = ((gap < 0.03 * size) & (turned > 12.0) & (length > 0.04 * size)).any()
    return founded


def _doubles(found: Candidates, weak: int, strong: int, size: float) -> bool:
    """Is the weaker line only a parallel of the stronger?"""
    lines = found.lines
    turned = abs((lines.angle[weak] - lines.angle[strong] + 90.0) % 180.0 - 90.0)
    if turned > 5.0:
        return False
    rel = lines.ends[weak] - lines.ends[strong, 0]
    along = np.sort(rel @ lines.direction[strong])
    overlap = min(along[1], lines.length[strong]) - max(along[0], 0.0)
    across = float(np.abs(rel @ lines.normal[strong]).mean())
    if overlap < -0.1 * lines.length[weak]:
        return False
    if across < DOUBLE * size:
        return True
    return across < MOULDING * size and overlap > 0.3 * lines.length[weak] and found.score[weak] < 0.6 * found.score[strong]
