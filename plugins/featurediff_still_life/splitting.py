"""Things that touch or overlap on the picture are parted where their outlines meet.

Where one thing stands in front of another, the common silhouette has two inward corners, and the nearer thing's outline runs
between them inside. Every pair of such corners is tried: the best smooth path between them over the picture's edges. It
counts when a sharp edge of colour follows it nearly all the way; a bottle's neck has the corners, but no edge across.
"""

from __future__ import annotations

import cv2
import numpy as np

from featurediff_still_life.paths import best_path

SPAN = 0.05  # of the silhouette's length: arm over which a corner is measured
INWARD = 28.0  # degrees of turn that make an inward corner
MOST_CORNERS = 9
LEAST_PART = 0.035  # of the patch: a part smaller than this is no thing of its own
# Two things together are hollow where they meet; parted, each is fuller.
LEAST_HOLLOW = 0.03  # of the patch's area
LESS_HOLLOW = 0.65
FOLLOWED = 0.8  # share of the path that must lie on a sharp edge
SHARP = 2.2  # L*a*b* units per px of the working copy
_ARCS = np.radians(np.arange(-132, 133, 6.0))  # angles at the chord of the circular arcs between two corners
_ALONG = 48


def part_touching(patch: np.ndarray, edge: np.ndarray, lab: np.ndarray, depth: int = 0) -> list[np.ndarray]:
    """The things in one connected patch (h, w) bool; ``edge`` and ``lab`` at the same size."""
    if depth > 4:
        return [patch]
    cut = _best_cut(patch, edge)
    if cut is None:
        return [patch]
    parts = _apply(patch, cut)
    if len(parts) < 2:
        return [patch]
    return [piece for part in parts for piece in part_touching(part, edge, lab, depth + 1)]


