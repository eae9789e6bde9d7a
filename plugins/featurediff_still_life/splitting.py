"""Things that touch or overlap on the picture are parted where their outlines meet.

Where one thing stands in front of another, the common silhouette has two inward corners, and the nearer thing's outline runs
between them inside. Every pair of such corners is tried: the best smooth path between them over the picture's edges. It
counts when a sharp edge of colour follows it nearly all the way; a bottle's neck has the corners, but no edge across.
"""

from __future__ import annotations

import cv2
import numpy as np

from featurediff.geometry import normals, resample
from featurediff.paths import best_paths

SPAN = 0.05  # of the silhouette's length: arm over which a corner is measured
INWARD = 15.0  # degrees of turn that make an inward corner
MOST_CORNERS = 12
LEAST_PART = 0.035  # of the patch: a part smaller than this is no thing of its own
LEAST_HOLLOW = 0.03  # of the area of the patch, and of the smaller part's area
LESS_HOLLOW = 0.08  # of the hollow
ASIDE = 4.0  # px from a cut at which the colours of its two sides are taken
OTHER_COLOUR = 0.09  # difference of (a, b) / (L + 16) between two materials
ALONE = 0.5  # of the larger part's area: a part of the same colour smaller than this must reach the table to be a thing
FOLLOWED = 0.8  # share of the path that must lie on a sharp edge
SHARP = 2.2  # L*a*b* units per px of the working copy
FULL_AREA, FULL = 0.1, 0.1  # of the patch; of the part: how hollow it may be
DIM = 40.0  # L* + 16 below which a colour is too dark to be told
OFF_CENTRE = 0.22  # of the width, handle and all
REACHES = 0.3  # of the height of the larger part: a part that ends so far above its lowest point may stand further back
THROUGH = 0.15  # share of a cut that runs through an open space
COMPARED = 4  # so many possible cuts are compared
DEEPEST = 6  # cuts one within the other
SHORTEST = 6.0  # px between the two corners of a cut
_ARCS = np.radians(np.arange(-132, 133, 6.0))  # angles at the chord of the circular arcs between two corners
_ALONG = 48


def part_touching(patch: np.ndarray, edge: np.ndarray, lab: np.ndarray, open_: np.ndarray) -> list[np.ndarray]:
    """The things in one connected patch (h, w) bool without holes.

    ``edge`` (h, w) and ``lab`` (h, w, 3): the picture at that size; ``open_`` (h, w) bool: where the table is seen through the
    patch, inside a handle or between things.
    """
    box = _box_around(patch)
    strength = np.where(open_[box], 4 * SHARP, edge[box]).astype(np.float32)
    found = []
    for part in _parted(patch[box], strength, lab[box], open_[box], 0):
        whole = np.zeros(patch.shape, bool)
        whole[box] = part
        found.append(whole)
    return found


def _box_around(patch: np.ndarray, margin: int = 4) -> tuple[slice, slice]:
    rows, columns = np.nonzero(patch.any(1))[0], np.nonzero(patch.any(0))[0]
    return (
        slice(max(rows[0] - margin, 0), rows[-1] + margin + 1),
        slice(max(columns[0] - margin, 0), columns[-1] + margin + 1),
    )


def _parted(patch: np.ndarray, edge: np.ndarray, lab: np.ndarray, open_: np.ndarray, depth: int) -> list[np.ndarray]:
    cut = _best_cut(patch, edge, lab, open_) if depth < DEEPEST else None
    parts = [patch] if cut is None else _apply(patch, cut)
    if len(parts) < 2:
        return [patch]
    found = []
    for part in parts:
        # What was enclosed by both together may now be open to the outside.
        own = part & ~open_
        own = _largest_patch(own | enclosed_by(own))
        found += _parted(own, edge, lab, open_, depth + 1)
    return found


def enclosed_by(mask: np.ndarray) -> np.ndarray:
    """(h, w) bool: what the mask encloses."""
    _, labels, stats, _ = cv2.connectedComponentsWithStats((~mask).astype(np.uint8), connectivity=4)
    left, top = stats[:, cv2.CC_STAT_LEFT], stats[:, cv2.CC_STAT_TOP]
    right, bottom = left + stats[:, cv2.CC_STAT_WIDTH], top + stats[:, cv2.CC_STAT_HEIGHT]
    enclosed = (left > 0) & (top > 0) & (right < mask.shape[1]) & (bottom < mask.shape[0])
    enclosed[0] = False
    return enclosed[labels]


