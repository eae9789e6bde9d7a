"""Weighted zero-mean normalised correlation of a template with a field of oriented edge strength."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from featurediff.matching.channels import CHANNELS

# Points (n, 2) in frame px, and whether the last joins the first.
Curve = tuple[np.ndarray, bool]


@dataclass(frozen=True)
class Field:
    """Edge strength of one picture in the frame, with the sums that normalisation needs.

    ``layers`` (h, w, 5): its Fourier layers over orientation; ``sums`` (h, w, 2): sum and sum of squares over the orientations.
    """

    layers: np.ndarray
    sums: np.ndarray


@dataclass(frozen=True)
class Template:
    """A weighted cut-out of the reference's layers around a curve.

    ``kernel`` (h, w, K): weight times zero-mean value; ``weight`` (h, w); ``corner`` (x, y): frame px of its top left px;
    ``norm``: its own weighted length; ``samples``: number of independent looks it takes, for the uncertainty.
    """

    kernel: np.ndarray
    weight: np.ndarray
    corner: tuple[int, int]
    norm: float
    samples: float


def make_field(layers: np.ndarray) -> Field:
    """A `Field` from (5, h, w) Fourier layers."""
    # Only the steady layer has a mean over orientation; the sum over the orientations is its own.
    sums = cv2.merge([CHANNELS**0.5 * layers[0], np.einsum("khw,khw->hw", layers, layers)])
    return Field(cv2.merge(list(layers)), sums)


def half_field(field: Field) -> Field:
    """The same field at half the resolution, for looks that need no detail."""
    half = cv2.resize(field.layers, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    return make_field(np.moveaxis(half, 2, 0))


def curve_weight(curves: list[Curve], sigma: float, shape: tuple[int, int]) -> tuple[np.ndarray, tuple[int, int]]:
    """Gaussian of the distance to the nearest of ``curves``, cut at 2.5 sigma, and the cut-out's top left (x, y).

    Weights that follow the curve keep its still neighbours from voting. The cut-out lies within ``shape`` (h, w).
    """
    reach = int(np.ceil(2.5 * sigma)) + 1
    every = np.vstack([points for points, _ in curves])
    low = np.maximum(np.floor(every.min(0)).astype(int) - reach, 0)
    high = np.minimum(np.ceil(every.max(0)).astype(int) + reach + 1, [shape[1], shape[0]])
    size = high - low
    if size.min() < 3:
        return np.zeros((0, 0), np.float32), (int(low[0]), int(low[1]))
    canvas = np.full((size[1], size[0]), 255, np.uint8)
    for points, closed in curves:
        fixed = np.round((points - low) * 16).astype(np.int32).reshape(-1, 1, 2)
        if len(points) > 1:
            cv2.polylines(canvas, [fixed], closed, 0, 1, cv2.LINE_8, 4)
        else:
            canvas[
                min(max(round(points[0, 1]) - low[1], 0), size[1] - 1), min(max(round(points[0, 0]) - low[0], 0), size[0] - 1)
            ] = 0
    distance = np.minimum(cv2.distanceTransform(canvas, cv2.DIST_L2, 5), 10 * sigma)  # huge where there is no curve at all
    weight = np.exp(-0.5 * (distance / sigma) ** 2)
    weight[distance > 2.5 * sigma] = 0.0
    return weight.astype(np.float32), (int(low[0]), int(low[1]))


def cut_template(field: Field, curves: list[Curve], sigma: float, grain: float) -> Template | None:
    """Template of the reference's layers around ``curves`` (frame px); None where it would leave the frame or is blank.

    ``grain`` px: the correlation length of the layers (their blur), which sets the number of independent samples.
    """
    weight, (x, y) = curve_weight(curves, sigma, field.layers.shape[:2])
    if weight.size == 0 or not weight.any():
        return None
    values = field.layers[y : y + weight.shape[0], x : x + weight.shape[1]]
    total = float(weight.sum()) * CHANNELS
    summed = field.sums[y : y + weight.shape[0], x : x + weight.shape[1], 0]
    mean = float((weight * summed).sum()) / total
    centred = values.copy()
    centred[..., 0] -= CHANNELS**0.5 * mean
    kernel = weight[..., None] * centred
    norm = float(np.sqrt((kernel * centred).sum()))
    if norm < 1e-3 * np.sqrt(total):
        return None
    samples = max(float(weight.sum()) / (2 * np.pi * grain * grain), 1.0)
    return Template(np.ascontiguousarray(kernel, np.float32), weight, (x, y), norm, samples)


def score_map(template: Template, field: Field, centre: tuple[float, float], radius: int) -> np.ndarray:
    """Correlation of the template at whole-px shifts around ``centre`` (dx, dy), up to ``radius`` px each way.

    Returns (2 radius + 1, 2 radius + 1) float32 in -1..1, indexed [dy, dx]; shifts that leave the frame get -1.
    """
    height, width = template.weight.shape
    x0 = template.corner[0] + round(centre[0]) - radius
    y0 = template.corner[1] + round(centre[1]) - radius
    side = 2 * radius + 1
    out = np.full((side, side), -1.0, np.float32)
    rows, columns = field.layers.shape[:2]
    top, left = max(-y0, 0), max(-x0, 0)
    bottom = min(side, rows - height + 1 - y0)
    right = min(side, columns - width + 1 - x0)
    if bottom <= top or right <= left:
        return out
    window = np.s_[y0 + top : y0 + bottom + height - 1, x0 + left : x0 + right + width - 1]
    product = cv2.matchTemplate(np.ascontiguousarray(field.layers[window]), template.kernel, cv2.TM_CCORR)
    sums = np.ascontiguousarray(field.sums[window])
    first = cv2.matchTemplate(np.ascontiguousarray(sums[..., 0]), template.weight, cv2.TM_CCORR)
    second = cv2.matchTemplate(np.ascontiguousarray(sums[..., 1]), template.weight, cv2.TM_CCORR)
    total = float(template.weight.sum()) * CHANNELS
    variance = np.maximum(second - first * first / total, 1e-6 * total)
    out[top:bottom, left:right] = product / (template.norm * np.sqrt(variance))
    return out


def doubled_map(scores: np.ndarray, radius: int) -> np.ndarray:
    """A score map of a half field at the whole-px shifts of the full one, up to ``radius`` full px each way."""
    middle = (scores.shape[0] - 1) / 2
    matrix = np.array([[0.5, 0.0, middle - radius / 2], [0.0, 0.5, middle - radius / 2]])
    side = 2 * radius + 1
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return cv2.warpAffine(scores, matrix, (side, side), flags=flags, borderMode=cv2.BORDER_REPLICATE)


def subpixel_peak(scores: np.ndarray, row: int, column: int) -> tuple[float, float, np.ndarray]:
    """Sub-pixel peak near [row, column] of a score map, by a quadratic through the 3 x 3 neighbourhood.

    Returns (dx, dy) from the map's own top left and the (2, 2) matrix of second derivatives in (x, y), never positive.
    """
    height, width = scores.shape
    row, column = min(max(row, 1), height - 2), min(max(column, 1), width - 2)
    p = scores[row - 1 : row + 2, column - 1 : column + 2].astype(float)
    gx, gy = (p[1, 2] - p[1, 0]) / 2, (p[2, 1] - p[0, 1]) / 2
    hxx, hyy = p[1, 2] - 2 * p[1, 1] + p[1, 0], p[2, 1] - 2 * p[1, 1] + p[0, 1]
    hxy = (p[2, 2] - p[2, 0] - p[0, 2] + p[0, 0]) / 4
    second = np.array([[hxx, hxy], [hxy, hyy]])
    values, vectors = np.linalg.eigh(second)
    values = np.minimum(values, -1e-5)
    second = vectors @ np.diag(values) @ vectors.T
    step = -np.linalg.solve(second, [gx, gy])
    step = np.clip(step, -1.0, 1.0)
    return column + float(step[0]), row + float(step[1]), second
