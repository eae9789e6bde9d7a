"""Windows, doors and arched openings of one facade.

The facade is seen straight on (`rectify`), so that openings are upright rectangles. Rectangles are proposed by regions, by
pairs of lines and by likeness to those found already (`openings_candidates`), confirmed by their own four sides
(`openings_edges`), and those that repeat win over those that do not.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from featurediff.geometry import apply
from featurediff_architecture.openings_candidates import from_lines, from_regions, like
from featurediff_architecture.openings_edges import Edges, cover, edges_of, refine
from featurediff_architecture.rectify import Rectified, rectify

LEAST_COVER = 0.72
LEAST_SIDE = 0.45


@dataclass(frozen=True)
class Opening:
    """One opening of a facade.

    ``outline`` (n, 2) px of the picture, closed: top left, top right, bottom right, bottom left for a rectangle; an arched one
    runs from its left springing over the crown to the right springing, then down its sides. ``kind``: "window", "door" or
    "arch". ``box``: left, top, right, bottom in px of the facade seen straight on, whose width and height are each true up to
    one factor. ``score`` 0..1: how much of its outline stands on edges. ``corners`` (4, 2): the box's corners in px of the picture.
    """

    outline: np.ndarray
    kind: str
    box: tuple[float, float, float, float]
    score: float
    corners: np.ndarray


def find_openings(
    pixels: np.ndarray, segments: np.ndarray, across: np.ndarray, up: np.ndarray, region: np.ndarray | None = None
) -> tuple[Opening, ...]:
    """Windows, doors and arched openings of a facade plane, from top to bottom, then left to right.

    ``pixels`` (h, w, 3) uint8 RGB; ``segments`` (n, 4) px, straight edges of that picture; ``across`` and ``up`` (3,) the
    homogeneous vanishing points of the plane's levels and verticals; ``region`` (m, 2) px, the facade's outline, or None for
    the whole picture. An empty tuple when the plane is seen too flatly, or has none.
    """
    try:
        flat = rectify(pixels, across, up, region)
    except ValueError:
        return ()
    edges = edges_of(flat.pixels)
    boxes, scores = find_boxes(edges, flat, _flat_segments(segments, flat))
    return tuple(_opening(flat, box, score) for box, score in zip(boxes, scores, strict=True))


def _flat_segments(segments: np.ndarray, flat: Rectified) -> np.ndarray:
    """Segments (n, 4) in px of the facade seen straight on; those that leave it are dropped."""
    segments = np.asarray(segments, float).reshape(-1, 4)
    if len(segments) == 0:
        return segments
    to_flat = np.linalg.inv(flat.to_picture)
    both = segments.reshape(-1, 2)
    weight = both @ to_flat[2, :2] + to_flat[2, 2]
    mapped = apply(to_flat, both)
    size = np.array([flat.pixels.shape[1], flat.pixels.shape[0]])
    good = (weight > 0) & (mapped > -5).all(1) & (mapped < size + 5).all(1)
    return mapped.reshape(-1, 4)[good.reshape(-1, 2).all(1)]


def find_boxes(edges: Edges, flat: Rectified, segments: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Boxes (n, 4) of openings in px of the facade seen straight on, and their scores (n,)."""
    proposed = np.vstack([from_regions(edges.lab, flat.inside), from_lines(segments, edges.size)])
    boxes, scores = confirm(edges, flat, _unlike(proposed, 3.0), 4.0)
    boxes, scores = choose(boxes, scores)
    boxes, scores = _spread(edges, flat, boxes, scores)
    return boxes, scores


def _unlike(boxes: np.ndarray, apart: float) -> np.ndarray:
    """One of each set of boxes whose sides all agree within about ``apart`` px."""
    if len(boxes) == 0:
        return boxes
    _, first = np.unique(np.round(boxes / apart).astype(int), axis=0, return_index=True)
    return boxes[np.sort(first)]


