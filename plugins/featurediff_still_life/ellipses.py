"""Ellipses: fitted directly, robustly, and looked for at the mouth of a vessel."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from featurediff.paths import best_path, peak_shift
from featurediff_still_life.view import View

CLEAR = 3.0  # L*a*b* units per working px: an edge this steep is clear


@dataclass(frozen=True)
class Ellipse:
    """``centre`` (2,) px, half axes ``long`` >= ``short`` px, ``turn`` of the long axis in degrees, clockwise, -90..90."""

    centre: np.ndarray
    long: float
    short: float
    turn: float

    @property
    def openness(self) -> float:
        """Short over long axis."""
        return self.short / self.long

    @property
    def axes(self) -> tuple[np.ndarray, np.ndarray]:
        """Unit vectors (2,) of the long and the short axis."""
        angle = math.radians(self.turn)
        return np.array([math.cos(angle), math.sin(angle)]), np.array([-math.sin(angle), math.cos(angle)])

    def at(self, angles: np.ndarray) -> np.ndarray:
        """Points (n, 2) at ``angles`` in radians, 0 at the long axis' end, growing clockwise."""
        u, v = self.axes
        return self.centre + self.long * np.cos(angles)[:, None] * u + self.short * np.sin(angles)[:, None] * v

    def outline(self, step: float) -> np.ndarray:
        """The outline (n, 2) in order, clockwise, points at about even distances ``step``."""
        dense = np.linspace(0, 2 * np.pi, 721)
        points = self.at(dense)
        arc = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
        count = max(round(arc[-1] / step), 24)
        return self.at(np.interp(np.linspace(0, arc[-1], count, endpoint=False), arc, dense))

    def outward(self, angles: np.ndarray) -> np.ndarray:
        """Unit normals (n, 2) at ``angles``, pointing out."""
        u, v = self.axes
        across = self.short * np.cos(angles)[:, None] * u + self.long * np.sin(angles)[:, None] * v
        return across / np.maximum(np.hypot(*across.T), 1e-12)[:, None]

    def off(self, points: np.ndarray) -> np.ndarray:
        """(n,) distance from the outline, positive outside, to first order (Sampson 1982)."""
        u, v = self.axes
        x, y = (points - self.centre) @ u / self.long, (points - self.centre) @ v / self.short
        slope = 2 * np.hypot(x / self.long, y / self.short)
        return (x * x + y * y - 1) / np.maximum(slope, 1e-9)

    def angle_of(self, points: np.ndarray) -> np.ndarray:
        """(n,) the angle of `at` that lies nearest, -pi..pi."""
        u, v = self.axes
        return np.arctan2((points - self.centre) @ v / self.short, (points - self.centre) @ u / self.long)


def fit_ellipse(points: np.ndarray, weights: np.ndarray | None = None) -> Ellipse | None:
    """Direct least-squares fit of an ellipse to (n, 2) points, n >= 6: an ellipse whatever the points, never a hyperbola.

    Method: Fitzgibbon, Pilu and Fisher 1999, "Direct least square fitting of ellipses", IEEE TPAMI 21(5), in the numerically
    stable form of Halir and Flusser 1998. None when the points don't determine one (all on a line, say).
    """
    points = np.asarray(points, float)
    if len(points) < 6:
        return None
    middle = points.mean(0)
    unit = float(np.sqrt(((points - middle) ** 2).sum(1).mean()))
    if unit < 1e-9:
        return None
    x, y = ((points - middle) / unit).T
    root = np.ones(len(points)) if weights is None else np.sqrt(np.asarray(weights, float))
    quadratic = root[:, None] * np.column_stack([x * x, x * y, y * y])
    linear = root[:, None] * np.column_stack([x, y, np.ones_like(x)])
    s1, s2, s3 = quadratic.T @ quadratic, quadratic.T @ linear, linear.T @ linear
    if np.linalg.cond(s3) > 1e12:
        return None
    t = -np.linalg.solve(s3, s2.T)
    m = s1 + s2 @ t
    # The inverse of the constraint 4 a c - b^2 = 1 applied to the reduced scatter matrix.
    reduced = np.array([m[2] / 2, -m[1], m[0] / 2])
    values, vectors = np.linalg.eig(reduced)
    vectors = np.real(vectors)
    condition = 4 * vectors[0] * vectors[2] - vectors[1] ** 2
    good = np.nonzero((condition > 0) & np.isfinite(np.real(values)))[0]
    if not len(good):
        return None
    best = vectors[:, good[np.argmin(np.abs(np.real(values[good])))]]
    return _from_conic(np.concatenate([best, t @ best]), middle, unit)


