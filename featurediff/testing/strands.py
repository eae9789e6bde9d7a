"""Hair as strands that follow the head's surface: streamlines in the picture, painted light and dark."""

from __future__ import annotations

import cv2
import numpy as np


def flow(normal: np.ndarray, position: np.ndarray, root: np.ndarray, hang: np.ndarray) -> np.ndarray:
    """(h, w, 2) unit picture direction in which hair lies: away from ``root`` along the surface, turning down where it hangs.

    ``normal``, ``position`` (h, w, 3) in camera-aligned cm; ``root`` (3,); ``hang`` (h, w) 0..1.
    """
    away = position - root
    away /= np.maximum(np.linalg.norm(away, axis=2, keepdims=True), 1e-6)
    pull = away * (1 - hang[..., None]) + np.array([0.0, -1.0, 0.0]) * hang[..., None]
    along = pull - (pull * normal).sum(2, keepdims=True) * normal
    flat = np.dstack([along[..., 0], -along[..., 1]])
    return flat / np.maximum(np.linalg.norm(flat, axis=2, keepdims=True), 1e-6)


def streamlines(
    field: np.ndarray, mask: np.ndarray, count: int, steps: int, stride: float, rng: np.random.Generator
) -> list[np.ndarray]:
    """``count`` lines (k, 2) px that follow the field inside the mask (h, w), at most ``steps`` of ``stride`` px each way."""
    rows, cols = np.nonzero(mask)
    if len(rows) == 0:
        return []
    pick = rng.integers(0, len(rows), count)
    start = np.column_stack([cols[pick], rows[pick]]).astype(float)
    h, w = mask.shape
    halves = []
    for sign in (-1.0, 1.0):
        at, live, path = start.copy(), np.ones(count, bool), [start.copy()]
        last = np.zeros_like(start)
        limit = rng.integers(steps // 3, steps + 1, count)
        for step in range(steps):
            x = np.clip(np.round(at[:, 0]).astype(int), 0, w - 1)
            y = np.clip(np.round(at[:, 1]).astype(int), 0, h - 1)
            way = field[y, x]
            # At the crown the field turns round: a hair ends there.
            live &= mask[y, x] & (step < limit) & ((way * last).sum(1) > -0.2)
            at, last = np.where(live[:, None], at + sign * stride * way, at), way
            path.append(at.copy())
        halves.append(np.stack(path, 1))
    lines = []
    for back, ahead in zip(*halves, strict=True):
        whole = np.vstack([back[::-1], ahead[1:]])
        keep = np.concatenate([[True], np.hypot(*np.diff(whole, axis=0).T) > 0.1])
        if keep.sum() > 4:
            lines.append(whole[keep])
    return lines


def strand_gain(lines: list[np.ndarray], shape: tuple[int, int], width: int, rng: np.random.Generator) -> np.ndarray:
    """(h, w) about 0, spread about 1: lighter and darker strands."""
    out = np.zeros(shape, np.float32)
    for one in lines:
        value = float(np.clip(rng.normal(0, 1), -2, 2.2))
        cv2.polylines(out, [np.round(one * 16).astype(np.int32)], False, value, int(rng.integers(1, width + 1)), cv2.LINE_8, 4)
    return cv2.GaussianBlur(out, (0, 0), 0.8)