def inward_corners(patch: np.ndarray) -> np.ndarray:
    """(n, 2) px: where the silhouette turns inward, sharpest first."""
    contours, _ = cv2.findContours(patch.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    line = max(contours, key=len)[:, 0].astype(float)
    if len(line) < 40:
        return np.zeros((0, 2))
    kernel = cv2.getGaussianKernel(9, 1.5)[:, 0]
    padded = np.vstack([line[-4:], line, line[:4]])
    line = np.column_stack([np.convolve(padded[:, i], kernel, "valid") for i in (0, 1)])
    turn = np.maximum(_turn(line, max(round(SPAN * len(line) / 2), 6)), _turn(line, max(round(SPAN * len(line)), 8)))
    size = patch.shape
    inside = (line[:, 0] > 3) & (line[:, 1] > 3) & (line[:, 0] < size[1] - 4) & (line[:, 1] < size[0] - 4)
    turn = np.where(inside, turn, 0.0)
    corners, free = [], turn.copy()
    while len(corners) < MOST_CORNERS and free.max() > INWARD:
        k = int(free.argmax())
        corners.append(line[k])
        reach = max(round(0.6 * SPAN * len(line)), 5)
        free[np.arange(k - reach, k + reach + 1) % len(line)] = 0
    return np.array(corners).reshape(-1, 2)


def _turn(line: np.ndarray, arm: int) -> np.ndarray:
    """(n,) degrees by which a closed line turns inward at each point, over an arm of so many points on either side."""
    before, after = line - np.roll(line, arm, 0), np.roll(line, -arm, 0) - line
    cross = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
    turn = np.degrees(np.arctan2(cross, (before * after).sum(1)))
    area = 0.5 * np.sum(line[:, 0] * np.roll(line[:, 1], -1) - line[:, 1] * np.roll(line[:, 0], -1))
    return -turn if area > 0 else turn


def _best_cut(patch: np.ndarray, edge: np.ndarray) -> np.ndarray | None:
    hollow = _hollow(patch)
    if hollow < LEAST_HOLLOW * patch.sum():
        return None
    corners = inward_corners(patch)
    inside = cv2.distanceTransform(patch.astype(np.uint8), cv2.DIST_L2, 3)
    best, best_score = None, 0.0
    area = patch.sum()
    for i in range(len(corners)):
        for j in range(i):
            found = _cut_between(corners[i], corners[j], edge, inside)
            if found is None or found[1] <= best_score:
                continue
            parts = _apply(patch, found[0])
            if len(parts) < 2 or min(part.sum() for part in parts) < LEAST_PART * area:
                continue
            if sum(_hollow(part) for part in parts) < LESS_HOLLOW * hollow:
                best, best_score = found
    return best


def _hollow(patch: np.ndarray) -> float:
    """The area between a patch and its convex hull, in px."""
    contours, _ = cv2.findContours(patch.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    line = max(contours, key=len)
    return max(cv2.contourArea(cv2.convexHull(line)) - cv2.contourArea(line), 0.0)


def _cut_between(a: np.ndarray, b: np.ndarray, edge: np.ndarray, inside: np.ndarray) -> tuple[np.ndarray, float] | None:
    """The path (n, 2) between two corners along the strongest edge, and the share of it that lies on one."""
    chord = np.hypot(*(b - a))
    if chord < 6:
        return None
    grid = _arcs_between(a, b)
    x, y = grid[..., 0].astype(np.float32), grid[..., 1].astype(np.float32)
    strength = cv2.remap(edge, x, y, cv2.INTER_LINEAR, borderValue=0)
    within = cv2.remap(inside, x, y, cv2.INTER_LINEAR, borderValue=0)
    # Its own silhouette is an edge as well: a cut runs inside, but for its ends.
    near_end = np.minimum(np.arange(_ALONG), np.arange(_ALONG)[::-1])[:, None] / _ALONG
    wanted = np.minimum(3.0, 0.25 * chord * np.minimum(near_end * 4, 1.0))
    score = np.minimum(strength, 2 * SHARP) / (2 * SHARP) - 2.0 * np.clip(1.0 - within / np.maximum(wanted, 0.5), 0, 1)
    path = best_path(score.astype(np.float32), 0.04)
    rows = np.arange(_ALONG)
    inner = slice(3, _ALONG - 3)
    if (within[rows, path][inner] < 0.5).mean() > 0.1:
        return None
    followed = float((strength[rows, path][inner] > SHARP).mean())
    if followed < FOLLOWED:
        return None
    line = np.vstack([a, grid[rows, path][1:-1], b])
    length = np.hypot(*np.diff(line, axis=0).T).sum()
    return line, followed * float(np.minimum(strength[rows, path][inner], 3 * SHARP).mean()) / (1.0 + 0.3 * length / chord)


def _arcs_between(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """(along, arcs, 2): points on circular arcs from ``a`` to ``b``, one column for each angle between arc and chord."""
    along = (b - a) / np.hypot(*(b - a))
    across = np.array([-along[1], along[0]])
    chord, t = np.hypot(*(b - a)), np.linspace(-1, 1, _ALONG)[:, None]
    half = np.where(np.abs(_ARCS) < 1e-6, 1e-6, _ARCS)[None, :]
    radius = chord / (2 * np.sin(half))
    u, w = radius * np.sin(half * t), radius * (np.cos(half * t) - np.cos(half))
    return (a + b) / 2 + u[..., None] * along + w[..., None] * across


def _apply(patch: np.ndarray, cut: np.ndarray) -> list[np.ndarray]:
    """The two largest parts of a patch cut along a line; the pixels of the cut go to the nearer part."""
    blocked = patch.astype(np.uint8)
    along = (cut[-1] - cut[0]) / max(np.hypot(*(cut[-1] - cut[0])), 1e-9)
    first, last = cut[1] - cut[0], cut[-1] - cut[-2]
    ends = [cut[0] - 3 * _unit(first, along), cut[-1] + 3 * _unit(last, along)]
    line = np.vstack([ends[0], cut, ends[1]])
    cv2.polylines(blocked, [np.round(line).astype(np.int32)], False, 0, 2)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(blocked, connectivity=4)
    order = 1 + np.argsort(-stats[1:, cv2.CC_STAT_AREA])[:2]
    if count < 3:
        return [patch]
    away = [cv2.distanceTransform((labels != k).astype(np.uint8), cv2.DIST_L2, 3) for k in order]
    return [patch & (away[0] <= away[1]), patch & (away[1] < away[0])]


def _unit(vector: np.ndarray, otherwise: np.ndarray) -> np.ndarray:
    length = np.hypot(*vector)
    return vector / length if length > 1e-9 else otherwise
