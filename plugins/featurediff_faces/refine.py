"""Lay a landmark curve on the picture's own edge or dark line.

Landmark curves lie 1-2 % of the pupil distance beside the true edge. Each is moved along its normals to where the picture
changes most, as one smooth path; where the picture shows nothing the curve stays where it was and keeps its larger uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from featurediff.geometry import normals, resample
from featurediff_faces.paths import best_path

# All in parts of the pupil distance.
REACH = 0.035  # how far an edge is looked for on either side
SAMPLE = 0.004  # between samples along a normal
BLUR = 0.008  # sigma of the derivative across
STIFFNESS = 0.5
PULL = 0.3
SIDE = 0.025  # how far from the curve the colours of its two sides are taken

# An edge is followed when its step is at least this many L*a*b* units (dark line: this much darker), and stands out this
# many times from what else there is beside the curve; else the landmark curve stays.
LEAST_STEP = 3.0
LEAST_CONTRAST = 1.25
LINE_OVER_EDGE = 4.0  # an edge this many times as high as a line near it is dark wins over it


@dataclass(frozen=True)
class Snapped:
    """``points`` (n, 2) px; ``step``: height of the edge in L*a*b* units; ``contrast``: how many times it stands out from what
    else there is beside the curve; ``offset`` (n,) px along the normals."""

    points: np.ndarray
    step: float
    contrast: float
    offset: np.ndarray
    on_path: np.ndarray  # (n,) the score along the path, of which step and contrast are made
    beside: float
    to_step: float

    @property
    def found(self) -> bool:
        return self.step >= LEAST_STEP and self.contrast >= LEAST_CONTRAST

    def part(self, span: slice) -> Snapped:
        """The same for a stretch of the curve, judged by what lies on that stretch."""
        typical = float(np.median(self.on_path[span]))
        return Snapped(
            self.points[span], typical * self.to_step, typical / self.beside, self.offset[span], self.on_path[span],
            self.beside, self.to_step,
        )  # fmt: skip


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
    look_for: str = "edge",
    reach: float = REACH,
    stiffness: float = STIFFNESS,
    pull: float = PULL,
    along: float = 1.5,
    level: bool = False,
) -> Snapped:
    """Move an open curve (n, 2) on to the picture's edge.

    ``lab`` (h, w, 3) float32; ``unit``: px between the pupils. ``look_for``: "edge", where the colours of the curve's two sides
    meet; "dark line", the middle of a dark line; "edge or dark line", a line where there is a clear one; "dark rim", where a
    dark line, or
    dark inside, meets the light outside to which the normals point. ``pull``: how much the
    curve's own place counts, in parts of a clear edge. ``stiffness``: how much its own shape does. ``along``: points over which
    the picture is averaged along the curve. ``level``: what stands out more than the curve's typical point counts no more than
    that, so that
    a much darker thing beside one stretch (a nostril) does not draw the curve to it.
    """
    at = np.arange(-(reach + SIDE + 0.02), reach + SIDE + 0.0201, SAMPLE) * unit
    normal = normals(points)
    profile = sample_profiles(lab, points, normal, at)
    within = np.abs(at) <= reach * unit + 1e-9
    best = None
    for kind, score_of in (("dark line", _line_score), ("edge", _edge_score), ("dark rim", _rim_score)):
        if kind not in look_for:
            continue
        score = score_of(profile, at, unit)
        score = blur(score, along, 0)[:, within]
        found = _follow(score, at[within], points, normal, kind, reach * unit, stiffness, pull, level)
        # A line as dark as the edge is high is the better guess: shadow gathers in the fold itself.
        if best is None or (found.found and not best.found) or (kind == "edge" and found.step > LINE_OVER_EDGE * best.step):
            best = found
    return best


def _follow(score, at, points, normal, kind, reach, stiffness, pull, level) -> Snapped:
    height = np.median(score.max(1)) if level else np.percentile(score, 95)
    if height <= 1e-6:
        return Snapped(points, 0.0, 0.0, np.zeros(len(points)), np.zeros(len(points)), 1.0, 0.0)
    weighed = np.minimum(score, height + 0.2 * (score - height)) if level else score
    path = best_path(weighed / height - pull * (at / reach)[None, :] ** 2, stiffness)
    offset = blur(np.interp(path, np.arange(len(at)), at)[:, None], 2.0, 0)[:, 0]
    on_path = score[np.arange(len(points)), np.clip(np.round(path).astype(int), 0, len(at) - 1)]
    beside = max(float(np.median(np.abs(score))), 1e-6)
    # The slope of a step blurred by BLUR, turned back into the step's height.
    to_step = float(np.sqrt(2 * np.pi) * BLUR / SAMPLE) if kind == "edge" else 1.0
    typical = float(np.median(on_path))
    return Snapped(points + offset[:, None] * normal, typical * to_step, typical / beside, offset, on_path, beside, to_step)


def end_along(lab: np.ndarray, path: np.ndarray, unit: float, half: float, reach: float = 0.07, pull: float = 0.5) -> float:
    """How many px beyond (or before, < 0) the end of ``path`` (n, 2) the dark mark along it really ends.

    The mark's darkness against its two sides, ``half`` px wide on either side, is read along the path and straight on beyond it;
    the end is where it falls most, within ``reach`` pupil distances, or 0.0 where it does not fall clearly.
    """
    direction = path[-1] - path[max(len(path) - 8, 0)]
    direction /= max(np.hypot(*direction), 1e-9)
    step = SAMPLE * unit
    beyond = path[-1] + np.arange(1, int(2 * reach * unit / step))[:, None] * step * direction
    line = resample(np.vstack([path, beyond]), step)
    length = float(np.hypot(*np.diff(path, axis=0).T).sum())
    across = np.linspace(-2.6 * half, 2.6 * half, 27)
    # Dark or red against what lies beside it: a brow, a mouth, a lip.
    profile = sample_profiles(lab, line, normals(line), across)
    profile = profile[..., 0] - profile[..., 1]
    core = profile[:, np.abs(across) <= half].mean(1)
    sides = np.minimum(profile[:, across < -1.5 * half].mean(1), profile[:, across > 1.5 * half].mean(1))
    dark = blur((sides - core)[:, None], 0.010 * unit / step, 0)[:, 0]
    fall = -np.gradient(dark)
    at = np.arange(len(line)) * step - length
    near = np.abs(at) <= reach * unit
    inside = np.median(dark[(at < -0.1 * unit) & (at > -0.35 * unit)])
    if inside < 2.0 or not near.any():
        return 0.0
    score = fall[near] / max(fall[near].max(), 1e-6) - pull * (at[near] / (reach * unit)) ** 2
    best = int(score.argmax())
    after = dark[near][best:].min()
    return float(at[near][best]) if after < 0.5 * inside else 0.0


def _edge_score(profile: np.ndarray, at: np.ndarray, unit: float) -> np.ndarray:
    """Slope across the curve of the colour component in which its two sides differ."""
    near = (np.abs(at) > 0.4 * SIDE * unit) & (np.abs(at) < 1.6 * SIDE * unit)
    outer, inner = profile[:, near & (at > 0)].mean(1), profile[:, near & (at < 0)].mean(1)
    difference = blur(outer - inner, 6.0, 0)
    # The side difference may change along the curve (light to shadow), but not from point to point.
    direction = difference / np.maximum(np.linalg.norm(difference, axis=1, keepdims=True), 1e-6)
    part = (profile * direction[:, None, :]).sum(2)
    smooth = blur(part, BLUR * unit / (at[1] - at[0]), 1)
    return np.gradient(smooth, axis=1)


def _line_score(profile: np.ndarray, at: np.ndarray, unit: float) -> np.ndarray:
    """How much darker than both sides, in L*."""
    step = at[1] - at[0]
    narrow = blur(profile[..., 0], BLUR * unit / step, 1)
    wide = blur(profile[..., 0], 3 * BLUR * unit / step, 1)
    return wide - narrow


def _rim_score(profile: np.ndarray, at: np.ndarray, unit: float) -> np.ndarray:
    """Darker than both sides plus lighter outside (the normals' way) than inside, in L*: the outer flank of a dark line."""
    step = at[1] - at[0]
    smooth = blur(profile[..., 0], BLUR * unit / step, 1)
    return _line_score(profile, at, unit) + np.gradient(smooth, axis=1) * BLUR * unit / step


def blur(table: np.ndarray, sigma: float, axis: int, closed: bool = False) -> np.ndarray:
    """A table (n, ...) smoothed by a Gaussian of ``sigma`` entries along axis 0 or 1; ``closed`` joins the ends."""
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