def _largest_patch(mask: np.ndarray) -> np.ndarray:
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=4)
    return labels == 1 + int(stats[1:, cv2.CC_STAT_AREA].argmax()) if count > 1 else mask


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


def _best_cut(patch: np.ndarray, edge: np.ndarray, lab: np.ndarray, open_: np.ndarray) -> np.ndarray | None:
    hollow, area = _hollow(patch), patch.sum()
    corners = inward_corners(patch)
    pairs = [(corners[i], corners[j]) for i in range(len(corners)) for j in range(i)]
    pairs = [pair for pair in pairs if np.hypot(*(pair[1] - pair[0])) >= SHORTEST]
    if not pairs:
        return None
    inside = cv2.distanceTransform(patch.astype(np.uint8), cv2.DIST_L2, 3)
    best, best_score, accepted = None, 0.0, 0
    for score, cut in _cuts(pairs, edge, inside, open_):
        if accepted >= COMPARED:
            break
        parts = sorted(_apply(patch, cut), key=np.sum)
        if len(parts) < 2 or parts[0].sum() < LEAST_PART * area or _is_mouth(*parts):
            continue
        apart = _colours_apart(cut, lab, patch & ~open_)
        # A cut through an open space leaves half a ring: a handle, unless it is of another material.
        alone = _stands_alone(*parts) and not _through(cut, open_)
        if apart > (1 if alone else 2) * OTHER_COLOUR or (alone and (_fuller(hollow, parts) or _full(parts[0], area))):
            accepted += 1
            # Two materials meet at the outline of a thing, not at the edge of its mouth.
            score *= 0.3 + min(apart / (2 * OTHER_COLOUR), 1.0)
            if score > best_score:
                best, best_score = cut, score
    return best


def _colours_apart(cut: np.ndarray, lab: np.ndarray, solid: np.ndarray) -> float:
    """How far the colours beside a cut lie apart along 70 % of it, light not counted. ``solid`` (h, w) bool: the things."""
    line = resample(cut, 1.5)[2:-2]
    if len(line) < 4:
        return 0.0
    across = normals(line)
    sides, known = [], np.ones(len(line), bool)
    for shift in (-ASIDE, ASIDE):
        cells = np.round(line + shift * across).astype(int).clip(0, np.array(lab.shape[1::-1]) - 1)
        colour = lab[cells[:, 1], cells[:, 0]]
        known &= solid[cells[:, 1], cells[:, 0]]
        # (L + 16, a, b) of one surface scale together with the light on it, so this stays.
        sides.append(colour[:, 1:] / np.maximum(colour[:, :1] + 16.0, DIM))
    apart = np.hypot(*(sides[0] - sides[1]).T)
    return float(np.quantile(apart[known], 0.3)) if known.mean() > 0.5 else 0.0


def _fuller(hollow: float, parts: list[np.ndarray]) -> bool:
    """Two things together are hollow where they meet; parted, each is fuller."""
    return hollow - sum(_hollow(part) for part in parts) > max(LESS_HOLLOW * hollow, LEAST_HOLLOW * parts[0].sum())


def _through(cut: np.ndarray, open_: np.ndarray) -> bool:
    cells = np.round(cut).astype(int).clip(0, np.array(open_.shape[::-1]) - 1)
    return bool(open_[cells[:, 1], cells[:, 0]].mean() > THROUGH)


def _full(small: np.ndarray, area: int) -> bool:
    """Whether the smaller part is large enough for a thing, and nearly convex: a fruit before a jug of the same colour."""
    return small.sum() > FULL_AREA * area and _hollow(small) < FULL * small.sum()


def _is_mouth(small: np.ndarray, large: np.ndarray) -> bool:
    """Whether a part lies flat and in the middle on top of the other: what is seen of the inside of a vessel."""
    (top, bottom, left, right), (own_top, own_bottom, own_left, own_right) = _extent(large), _extent(small)
    width = right - left
    centred = abs((own_left + own_right) - (left + right)) < 2 * OFF_CENTRE * width
    flat = own_bottom - own_top < own_right - own_left
    return centred and flat and own_top <= top and own_bottom < 0.5 * (top + bottom) and own_right - own_left < 1.1 * width


def _extent(part: np.ndarray) -> tuple[int, int, int, int]:
    rows, columns = np.nonzero(part.any(1))[0], np.nonzero(part.any(0))[0]
    return int(rows[0]), int(rows[-1]), int(columns[0]), int(columns[-1])


