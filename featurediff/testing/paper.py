"""Paper: its tone, its tooth that breaks a pencil line, and what happens to it."""

from __future__ import annotations

import cv2
import numpy as np


def noise(shape: tuple[int, int], sigma_px: float, rng: np.random.Generator) -> np.ndarray:
    """(h, w) float32 Gaussian noise of that correlation length, zero mean, unit spread; cheap at any scale."""
    shrink = max(1.0, sigma_px / 3.0)
    h, w = int(np.ceil(shape[0] / shrink)) + 4, int(np.ceil(shape[1] / shrink)) + 4
    field = cv2.GaussianBlur(rng.standard_normal((h, w)).astype(np.float32), (0, 0), sigma_px / shrink)
    if shrink > 1:
        field = cv2.resize(field, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_CUBIC)
    field = field[: shape[0], : shape[1]]
    return (field - field.mean()) / max(float(field.std()), 1e-6)


def tooth(shape: tuple[int, int], px_per_mm: float, rng: np.random.Generator) -> np.ndarray:
    """(h, w) float32 relief of drawing paper, zero mean, unit spread: fine grain on a coarser felt mark."""
    fine, felt = noise(shape, 0.10 * px_per_mm, rng), noise(shape, 0.33 * px_per_mm, rng)
    relief = 0.8 * fine + 0.6 * felt
    return relief / float(relief.std())


def graphite(load: np.ndarray, relief: np.ndarray, deepest: float = 0.82, bite: float = 0.55) -> np.ndarray:
    """(h, w) darkness 0..``deepest`` of a graphite load on paper of that relief.

    A light load only catches the peaks of the tooth; a heavy one fills the hollows. ``bite``: how much the tooth matters.
    """
    reach = np.clip(0.5 + 0.5 * (relief * bite + 1.5 * np.minimum(load, 2.0) - 0.35), 0.0, 1.0)
    return (deepest * (1.0 - np.exp(-load * reach * 1.3))).astype(np.float32)


def blank(shape: tuple[int, int], px_per_mm: float, rng: np.random.Generator, *, tone: float = 0.93) -> np.ndarray:
    """(h, w) float32 brightness of an empty sheet, about ``tone``: grain, a few fibres' worth of mottling."""
    grain, mottle = noise(shape, 0.12 * px_per_mm, rng), noise(shape, 9 * px_per_mm, rng)
    return (tone + 0.008 * grain + 0.0015 * mottle).astype(np.float32)


def smudges(shape: tuple[int, int], px_per_mm: float, rng: np.random.Generator, count: int = 3) -> np.ndarray:
    """(h, w) darkness of a hand's smears: soft, faint, streaky."""
    out = np.zeros(shape, np.float32)
    h, w = shape
    ys, xs = np.mgrid[:h:4, :w:4].astype(np.float32)
    streaks = 0.6 + 0.4 * noise(xs.shape, 0.25 * px_per_mm, rng)
    for _ in range(count):
        cx, cy, angle = rng.uniform(0.1, 0.9) * w, rng.uniform(0.1, 0.9) * h, rng.uniform(0, np.pi)
        long, wide = rng.uniform(14, 35) * px_per_mm, rng.uniform(5, 12) * px_per_mm
        u, v = (xs - cx) * np.cos(angle) + (ys - cy) * np.sin(angle), (ys - cy) * np.cos(angle) - (xs - cx) * np.sin(angle)
        blob = rng.uniform(0.03, 0.07) * np.exp(-0.5 * ((u / long) ** 2 + (v / wide) ** 2)) * streaks
        out += cv2.resize(blob, (w, h), interpolation=cv2.INTER_LINEAR)
    return np.clip(out, 0, 0.12)
