"""Things without an ellipse or an axis, rendered on a table: a shoe, a bird, a gourd. Their outlines are exact.

Simple pictures of our own making: an outline filled with a shade that rounds towards its border, a mark or two within, a soft
cast shadow, wall and table behind. `dented` is the mistake that such an outline shows best.
"""

from __future__ import annotations

import cv2
import numpy as np

from featurediff.geometry import normals, resample
from featurediff.testing.scenes import Scene
from featurediff.testing.warp import PointMove, Warp

KINDS = ("shoe", "bird", "gourd")
# Corners of the outlines, x right, y down, about 2 wide; rounded below. And what is drawn within: a seam, a wing, a crease.
_OUTLINES = {
    "shoe": [(-0.95, -0.55), (-0.52, -0.6), (-0.42, -0.28), (-0.1, -0.12), (0.4, 0.02), (0.85, 0.16), (0.97, 0.38), (0.9, 0.52),
             (0.2, 0.52), (-0.2, 0.47), (-0.42, 0.54), (-0.9, 0.54), (-0.97, 0.1)],
    "bird": [(-1.0, -0.36), (-0.78, -0.56), (-0.5, -0.6), (-0.28, -0.4), (0.2, -0.22), (0.98, -0.3), (0.92, -0.12), (0.5, 0.14),
             (0.1, 0.44), (-0.3, 0.42), (-0.6, 0.16), (-0.72, -0.2)],
    "gourd": [(-0.2, -0.95), (0.0, -0.98), (0.16, -0.7), (0.26, -0.3), (0.62, 0.05), (0.75, 0.5), (0.5, 0.85), (0.0, 0.95),
              (-0.45, 0.8), (-0.6, 0.4), (-0.4, 0.05), (-0.25, -0.25), (-0.3, -0.6)],
}  # fmt: skip
_WITHIN = {
    "shoe": [(-0.93, 0.38), (-0.3, 0.33), (0.3, 0.38), (0.9, 0.36)],
    "bird": [(-0.25, -0.12), (0.1, 0.1), (0.45, 0.02), (0.7, -0.12)],
    "gourd": [(0.05, -0.6), (0.12, -0.2), (0.25, 0.3), (0.15, 0.75)],
}
_COLOURS = ((150, 70, 55), (70, 95, 140), (190, 150, 60), (95, 120, 80), (205, 195, 180), (90, 75, 70))
_ROUNDED = 0.05  # of the outline's breadth: the Gaussian that rounds its corners


def rendered_silhouette(seed: int, kind: str = "", *, size: tuple[int, int] = (1500, 1200)) -> Scene:
    """A thing of that ``kind``, or of one that ``seed`` chooses: seeds below 100 to develop on, from 100 on to report on.

    ``size`` (w, h) px. Curves: "shoe: outline", closed, "shoe: within", "table edge". Raises KeyError on an unknown kind.
    """
    rng = np.random.default_rng(seed)
    kind = kind or KINDS[seed % len(KINDS)]
    width, height = size
    unit = 0.36 * height if kind == "gourd" else 0.33 * width
    middle = np.array([0.5 * width, 0.55 * height])
    bend = _bend(rng)
    outline, within = (middle + unit * bend(np.array(part[kind])) for part in (_OUTLINES, _WITHIN))
    outline = _rounded(outline, _ROUNDED * unit, closed=True)
    within = _rounded(within, _ROUNDED * unit, closed=False)
    edge = rng.uniform(0.3, 0.45) * height
    pixels = _painted(rng, outline, within, edge, size)
    line = np.array([[0.0, edge], [width - 1.0, edge]])
    behind = [resample(part, 4.0) for part in (line[:, :],)]
    curves = {f"{kind}: outline": np.vstack([outline, outline[:1]]), f"{kind}: within": within}
    for name, part in zip(("left", "right"), _beside(behind[0], outline), strict=True):
        if len(part) > 20:
            curves[f"table edge on the {name}"] = part
    high = float(np.ptp(outline[:, 1]))
    centre = (outline.min(0) + outline.max(0)) / 2
    return Scene(f"{kind} {seed}", pixels, curves, high, (float(centre[0]), float(centre[1])))


def dented(scene: Scene, mm_per_px: float, at: float, mm: float, long_mm: float) -> Warp:
    """The outline pushed out by ``mm`` (in, if negative) at the share ``at`` (0 to 1) of its length, over ``long_mm`` of it.

    All else stays. Raises ValueError where the picture would fold.
    """
    name = next(name for name in scene.curves if name.endswith(": outline"))
    closed = scene.curves[name][:-1]
    line = resample(closed, 3.0, closed=True)
    arc = 3.0 * np.arange(len(line)) * mm_per_px
    away = (arc - at * arc[-1] + arc[-1] / 2) % arc[-1] - arc[-1] / 2
    share = np.where(np.abs(away) < long_mm / 2, np.cos(np.pi * away / long_mm) ** 2, 0.0)
    out = normals(line, True)
    out *= np.sign(np.sum(out * (line - line.mean(0)), 1).mean())
    targets = line + (mm / mm_per_px * share)[:, None] * out
    near = share > 0
    rest = [resample(curve, 4.0) for other, curve in scene.curves.items() if other != name]
    return Warp([PointMove(line[near], targets[near])], np.vstack([line[~near], *rest]), scene.pixels.shape[:2])


