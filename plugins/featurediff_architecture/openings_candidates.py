"""Upright rectangles of a facade seen straight on that may be openings: from regions, from pairs of lines, from likeness."""

from __future__ import annotations

import cv2
import numpy as np

SMALLEST_PX = 9.0
WIDEST, TALLEST = 0.4, 0.5


def from_regions(lab: np.ndarray, inside: np.ndarray, levels: int = 8) -> np.ndarray:
    """(n, 4) boxes of connected regions that are darker, or lighter, than a level, for several levels.

    ``lab`` (h, w, 3) CIELAB, ``inside`` (h, w) bool. Thin bars are bridged as well as left standing, so that panes and the
    whole window are both tried.
    """
    half = cv2.resize(lab[..., 0], None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    within = cv2.resize(inside.astype(np.uint8), (half.shape[1], half.shape[0]), interpolation=cv2.INTER_NEAREST) > 0
    if not within.any():
        return np.zeros((0, 4))
    low, high = np.percentile(half[within], [3, 97])
    boxes = []
    for level in np.linspace(low, high, levels + 2)[1:-1]:
        for mask in (half < level, half > level):
            plain = (mask & within).astype(np.uint8)
            bridged = cv2.morphologyEx(plain, cv2.MORPH_CLOSE, np.ones((5, 5), np.uint8))
            boxes += [_boxes(plain), _boxes(bridged)]
    found = np.vstack(boxes)
    # Half-size px to full size: edges of px, not centres.
    return found * 2.0 + np.array([-0.5, -0.5, -0.5, -0.5])


def _boxes(mask: np.ndarray, fullest: float = 0.68) -> np.ndarray:
    """Boxes, edges in px, of the connected regions of ``mask`` that fill theirs well."""
    count, _, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=4)
    if count < 2:
        return np.zeros((0, 4))
    x, y, w, h, area = stats[1:].T.astype(float)
    good = (w >= SMALLEST_PX / 2) & (h >= SMALLEST_PX / 2) & (area >= fullest * w * h)
    good &= (w <= WIDEST * mask.shape[1]) & (h <= TALLEST * mask.shape[0])
    return np.column_stack([x, y, x + w, y + h])[good]


def from_lines(segments: np.ndarray, size: tuple[int, int], neighbours: int = 30, off_deg: float = 3.0) -> np.ndarray:
    """(n, 4) boxes between pairs of upright lines of about equal ends.

    ``segments`` (n, 4) in px of the facade seen straight on; ``size`` its width and height. Each line is tried with its next
    ``neighbours`` to the right only.
    """
    if len(segments) == 0:
        return np.zeros((0, 4))
    x0, y0, x1, y1 = np.asarray(segments, float).T
    upright = np.abs(x1 - x0) <= np.tan(np.radians(off_deg)) * np.abs(y1 - y0)
    x = ((x0 + x1) / 2)[upright]
    top, bottom = np.minimum(y0, y1)[upright], np.maximum(y0, y1)[upright]
    long_enough = bottom - top >= SMALLEST_PX
    order = np.argsort(x[long_enough])
    x, top, bottom = x[long_enough][order], top[long_enough][order], bottom[long_enough][order]
    boxes = []
    for step in range(1, min(neighbours, len(x) - 1) + 1):
        a, b = slice(0, -step), slice(step, None)
        both = np.minimum(bottom[a], bottom[b]) - np.maximum(top[a], top[b])
        either = np.maximum(bottom[a], bottom[b]) - np.minimum(top[a], top[b])
        wide = x[b] - x[a]
        good = (both > 0.8 * either) & (wide >= SMALLEST_PX) & (wide <= WIDEST * size[0])
        boxes.append(np.column_stack([x[a], (top[a] + top[b]) / 2, x[b], (bottom[a] + bottom[b]) / 2])[good])
    return np.vstack(boxes) if boxes else np.zeros((0, 4))


def like(lab: np.ndarray, box: np.ndarray, alike: float = 0.55, most: int = 60) -> np.ndarray:
    """(n, 4) boxes of the size of ``box`` whose picture, with a rim of wall, resembles it.

    Zero-mean normalised correlation at half size (Lewis 1995, "Fast normalized cross-correlation"; from memory), peaks above
    ``alike``, best first, none overlapping another.
    """
    half = cv2.resize(lab, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    left, top, right, bottom = np.asarray(box, float) / 2
    rim = 0.2 * min(right - left, bottom - top) + 2
    x0, y0 = max(int(left - rim), 0), max(int(top - rim), 0)
    x1, y1 = min(int(np.ceil(right + rim)) + 1, half.shape[1]), min(int(np.ceil(bottom + rim)) + 1, half.shape[0])
    template = half[y0:y1, x0:x1]
    if min(template.shape[:2]) < 4:
        return np.zeros((0, 4))
    likeness = cv2.matchTemplate(half, template, cv2.TM_CCOEFF_NORMED)
    top_of = cv2.dilate(likeness, np.ones((2 * (template.shape[0] // 3) + 1, 2 * (template.shape[1] // 3) + 1), np.uint8))
    rows, columns = np.nonzero((likeness >= top_of) & (likeness > alike))
    order = np.argsort(-likeness[rows, columns])[:most]
    shift = 2.0 * np.column_stack([columns[order] - x0, rows[order] - y0])
    return np.asarray(box, float)[None] + np.column_stack([shift, shift])
