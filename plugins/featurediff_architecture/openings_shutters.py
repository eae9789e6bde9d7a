"""Windows with open shutters: which boxes of a chain of windows and shutters are which.

In a row of windows and shutters that stand flush every box has others beside it. But such a row begins and ends with a shutter,
narrower than the window beside it: from these two the others are known, on the whole facade.
"""

from __future__ import annotations

import numpy as np

from featurediff_architecture.openings_edges import TRIM, Edges

# How near the boxes' sides lie (px), and how much their heads and feet may differ, by their height.
GAP = 5.0
LEVEL = 0.08
# The shutter at the end of a row is so wide at most, and so wide at least, by the window beside it.
WIDEST, NARROWEST = 0.85, 0.2
# Shutters are alike in colour and in how much it varies (CIELAB), and a window differs from them by so much.
ALIKE, UNLIKE = 8.0, 9.0
# A window that holds another one is both of them and what is between.
HOLDS = 0.8


def with_shutters(edges: Edges, boxes: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(n,) True for each box (n, 4) that is a window between shutters; (n,) True for the shutters of such windows."""
    windows, shutters = np.zeros(len(boxes), bool), np.zeros(len(boxes), bool)
    if len(boxes) < 3:
        return windows, shutters
    tones = np.array([_tone(edges, box) for box in boxes])
    left, right = _flush(boxes)
    for shutter in _ends(boxes, tones, left, right):
        alike = _apart(tones, shutter) < ALIKE
        between = (left & alike[None]).any(1) & (right & alike[None]).any(1) & (_apart(tones, shutter) > UNLIKE)
        windows |= between & ~_holding(boxes, between)
        shutters |= alike & ((left | right) & windows[None]).any(1)
    return windows, shutters & ~windows


def _flush(boxes: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(n, n) True where box j ends where box i begins, at its level; and where j begins where i ends."""
    high = boxes[:, 3] - boxes[:, 1]
    slack = np.maximum(LEVEL * high, GAP)[:, None]
    level = (np.abs(boxes[:, None, 1] - boxes[None, :, 1]) < slack) & (np.abs(boxes[:, None, 3] - boxes[None, :, 3]) < slack)
    left = level & (np.abs(boxes[:, None, 0] - boxes[None, :, 2]) < GAP)
    right = level & (np.abs(boxes[:, None, 2] - boxes[None, :, 0]) < GAP)
    return left, right


def _ends(boxes: np.ndarray, tones: np.ndarray, left: np.ndarray, right: np.ndarray) -> list[np.ndarray]:
    """The tones of shutters, one for each row that has an alike one at both ends."""
    wide = boxes[:, 2] - boxes[:, 0]
    slim = (wide[:, None] < WIDEST * wide[None]) & (wide[:, None] > NARROWEST * wide[None])
    unlike = np.abs(tones[:, None] - tones[None]).max(2) > UNLIKE
    first = np.flatnonzero(~left.any(1) & (right & slim & unlike).any(1))
    last = np.flatnonzero(~right.any(1) & (left & slim & unlike).any(1))
    found: list[np.ndarray] = []
    for a in first:
        for b in last:
            high = boxes[a, 3] - boxes[a, 1]
            same_level = np.abs(boxes[a, [1, 3]] - boxes[b, [1, 3]]).max() < max(LEVEL * high, GAP)
            if same_level and boxes[b, 0] > boxes[a, 2] and np.abs(tones[a] - tones[b]).max() < ALIKE:
                tone = (tones[a] + tones[b]) / 2
                if all(np.abs(tone - known).max() > ALIKE / 2 for known in found):
                    found.append(tone)
    return found


def _apart(tones: np.ndarray, tone: np.ndarray) -> np.ndarray:
    return np.abs(tones - tone).max(1)


def _holding(boxes: np.ndarray, between: np.ndarray) -> np.ndarray:
    """(n,) True for boxes that hold another one of ``between``, clearly narrower."""
    inside = (boxes[None, :, 0] > boxes[:, None, 0] - GAP) & (boxes[None, :, 2] < boxes[:, None, 2] + GAP)
    inside &= (boxes[None, :, 1] > boxes[:, None, 1] - GAP) & (boxes[None, :, 3] < boxes[:, None, 3] + GAP)
    wide = boxes[:, 2] - boxes[:, 0]
    return (inside & between[None] & (wide[None] < HOLDS * wide[:, None])).any(1)


def _tone(edges: Edges, box: np.ndarray) -> np.ndarray:
    """(4,) mean colour of a box (CIELAB) and how much its lightness varies: slats and panels, or glass."""
    width, height = edges.size
    left, top, right, bottom = (float(v) for v in box)
    x0, x1 = max(int(left + TRIM * (right - left)), 0), min(int(right - TRIM * (right - left)) + 1, width)
    y0, y1 = max(int(top + TRIM * (bottom - top)), 0), min(int(bottom - TRIM * (bottom - top)) + 1, height)
    inside = edges.lab[y0 : max(y1, y0 + 1), x0 : max(x1, x0 + 1)].reshape(-1, 3)
    return np.append(inside.mean(0), inside[:, 0].std())
