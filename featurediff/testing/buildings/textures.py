"""Materials as fields of gain about 1: plaster, brick courses, stone blocks, roof tiles, paving."""

from __future__ import annotations

import cv2
import numpy as np


def clouds(shape: tuple[int, int], sigma: float, rng: np.random.Generator) -> np.ndarray:
    """(h, w) smooth noise of unit spread, ``sigma`` px wide."""
    shrink = max(1, int(sigma // 3))
    small = rng.standard_normal((shape[0] // shrink + 8, shape[1] // shrink + 8)).astype(np.float32)
    small = cv2.GaussianBlur(small, (0, 0), max(sigma / shrink, 0.3))
    small /= max(float(small.std()), 1e-6)
    return cv2.resize(small, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC) if shrink > 1 else small[: shape[0], : shape[1]]


def plaster(shape, per_m: float, rng: np.random.Generator, strength: float = 1.0) -> np.ndarray:
    """Weathered plaster: stains, runs of rain, grain."""
    out = 1 + 0.025 * strength * clouds(shape, 1.2 * per_m, rng) + 0.02 * strength * clouds(shape, 0.25 * per_m, rng)
    runs = cv2.GaussianBlur(rng.standard_normal((1, shape[1])).astype(np.float32), (0, 0), 0.06 * per_m + 0.5)
    runs = np.repeat(runs / max(float(runs.std()), 1e-6), shape[0], 0) * (0.5 + 0.5 * clouds(shape, 1.0 * per_m, rng))
    grain = rng.standard_normal(shape).astype(np.float32)
    return (out + 0.008 * strength * runs + 0.018 * strength * grain).astype(np.float32)


def courses(shape, per_m: float, rng: np.random.Generator, long: float, high: float, joint: float, depth: float, vary: float):
    """Blocks ``long`` x ``high`` m in running bond with joints ``joint`` m wide, ``depth`` darker or (negative) lighter."""
    h, w = shape
    v = (h - 1 - np.arange(h) + 0.5) / per_m
    u = (np.arange(w) + 0.5) / per_m
    row = np.floor(v / high).astype(int)
    shifted = u[None] + 0.5 * long * (row % 2)[:, None]
    column = np.floor(shifted / long).astype(int)
    tones = rng.normal(1, vary, (row.max() + 2, column.max() + 2)).astype(np.float32)
    out = tones[row[:, None], column]
    # Soft joints: their share of a texel, so that they fade where they are finer than one.
    texel = 1 / per_m
    across = np.clip((joint - np.abs((v / high - row) * high - joint / 2)) / texel + 0.5, 0, 1)[:, None] * min(1, joint / texel)
    beside = np.clip((joint - np.abs((shifted / long - column) * long - joint / 2)) / texel + 0.5, 0, 1) * min(1, joint / texel)
    out = out * (1 - depth * np.maximum(across, beside))
    return (out * (1 + 0.03 * clouds(shape, 0.8 * per_m, rng)) + 0.012 * rng.standard_normal(shape)).astype(np.float32)


def brick(shape, per_m, rng):
    return courses(shape, per_m, rng, 0.25, 0.085, 0.014, rng.choice([-0.16, 0.15]), 0.055)


def stone(shape, per_m, rng):
    return courses(shape, per_m, rng, 0.8, 0.4, 0.02, 0.14, 0.035)


def tiles(shape, per_m, rng):
    """Roof tiles: rows that each throw a soft shadow, waves along them."""
    h, w = shape
    v = (h - 1 - np.arange(h) + 0.5) / per_m
    u = (np.arange(w) + 0.5) / per_m
    row = (v / 0.34) % 1.0
    wave = 0.06 * np.sin(u * 2 * np.pi / 0.24)[None]
    tones = courses(shape, per_m, rng, 0.24, 0.34, 0.0, 0.0, 0.05)
    return (tones * (1 - 0.14 * (1 - row) ** 3)[:, None] + wave).astype(np.float32)


def paving(shape, per_m, rng):
    return courses(shape, per_m, rng, 0.6, 0.6, 0.02, 0.10, 0.03)


def asphalt(shape, per_m, rng):
    return (1 + 0.05 * clouds(shape, 1.5 * per_m, rng) + 0.03 * rng.standard_normal(shape)).astype(np.float32)


WALLS = {"plaster": plaster, "brick": brick, "stone": stone}
