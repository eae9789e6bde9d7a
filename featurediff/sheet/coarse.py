"""The paper's outline to a few pixels: of all quadrilaterals that four lines can form, the one most like a sheet of paper."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from featurediff.sheet.lines import SPACING, Line, find_lines
from featurediff.sheet.pose import find_pose, top_left

SMALL_PX = 500
_SHORTLIST, _LOOKED_THROUGH = 30, 300
_ASPECT_SLACK = 0.06  # foreshortening at 15 degrees is 0.035
_BORDER_EVIDENCE = 0.3  # what a side of the picture counts where the page runs out of it
_BORDER_COST = 1.0
_REVERSED = 0.2
_USUAL_TILT_DEG = 20.0
_OUTSIDE = 0.25  # how far a corner may lie outside the picture, of its size
_SMALLEST_AREA = 0.05


@dataclass(frozen=True)
class Outline:
    """``corners`` (4, 2) px, clockwise as seen; ``cut`` (4,) bool: which sides (from corner i to i + 1) are the picture's border.

    ``support`` (4,): mean evidence -1..1 that each side is an edge of the paper. ``score``: larger is better.
    """

    corners: np.ndarray
    cut: np.ndarray
    support: np.ndarray
    score: float


def find_outline(lab: np.ndarray, aspect: float, focal_35mm: float | None = None) -> Outline | None:
    """The most paper-like quadrilateral in a float (h, w, 3) L*a*b* picture of about 500 px, or None.

    ``aspect`` is the sheet's long side over its short one. Corners run clockwise from the one that is the top left as seen.
    """
    lines = find_lines(lab)
    shortlist = _shortlist(lines, lab.shape[:2], aspect)
    judged = [_judged(lab, outline, aspect, focal_35mm) for outline in shortlist]
    return max(judged, key=lambda outline: outline.score, default=None)


# ---------------------------------------------------------------- all quadrilaterals


def _shortlist(lines: list[Line], shape: tuple[int, int], aspect: float) -> list[Outline]:
    border = np.array([line.border for line in lines])
    quads = _quads(lines, shape)
    quads = quads[border[quads].sum(1) <= 2]
    corners = _corners(lines, quads)
    good = _plausible(corners, shape)
    quads, corners = quads[good], corners[good]
    if not len(quads):
        return []
    border = border[quads]
    support, visible = _support(lines, quads, corners)
    support = np.where(border, _BORDER_EVIDENCE, support)
    score = np.log(0.03 + np.clip(support, 0, 1)).sum(1) + 0.5 * np.log(_area(corners) / (shape[0] * shape[1]))
    score += np.where(border.any(1), -_BORDER_COST * border.sum(1), _aspect_score(corners, aspect))
    # A side that is mostly outside the picture proves nothing.
    score += 2.0 * np.log(np.clip(visible.min(1), 0.05, 1.0))
    best = _unlike(corners, score)
    return [_from_top_left(corners[i], border[i], support[i], float(score[i])) for i in best]


def _unlike(corners: np.ndarray, score: np.ndarray) -> list[int]:
    """Indices of the best scores, without quadrilaterals that are nearly one of a better score."""
    order = np.argsort(-score)[:_LOOKED_THROUGH]
    places = np.concatenate([corners[order].mean(1), corners[order].std(1)], axis=1)
    near = np.abs(places[:, None] - places).max(2) < 2.0
    kept: list[int] = []
    for i in range(len(order)):
        if not near[i, kept].any():
            kept.append(i)
        if len(kept) == _SHORTLIST:
            break
    return order[kept].tolist()


def _from_top_left(corners: np.ndarray, cut: np.ndarray, support: np.ndarray, score: float) -> Outline:
    after = np.roll(corners, -1, axis=0)
    if (corners[:, 0] * after[:, 1] - corners[:, 1] * after[:, 0]).sum() < 0:
        # Backwards, side i runs from what was corner i + 1 to corner i: sides are reversed as well, and shifted by one.
        corners, cut, support = corners[::-1], np.roll(cut[::-1], -1), np.roll(support[::-1], -1)
    first = top_left(corners)
    return Outline(*(np.roll(values, -first, axis=0) for values in (corners, cut, support)), score)


def _quads(lines: list[Line], shape: tuple[int, int]) -> np.ndarray:
    """(n, 4) line indices in the order of the sides: two opposite pairs interleaved."""
    normals = np.array([line.normal for line in lines])
    distances = np.array([line.distance for line in lines])
    middle = np.array([shape[1], shape[0]]) / 2
    i, j = np.triu_indices(len(lines), 1)
    cosine = np.abs((normals[i] * normals[j]).sum(1))
    offset = normals @ middle - distances
    sign = np.sign((normals[i] * normals[j]).sum(1))
    apart = np.abs(offset[i] - sign * offset[j])
    pair = (cosine > np.cos(np.radians(30))) & (apart > 0.12 * min(shape))
    i, j = i[pair], j[pair]
    direction = normals[i] + normals[j] * np.where((normals[i] * normals[j]).sum(1) < 0, -1, 1)[:, None]
    direction /= np.maximum(np.hypot(*direction.T), 1e-9)[:, None]
    p, q = np.triu_indices(len(i), 1)
    crossing = np.abs((direction[p] * direction[q]).sum(1)) < np.cos(np.radians(60))
    p, q = p[crossing], q[crossing]
    return np.column_stack([i[p], i[q], j[p], j[q]])


def _corners(lines: list[Line], quads: np.ndarray) -> np.ndarray:
    """(n, 4, 2): corner k is where side k - 1 meets side k."""
    normals = np.array([line.normal for line in lines])
    distances = np.array([line.distance for line in lines])
    a, b = np.roll(quads, 1, axis=1), quads
    cross = normals[a][..., 0] * normals[b][..., 1] - normals[a][..., 1] * normals[b][..., 0]
    cross = np.where(np.abs(cross) < 1e-6, np.nan, cross)
    x = (distances[a] * normals[b][..., 1] - distances[b] * normals[a][..., 1]) / cross
    y = (normals[a][..., 0] * distances[b] - normals[b][..., 0] * distances[a]) / cross
    return np.stack([x, y], axis=-1)


def _area(corners: np.ndarray) -> np.ndarray:
    after = np.roll(corners, -1, axis=1)
    return 0.5 * np.abs((corners[..., 0] * after[..., 1] - corners[..., 1] * after[..., 0]).sum(1))


def _plausible(corners: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    size = np.array([shape[1], shape[0]], float)
    with np.errstate(invalid="ignore"):
        near = ((corners > -_OUTSIDE * size) & (corners < (1 + _OUTSIDE) * size)).all((1, 2))
    side = np.roll(corners, -1, axis=1) - corners
    after = np.roll(side, -1, axis=1)
    turn = side[..., 0] * after[..., 1] - side[..., 1] * after[..., 0]
    convex = (turn > 0).all(1) | (turn < 0).all(1)
    # At most one corner outside: with two, a whole side is missing and the picture's border stands in for it.
    outside = ((corners < -0.02 * size) | (corners > 1.02 * size)).any(2).sum(1)
    return near & convex & (outside <= 1) & (_area(corners) > _SMALLEST_AREA * size.prod())


def _support(lines: list[Line], quads: np.ndarray, corners: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(n, 4) mean evidence of each side where it is seen, and the fraction of it that is seen."""
    longest = max(len(line.seen) for line in lines)
    behind, ahead, seen = (
        np.array([np.pad(running, (0, longest - len(running)), mode="edge") for running in sums])
        for sums in zip(*((line.paper_behind, line.paper_ahead, line.seen) for line in lines), strict=True)
    )
    start = np.array([line.start for line in lines])[quads]
    normals = np.array([line.normal for line in lines])[quads]
    along = np.stack([-normals[..., 1], normals[..., 0]], axis=-1)
    ends = np.sort(np.stack([(corners * along).sum(2), (np.roll(corners, -1, 1) * along).sum(2)]), axis=0)
    low, high = np.clip(np.round((ends - start) / SPACING), 0, longest - 1).astype(int)
    count = seen[quads, high] - seen[quads, low]
    is_behind = (corners.mean(1, keepdims=True) * normals).sum(2) < np.array([line.distance for line in lines])[quads]
    behind, ahead = behind[quads, high] - behind[quads, low], ahead[quads, high] - ahead[quads, low]
    # A drawing that is dark right up to the edge turns the step round there: no proof against the edge, but none for it.
    evidence = np.where(is_behind, behind - _REVERSED * ahead, ahead - _REVERSED * behind) / np.maximum(count, 1)
    return evidence, SPACING * count / np.maximum(ends[1] - ends[0], 1)


