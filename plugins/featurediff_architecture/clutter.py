"""What is no building: sky, and the tangle of foliage, people, cars and clouds."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from featurediff_architecture.segments import Lines
from featurediff_architecture.working import Working, sample

# The maps are this many times smaller than the working copy.
COARSE = 4
BINS = 12
# Slopes (grey levels per px of the working copy) below this are paper-smooth.
SMOOTH = 1.6
# Orientation is tangled where its entropy reaches this share of that of all orientations alike.
TANGLED = 0.86
# A line longer than this share of the picture's long side is no chance line of a tangle.
TOO_LONG = 0.16


@dataclass(frozen=True)
class Ground:
    """``sky`` and ``tangle``: (h, w) float32 0..1 maps, `COARSE` times smaller than the working copy."""

    sky: np.ndarray
    tangle: np.ndarray

    def at(self, what: np.ndarray, points: np.ndarray) -> np.ndarray:
        """Values of one of the maps at ``points`` (a, b, 2) of the working copy: (a, b)."""
        return sample(what, (np.asarray(points, float) + 0.5) / COARSE - 0.5)


def find_ground(working: Working) -> Ground:
    """The maps of sky and tangle of a working copy."""
    return Ground(_sky(working), _tangle(working))


def _small(image: np.ndarray) -> np.ndarray:
    h, w = image.shape[:2]
    return cv2.resize(image, (max(w // COARSE, 1), max(h // COARSE, 1)), interpolation=cv2.INTER_AREA)


def _sky(working: Working) -> np.ndarray:
    """Smooth regions that reach the picture's upper edge and are lighter than most of the rest, or bluer."""
    steep = _small(np.abs(working.gradient).max(2))
    colour = _small(working.colour)
    smooth = (steep < SMOOTH).astype(np.uint8)
    smooth = cv2.morphologyEx(smooth, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    count, label, stats, _ = cv2.connectedComponentsWithStats(smooth, connectivity=4)
    sky = np.zeros(smooth.shape, np.float32)
    light = float(np.median(colour[..., 0]))
    for k in range(1, count):
        if stats[k, cv2.CC_STAT_TOP] > 2 or stats[k, cv2.CC_STAT_AREA] < 0.003 * smooth.size:
            continue
        own = label == k
        mean = colour[own].mean(0)
        if mean[0] > light - 4.0 or mean[2] < -12.0:
            sky[own] = 1.0
    return cv2.dilate(sky, np.ones((3, 3), np.uint8))


def _tangle(working: Working) -> np.ndarray:
    """Entropy of the edges' orientation around each place, 0 (one orientation) to 1 (all alike), where there are edges at all."""
    gx, gy = working.gradient[..., 0], working.gradient[..., 1]
    steep = np.hypot(gx, gy)
    angle = np.mod(np.arctan2(gy, gx), np.pi)
    which = np.minimum((angle / np.pi * BINS).astype(np.int32), BINS - 1)
    steep = np.where(steep > SMOOTH, np.minimum(steep, 20.0), 0.0)
    h, w = steep.shape[0] // COARSE, steep.shape[1] // COARSE
    if min(h, w) < 2:
        return np.zeros((max(h, 1), max(w, 1)), np.float32)
    y, x = np.mgrid[: h * COARSE, : w * COARSE] // COARSE
    index = (which[: h * COARSE, : w * COARSE] * h + y) * w + x
    cells = np.bincount(index.ravel(), steep[: h * COARSE, : w * COARSE].ravel(), BINS * h * w)
    cells = cells.reshape(BINS, h, w).astype(np.float32)
    reach = max(int(0.05 * max(h, w)), 3) | 1
    cells = np.stack([cv2.blur(c, (reach, reach)) for c in cells])
    total = cells.sum(0)
    share = cells / np.maximum(total, 1e-6)
    entropy = -(share * np.log(np.maximum(share, 1e-6))).sum(0) / np.log(BINS)
    busy = np.clip(total / (COARSE**2 * 0.6), 0, 1)
    return (entropy * busy).astype(np.float32)


def tangled(lines: Lines, ground: Ground, long_side: float) -> np.ndarray:
    """(n,) True for lines that lie in a tangle and are not long enough to stand out of it."""
    if not len(lines):
        return np.zeros(0, bool)
    t = np.linspace(0.05, 0.95, 9)
    on = lines.ends[:, :1] + t[None, :, None] * lines.vector[:, None]
    share = (ground.at(ground.tangle, on) > TANGLED).mean(1)
    solid = (lines.length > TOO_LONG * long_side) & (lines.shown > 0.6)
    return (share > 0.5) & ~solid


def beside_sky(lines: Lines, ground: Ground, away: float = 10.0) -> np.ndarray:
    """(n, 2): share of each line's length with sky on its left and on its right hand side (y down), ``away`` px off."""
    t = np.linspace(0.06, 0.94, 15)
    on = lines.ends[:, :1] + t[None, :, None] * lines.vector[:, None]
    sides = [on + sign * away * lines.normal[:, None] for sign in (-1.0, 1.0)]
    return np.stack([ground.at(ground.sky, side).mean(1) if len(lines) else np.zeros(0) for side in sides], 1)
