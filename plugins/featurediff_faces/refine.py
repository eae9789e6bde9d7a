"""Lay a landmark curve on the picture's own edge or dark line.

Landmark curves lie 1-2 % of the pupil distance beside the true edge. Each is moved along its normals to where the picture
changes most, as one smooth path; where the picture shows nothing the curve stays where it was and keeps its larger uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from featurediff.geometry import normals
from featurediff_faces.paths import best_path

# All in parts of the pupil distance.
REACH = 0.035  # how far an edge is looked for on either side
SAMPLE = 0.004  # between samples along a normal
BLUR = 0.008  # sigma of the derivative across
SIDE = 0.025  # how far from the curve the colours of its two sides are taken

# In units of the curve's own noise: an edge this clear is followed; below it, the landmark curve stays.
CLEAR = 2.5


@dataclass(frozen=True)
class Snapped:
    """``points`` (n, 2) px; ``clear``: how clear the edge is over the curve's own noise; ``offset`` (n,) px along the normals."""

    points: np.ndarray
    clear: float
    offset: np.ndarray

    @property
    def found(self) -> bool:
        return self.clear >= CLEAR


def sample_profiles(image: np.ndarray, points: np.ndarray, normal: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Values (n, k, c) of a float32 image along the normals of (n, 2) points at distances ``at`` (k,) px."""
    where = points[:, None, :] + at[None, :, None] * normal[:, None, :]
    found = cv2.remap(
        image,
        where[..., 0].astype(np.float32),
        where[..., 1].astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return found if found.ndim == 3 else found[..., None]


def snap(
    lab: np.ndarray,
    points: np.ndarray,
    unit: float,
    *,
    closed: bool = False,
    look_for: str = "edge",
    reach: float = REACH,
    stiffness: float = 0.25,
    pull: float = 0.3,
    along: float = 1.5,
) -> Snapped:
    """Move a curve (n, 2) on to the picture's edge.

    ``lab`` (h, w, 3) float32; ``unit``: px between the pupils. ``look_for``: "edge", where the colours of the curve's two sides
    meet; "dark line", the middle of a dark line. ``pull``: how much the curve's own place counts, in parts of a clear edge.
    """
    at = np.arange(-(reach + SIDE + 0.02), reach + SIDE + 0.0201, SAMPLE) * unit
    normal = normals(points, closed)
    profile = sample_profiles(lab, points, normal, at)
    flat = np.abs(at) <= reach * unit + 1e-9
    score = _edge_score(profile, at, unit) if look_for == "edge" else _line_score(profile, at, unit)
    score = _blur(score, along, 0)[:, flat]
    at = at[flat]
    height = np.percentile(score, 95)
    noise = np.median(np.abs(score - np.median(score))) * 1.4826
    if height <= 1e-6:
        return Snapped(points, 0.0, np.zeros(len(points)))
    table = score / height - pull * (at / (reach * unit))[None, :] ** 2
    path = best_path(table, stiffness, closed)
    offset = np.interp(path, np.arange(len(at)), at)
    offset = _blur(offset[:, None], 2.0, 0, closed)[:, 0]
    on_path = score[np.arange(len(points)), np.clip(np.round(path).astype(int), 0, len(at) - 1)]
    clear = float((np.median(on_path) - np.median(score)) / max(noise, 1e-6))
    return Snapped(points + offset[:, None] * normal, clear, offset)


def _edge_score(profile: np.ndarray, at: np.ndarray, unit: float) -> np.ndarray:
    """Slope across the curve of the colour component in which its two sides differ."""
    near = (np.abs(at) > 0.4 * SIDE * unit) & (np.abs(at) < 1.6 * SIDE * unit)
    outer, inner = profile[:, near & (at > 0)].mean(1), profile[:, near & (at < 0)].mean(1)
    difference = _blur(outer - inner, 6.0, 0)
    # The side difference may change along the curve (light to shadow), but not from point to point.
    direction = difference / np.maximum(np.linalg.norm(difference, axis=1, keepdims=True), 1e-6)
    part = (profile * direction[:, None, :]).sum(2)
    smooth = _blur(part, BLUR * unit / (at[1] - at[0]), 1)
    return np.gradient(smooth, axis=1)


def _line_score(profile: np.ndarray, at: np.ndarray, unit: float) -> np.ndarray:
    """How much darker than both sides, in L*."""
    step = at[1] - at[0]
    narrow = _blur(profile[..., 0], BLUR * unit / step, 1)
    wide = _blur(profile[..., 0], 3 * BLUR * unit / step, 1)
    return wide - narrow


def _blur(table: np.ndarray, sigma: float, axis: int, closed: bool = False) -> np.ndarray:
    radius = max(int(np.ceil(3 * sigma)), 1)
    at = np.arange(-radius, radius + 1)
    kernel = np.exp(-0.5 * (at / max(sigma, 1e-3)) ** 2)
    kernel /= kernel.sum()
    data = np.asarray(table, np.float32)
    shape = data.shape
    if axis == 0:
        data = data.reshape(shape[0], -1)
        if closed and radius < shape[0]:
            data = np.vstack([data[-radius:], data, data[:radius]])
            return cv2.sepFilter2D(data, -1, np.ones(1), kernel)[radius:-radius].reshape(shape)
        return cv2.sepFilter2D(data, -1, np.ones(1), kernel, borderType=cv2.BORDER_REPLICATE).reshape(shape)
    return cv2.sepFilter2D(data, -1, kernel, np.ones(1), borderType=cv2.BORDER_REPLICATE).reshape(shape)