def _stands_alone(small: np.ndarray, large: np.ndarray) -> bool:
    """Whether the smaller of two parts of one colour can be a thing: mouth, handle and spout do not reach the table."""
    if small.sum() > ALONE * large.sum():
        return True
    rows = [np.nonzero(part.any(1))[0] for part in (small, large)]
    return rows[0][-1] > rows[1][-1] - REACHES * (rows[1][-1] - rows[1][0])


def _hollow(patch: np.ndarray) -> float:
    """The area between a patch and its convex hull, in px."""
    contours, _ = cv2.findContours(patch.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    line = max(contours, key=len)
    return max(cv2.contourArea(cv2.convexHull(line)) - cv2.contourArea(line), 0.0)


def _cuts(pairs, edge: np.ndarray, inside: np.ndarray, open_: np.ndarray) -> list[tuple[float, np.ndarray]]:
    """(score, path (n, 2)) for the pairs of corners that a sharp edge joins, best first."""
    ends = np.array(pairs)
    grids = _arcs_between(ends)
    flat = grids.reshape(-1, len(_ARCS), 2).astype(np.float32)
    strength = cv2.remap(edge, flat[..., 0], flat[..., 1], cv2.INTER_LINEAR, borderValue=0).reshape(grids.shape[:3])
    within = cv2.remap(inside, flat[..., 0], flat[..., 1], cv2.INTER_LINEAR, borderValue=0).reshape(grids.shape[:3])
    # The silhouette is an edge as well: a cut runs inside, but for its ends.
    near_end = np.minimum(np.arange(_ALONG), np.arange(_ALONG)[::-1]) / _ALONG
    chord = np.hypot(*(ends[:, 1] - ends[:, 0]).T)
    wanted = np.minimum(3.0, chord[:, None] * np.minimum(near_end, 0.25)[None, :])[..., None]
    score = np.minimum(strength, 2 * SHARP) / (2 * SHARP) - 2.0 * np.clip(1.0 - within / np.maximum(wanted, 0.5), 0, 1)
    # Two outlines may join the same corners, the far and the near side of a mouth: the arcs to either side are tried apart.
    bulge = np.arange(len(_ARCS)) - len(_ARCS) // 2
    both = np.concatenate([np.where(way * bulge >= -2, score, -9.0) for way in (1, -1)]).astype(np.float32)
    found = []
    for n, path in enumerate(best_paths(both, 0.04)):
        k = n % len(pairs)
        rows = np.arange(_ALONG)
        points, along = grids[k, rows, path], strength[k, rows, path]
        inner = slice(3, _ALONG - 3)
        cells = np.round(points[inner]).astype(int).clip(0, np.array(edge.shape[::-1]) - 1)
        solid = ~open_[cells[:, 1], cells[:, 0]]
        if (within[k, rows, path][inner] < 0.5).mean() > 0.1 or solid.sum() < 3:
            continue
        followed = float((along[inner][solid] > SHARP).mean())
        if followed < FOLLOWED:
            continue
        line = np.vstack([ends[k, 0], points[1:-1], ends[k, 1]])
        length = np.hypot(*np.diff(line, axis=0).T).sum()
        clear = float(np.minimum(along[inner], 3 * SHARP).mean())
        found.append((followed * clear / (1.0 + 0.3 * length / chord[k]), line))
    return sorted(found, key=lambda each: -each[0])


def _arcs_between(ends: np.ndarray) -> np.ndarray:
    """(pairs, along, arcs, 2): points on circular arcs between the two ``ends`` (pairs, 2, 2) of each pair.

    One column for each angle between arc and chord, so a path from column to column is a smooth line from end to end.
    """
    along = ends[:, 1] - ends[:, 0]
    chord = np.hypot(*along.T)
    along /= chord[:, None]
    across = np.column_stack([-along[:, 1], along[:, 0]])
    half, t = np.where(np.abs(_ARCS) < 1e-6, 1e-6, _ARCS)[None, :], np.linspace(-1, 1, _ALONG)[:, None]
    radius = 1.0 / (2 * np.sin(half))  # of a chord of length 1
    u, w = radius * np.sin(half * t), radius * (np.cos(half * t) - np.cos(half))
    size = chord[:, None, None, None]
    middle = ends.mean(1)[:, None, None]
    return middle + size * (u[None, ..., None] * along[:, None, None] + w[None, ..., None] * across[:, None, None])


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