def _aspect_score(corners: np.ndarray, aspect: float) -> np.ndarray:
    side_middle = (corners + np.roll(corners, -1, axis=1)) / 2
    lengths = np.hypot(*(side_middle[:, :2] - side_middle[:, 2:]).transpose(2, 0, 1))
    seen = np.abs(np.log(lengths[:, 0] / lengths[:, 1]))
    return -np.minimum(0.5 * ((seen - np.log(aspect)) / _ASPECT_SLACK) ** 2, 4.0)


# ---------------------------------------------------------------- the few that are looked into


def _judged(lab: np.ndarray, outline: Outline, aspect: float, focal_35mm: float | None) -> Outline:
    """The outline with a score that also asks whether all inside it is one paper, and whether a camera could see it so."""
    inside = _flattened(lab, outline.corners, 40)
    lightness, colour = inside[..., 0], inside[..., 1:]
    bright = lightness > np.percentile(lightness, 40)
    paper = np.median(colour[bright], axis=0)
    same_colour = 1 / (1 + (np.hypot(*(colour - paper).transpose(2, 0, 1)) / 8.0) ** 4)
    # In the band along the edges, where drawings are rare, nothing may be much darker than the paper next to it.
    band = np.ones(lightness.shape, bool)
    band[5:-5, 5:-5] = False
    not_dark = 1 / (1 + (np.clip(np.percentile(lightness, 70) - lightness, 0, None) / 35.0) ** 4)
    alike = 0.5 * same_colour.mean() + 0.5 * (same_colour * not_dark)[band].mean()
    score = outline.score + 4.0 * float(np.log(alike + 1e-3))
    if not outline.cut.any():
        tilt = find_pose(outline.corners, (1.0, aspect), lab.shape[:2], focal_35mm).tilt_deg
        score -= 0.5 * (tilt / _USUAL_TILT_DEG) ** 2
    return Outline(outline.corners, outline.cut, outline.support, score)


def _flattened(lab: np.ndarray, corners: np.ndarray, size: int) -> np.ndarray:
    margin = 1.0  # stay off the edge itself
    square = np.array([[0, 0], [size, 0], [size, size], [0, size]], np.float32) + np.array(
        [[-margin, -margin], [margin, -margin], [margin, margin], [-margin, margin]], np.float32
    )
    matrix = cv2.getPerspectiveTransform(corners.astype(np.float32), square)
    return cv2.warpPerspective(lab, matrix, (size, size), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