def _from_conic(conic: np.ndarray, middle: np.ndarray, unit: float) -> Ellipse | None:
    """The ellipse a x^2 + b x y + c y^2 + d x + e y + f = 0 in scaled coordinates."""
    a, b, c, d, e, f = conic if conic[0] + conic[2] > 0 else -conic
    form = np.array([[a, b / 2], [b / 2, c]])
    if np.linalg.det(form) <= 1e-14 * max(abs(a), abs(c)) ** 2:
        return None
    centre = np.linalg.solve(2 * form, -np.array([d, e]))
    level = -(f + 0.5 * (d * centre[0] + e * centre[1]))
    values, vectors = np.linalg.eigh(form)
    if level <= 0 or values[0] <= 0:
        return None
    long, short = np.sqrt(level / values[0]), np.sqrt(level / values[1])
    turn = math.degrees(math.atan2(vectors[1, 0], vectors[0, 0]))
    turn = (turn + 90.0) % 180.0 - 90.0
    return Ellipse(middle + unit * centre, float(unit * long), float(unit * short), turn)


def fit_robust(
    points: np.ndarray, tolerance: float, weights: np.ndarray | None = None, tries: int = 30
) -> tuple[Ellipse, np.ndarray] | None:
    """The ellipse that most of (n, 2) points agree with, and which (n,) bool do, within ``tolerance`` px.

    RANSAC (Fischler and Bolles 1981) with samples of six points spread over the set in order, then refits on the inliers.
    None when fewer than half agree.
    """
    count = len(points)
    if count < 8:
        return None
    random = np.random.default_rng(5)
    best, most = None, 0
    whole = fit_ellipse(points, weights)
    for k in range(tries):
        if k == 0:
            candidate = whole
        else:
            start = np.linspace(0, count, 7)[:-1] + random.uniform(0, count / 6, 6)
            candidate = fit_ellipse(points[np.unique(start.astype(int) % count)])
        if candidate is None:
            continue
        inside = int((np.abs(candidate.off(points)) < tolerance).sum())
        if inside > most:
            best, most = candidate, inside
            if most > 0.95 * count:
                break
    if best is None or most < max(0.5 * count, 8):
        return None
    for _ in range(4):
        use = np.abs(best.off(points)) < tolerance
        refit = fit_ellipse(points[use], None if weights is None else weights[use])
        if refit is None:
            break
        best = refit
    return best, np.abs(best.off(points)) < tolerance


# ---------------------------------------------------------------- on the picture


@dataclass(frozen=True)
class Edges:
    """Where edges lie beside an ellipse. ``points`` (n, 2) px, ``strength`` (n,) in L*a*b* units per px, at ``angles`` (n,)."""

    points: np.ndarray
    strength: np.ndarray
    angles: np.ndarray


def edges_beside(view: View, ellipse: Ellipse, reach: float, count: int = 120) -> Edges:
    """The edge along each normal within ``reach`` px, as one smooth line around the ellipse."""
    angles = np.linspace(-np.pi, np.pi, count, endpoint=False)
    out = ellipse.outward(angles)
    at = np.arange(-reach, reach + 0.25, 0.5)
    where = ellipse.at(angles)[:, None, :] + at[None, :, None] * out[:, None, :]
    x, y = where[..., 0].astype(np.float32), where[..., 1].astype(np.float32)
    lab = cv2.remap(view.smooth, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    slope = np.sqrt((np.gradient(lab, axis=1) ** 2).sum(2)) * 2.0
    # A strong edge counts no more than a clear one, so that the path does not change over to the inner edge of a thick lip.
    score = np.minimum(slope / CLEAR, 1.0) - 0.3 * (at / reach) ** 2
    path = best_path(score.astype(np.float32), 0.1, closed=True)
    offset = at[path] + 0.5 * peak_shift(slope, path)
    return Edges(ellipse.at(angles) + offset[:, None] * out, slope[np.arange(count), path], angles)