def _bend(rng: np.random.Generator):
    """A smooth change of the form, so that no two are alike."""
    scale = rng.uniform(0.92, 1.08, 2)
    waves = rng.normal(0, 0.035, (2, 2, 2))

    def bent(points: np.ndarray) -> np.ndarray:
        x, y = points.T
        shift = [
            sum(w[0] * np.sin(2 * k * x + 3 * y) + w[1] * np.cos(2 * k * y - 2 * x) for k, w in enumerate(wave, 1))
            for wave in waves
        ]
        return points * scale + np.column_stack(shift)

    return bent


def _rounded(points: np.ndarray, sigma: float, closed: bool) -> np.ndarray:
    line = resample(points, 2.0, closed=closed)
    reach = int(3 * sigma / 2)
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) * 2.0 / sigma) ** 2)
    kernel /= kernel.sum()
    if closed:
        padded = np.vstack([line[-reach:], line, line[:reach]])
    else:
        padded = np.vstack([np.repeat(line[:1], reach, 0), line, np.repeat(line[-1:], reach, 0)])
    return np.column_stack([np.convolve(padded[:, i], kernel, "valid") for i in (0, 1)])


def _beside(line: np.ndarray, outline: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """What of a level line (n, 2) is seen on the left and on the right of a thing."""
    inside = np.array([cv2.pointPolygonTest(outline.astype(np.float32), (float(x), float(y)), False) >= 0 for x, y in line])
    if not inside.any():
        return line, line[:0]
    hit = np.flatnonzero(inside)
    return line[: hit[0]], line[hit[-1] + 1 :]


def _painted(rng: np.random.Generator, outline: np.ndarray, within: np.ndarray, edge: float, size: tuple[int, int]) -> np.ndarray:
    width, height = size
    ys, xs = np.mgrid[:height, :width].astype(np.float32)
    wall, table = rng.uniform(120, 190) + rng.normal(0, 8, 3), np.array([165, 122, 85]) * rng.uniform(0.85, 1.15)
    share = np.clip(ys - edge, 0, 1)[..., None]
    picture = wall * (1 - share) + table * share
    picture *= (1.06 - 0.12 * xs / width)[..., None]
    grain = cv2.GaussianBlur(rng.normal(0, 1, (height, width)).astype(np.float32), (0, 0), sigmaX=40, sigmaY=1.5)
    picture *= (1 + 0.4 * grain * share[..., 0])[..., None]
    low = outline[:, 1].max()
    cast = np.column_stack([outline[:, 0] + 0.35 * (low - outline[:, 1]) + 25, low - 0.22 * (low - outline[:, 1])])
    shadow = cv2.GaussianBlur(_cover(cast, size), (0, 0), 18)
    picture *= (1 - 0.45 * shadow)[..., None]
    cover = _cover(outline, size)
    away = cv2.distanceTransform((cover > 0.5).astype(np.uint8), cv2.DIST_L2, 5)
    round_ = np.clip(away / (0.28 * np.ptp(outline[:, 1])), 0, 1)
    lit = 0.62 + 0.5 * np.sqrt(round_) + 0.12 * (outline[:, 0].mean() - xs) / np.ptp(outline[:, 0])
    own = np.array(_COLOURS[int(rng.integers(len(_COLOURS)))], float) * lit[..., None]
    picture = picture * (1 - cover[..., None]) + own * cover[..., None]
    mark = np.zeros((height, width), np.float32)
    cv2.polylines(mark, [np.round(within * 16).astype(np.int32)], False, 1.0, 5, cv2.LINE_AA, 4)
    picture *= (1 - 0.4 * cv2.GaussianBlur(mark, (0, 0), 1.5))[..., None]
    picture = cv2.GaussianBlur(picture.astype(np.float32), (0, 0), 1.0) + rng.normal(0, 1.5, picture.shape)
    return np.clip(picture, 0, 255).astype(np.uint8)


def _cover(outline: np.ndarray, size: tuple[int, int]) -> np.ndarray:
    """(h, w) 0..1: how much of each pixel lies within a closed outline."""
    fine = np.zeros((2 * size[1], 2 * size[0]), np.uint8)
    cv2.fillPoly(fine, [np.round(((outline + 0.5) * 2 - 0.5) * 16).astype(np.int32)], 255, cv2.LINE_8, 4)
    return cv2.resize(fine, size, interpolation=cv2.INTER_AREA).astype(np.float32) / 255