def confirm(edges: Edges, flat: Rectified, boxes: np.ndarray, reach: float) -> tuple[np.ndarray, np.ndarray]:
    """The boxes that stand on edges on all four sides, refined, with their scores 0..1."""
    kept, scores = [], []
    for box in boxes:
        fine = refine(edges, box, reach)
        if min(fine[2] - fine[0], fine[3] - fine[1]) < 7 or not _within(flat, fine):
            continue
        shares = cover(edges, fine)
        if shares.mean() < LEAST_COVER or shares.min() < LEAST_SIDE:
            continue
        kept.append(fine)
        scores.append(float(shares.mean()))
    return np.array(kept).reshape(-1, 4), np.array(scores)


def _within(flat: Rectified, box: np.ndarray) -> bool:
    """True when the whole box lies on what is seen of the facade."""
    height, width = flat.inside.shape
    x = np.clip(np.round(box[[0, 2, 2, 0]]).astype(int), 0, width - 1)
    y = np.clip(np.round(box[[1, 1, 3, 3]]).astype(int), 0, height - 1)
    return bool(flat.inside[y, x].all())


def alike(boxes: np.ndarray, tolerance: float = 0.1) -> np.ndarray:
    """(n, n) bool: boxes of about the same size that share a storey or a column."""
    width, height = boxes[:, 2] - boxes[:, 0], boxes[:, 3] - boxes[:, 1]
    same = (np.abs(np.log(width[:, None] / width)) < tolerance) & (np.abs(np.log(height[:, None] / height)) < tolerance)
    level = np.abs(boxes[:, None, 1] - boxes[:, 1]) < tolerance * height
    above = np.abs(boxes[:, None, 0] - boxes[:, 0]) < tolerance * width
    return same & (level | above)


def choose(boxes: np.ndarray, scores: np.ndarray, overlap: float = 0.2) -> tuple[np.ndarray, np.ndarray]:
    """The boxes that stay when no two may overlap: well covered ones, repeated ones, larger ones first."""
    if len(boxes) == 0:
        return boxes, scores
    area = (boxes[:, 2] - boxes[:, 0]) * (boxes[:, 3] - boxes[:, 1])
    # Several finds of one box are one sibling.
    siblings = _places(boxes, alike(boxes))
    worth = scores * (1 + 0.25 * np.log2(np.minimum(siblings, 16))) * area**0.15
    kept: list[int] = []
    for index in np.argsort(-worth):
        if all(_overlap(boxes[index], boxes[k]) < overlap for k in kept):
            kept.append(int(index))
    return boxes[kept], scores[kept]


def _places(boxes: np.ndarray, friends: np.ndarray) -> np.ndarray:
    """For each box, at how many unlike places its friends lie, its own included."""
    centre = np.round((boxes[:, :2] + boxes[:, 2:]) / 2 / 8).astype(int)
    key = centre[:, 0] * 100_003 + centre[:, 1]
    return np.array([len(np.unique(key[row])) for row in friends])


def _overlap(a: np.ndarray, b: np.ndarray) -> float:
    """Shared area over the smaller one's."""
    wide = min(a[2], b[2]) - max(a[0], b[0])
    high = min(a[3], b[3]) - max(a[1], b[1])
    if wide <= 0 or high <= 0:
        return 0.0
    return wide * high / min((a[2] - a[0]) * (a[3] - a[1]), (b[2] - b[0]) * (b[3] - b[1]))


def _spread(
    edges: Edges, flat: Rectified, boxes: np.ndarray, scores: np.ndarray, seeds: int = 5
) -> tuple[np.ndarray, np.ndarray]:
    """Boxes found by likeness to those found already are added."""
    done: list[np.ndarray] = []
    more_boxes, more_scores = [boxes], [scores]
    for box in boxes:
        size = np.log(np.array([box[2] - box[0], box[3] - box[1]]))
        if any(np.abs(size - d).max() < 0.12 for d in done):
            continue
        done.append(size)
        if len(done) > seeds:
            break
        found, found_scores = confirm(edges, flat, like(edges.lab, box), 4.0)
        more_boxes.append(found)
        more_scores.append(found_scores)
    return choose(np.vstack(more_boxes), np.concatenate(more_scores))


def _opening(flat: Rectified, box: np.ndarray, score: float) -> Opening:
    left, top, right, bottom = (float(v) for v in box)
    corners = apply(flat.to_picture, np.array([[left, top], [right, top], [right, bottom], [left, bottom]]))
    return Opening(corners, "window", (left, top, right, bottom), float(score), corners)
