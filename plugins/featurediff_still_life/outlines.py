"""Sub-pixel outlines: a mask's border laid on the picture's own edge along its normals."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from featurediff.geometry import normals, resample, rescale_points
from featurediff.paths import best_path, peak_shift
from featurediff_still_life.view import View

STEP = 2.0  # working px between points of an outline
REACH = 7.0  # working px on either side in which its edge is looked for
SAMPLE = 0.5
STIFFNESS = 0.12
SMOOTH = 1.6  # points: sigma of the last smoothing along the outline
# A point counts as seen when the colour steps by this much across the outline, in L*a*b* units.
LEAST_STEP = 4.0
LEFT = 7.0  # L*a*b* units from the outer colour at which it is left for good
CLEAR = 4.0  # L*a*b* units per working px: an edge this steep is clear
UNDER = 0.85  # how far sharpness takes the place of the outer colour where an outline faces down
LEAST_STEEP = 1.5  # L*a*b* units per working px: a softer edge is a shadow's, or none
SOFT, ALONG_SOFT = 1.45, 6.0  # times the usual width of an outline's edge, and points of the outline over which it is taken
BENEATH = -0.1  # an outline faces down, where its own shadow lies, when its inner normal points up by more than this
BORDER = 3.0  # working px from the picture's border within which an outline is the picture's end, not the thing's


@dataclass(frozen=True)
class Outline:
    """A closed outline, clockwise on the picture. ``points`` (n, 2) working px.

    ``seen`` (n,) bool: the picture shows an edge there; ``hidden`` (n,) bool: something else lies in front, or the picture ends.
    """

    points: np.ndarray
    seen: np.ndarray
    hidden: np.ndarray


def border_of(mask: np.ndarray, scale: float) -> np.ndarray:
    """The mask's outer border as (n, 2) px of the picture that is 1 / ``scale`` times larger, clockwise, smooth."""
    grown = cv2.copyMakeBorder(mask.astype(np.float32), 2, 2, 2, 2, cv2.BORDER_REPLICATE)
    large = cv2.resize(cv2.GaussianBlur(grown, (0, 0), 0.8), None, fx=3, fy=3, interpolation=cv2.INTER_LINEAR)
    inside = np.zeros((large.shape[0] + 2, large.shape[1] + 2), np.uint8)
    inside[1:-1, 1:-1] = large > 0.5
    contours, _ = cv2.findContours(inside, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    line = max(contours, key=cv2.contourArea)[:, 0].astype(float) - 1.0
    line = rescale_points(rescale_points(line, 1 / 3) - 2.0, 1.0 / scale)
    line = smoothed(resample(line, STEP, closed=True), 1.5)
    area = np.sum(line[:, 0] * np.roll(line[:, 1], -1) - line[:, 1] * np.roll(line[:, 0], -1))
    return line if area > 0 else line[::-1]


def smoothed(points: np.ndarray, sigma: float, closed: bool = True) -> np.ndarray:
    """A line (n, ...) blurred along itself by a Gaussian of ``sigma`` points."""
    reach = min(int(np.ceil(3 * sigma)), len(points) - 1)
    if reach < 1:
        return points
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma) ** 2)
    kernel /= kernel.sum()
    table = points.reshape(len(points), -1)
    if closed:
        padded = np.vstack([table[-reach:], table, table[:reach]])
    else:
        # Mirrored about its ends, so that a straight line stays straight up to there.
        padded = np.vstack([2 * table[0] - table[reach:0:-1], table, 2 * table[-1] - table[-2 : -reach - 2 : -1]])
    return np.column_stack([np.convolve(padded[:, i], kernel, "valid") for i in range(table.shape[1])]).reshape(points.shape)


def refined(view: View, line: np.ndarray, reach: float = REACH) -> Outline:
    """A closed line (n, 2) laid on the picture's edge, twice: the second time reaches what the first cut off of sharp tips."""
    first = on_edge(view, line, reach=reach)
    again = resample(first.points, 0.75 * STEP, closed=True)
    return on_edge(view, again, reach=min(reach, 4.0), smooth=0.8)


def on_edge(
    view: View, line: np.ndarray, closed: bool = True, reach: float = REACH, pull: float = 0.35, smooth: float = SMOOTH
) -> Outline:
    """A line (n, 2) laid on the edge between the colours on its two sides.

    Along each normal, coming from outside (the left of the line's direction), the edge lies where the outer colour is left; one
    smooth path through these places, then the steepest place next to it to a fraction of a sample.
    """
    across = normals(smoothed(line, min(2.0, 1.2 * smooth), closed), closed)
    at = SAMPLE * np.arange(-round(reach / SAMPLE), round(reach / SAMPLE) + 1)
    wide = np.concatenate([-reach - np.array([3.0, 2.0, 1.0]), at, reach + np.array([1.0, 2.0, 3.0])])
    where = line[:, None, :] + wide[None, :, None] * across[:, None, :]
    profiles = cv2.remap(view.lab, where[..., 0].astype(np.float32), where[..., 1].astype(np.float32), cv2.INTER_LINEAR,
                         borderMode=cv2.BORDER_REPLICATE)  # fmt: skip
    # Light and ground change along the outline: each point has an outer colour of its own, shared with its neighbours.
    outside = smoothed(profiles[:, :3].mean(1).astype(float), 4.0, closed)
    # Mirrored about its ends, an open line's blur may fall below 0.
    rough = np.sqrt(np.maximum(smoothed(((profiles[:, :3] - outside[:, None]) ** 2).sum(2).mean(1), 6.0, closed), 0.0))
    core = smoothed(profiles[:, 3:-3].astype(float), 1.0, closed)
    strength = np.sqrt((np.gradient(core, axis=1) ** 2).sum(2)) / SAMPLE
    # Where the outer colour is left is the edge meant; what comes further in, a lip's inner edge, a highlight, counts little.
    left = np.sqrt(((core - outside[:, None]) ** 2).sum(2)) / np.maximum(LEFT, 2.5 * rough)[:, None]
    leaving = np.gradient(np.minimum(left, 1.0), axis=1) / SAMPLE
    # Beneath a thing its own shadow and light thrown back from it change the outer colour softly: there the sharpest edge counts.
    under = np.clip(-across[:, 1:], 0, 1) * UNDER
    score = (1 - under) * np.clip(leaving * 2.5, 0, 1) + (0.3 + under) * np.minimum(strength / CLEAR, 1.0)
    score -= pull * (at / reach) ** 2
    path = best_path(score.astype(np.float32), STIFFNESS, closed)
    # The steepest place itself, next to the path.
    rows = np.arange(len(line))
    near = np.clip(path[:, None] + np.arange(-1, 4), 1, len(at) - 2)
    top = near[rows, strength[rows[:, None], near].argmax(1)]
    offset = smoothed(at[top] + SAMPLE * peak_shift(strength, top), smooth, closed)
    peak = strength[rows, top]
    points = line + offset[:, None] * across
    # Height of the step: from a little inside to a little outside of the edge itself.
    column = np.clip(path, 6, len(at) - 7)
    height = np.sqrt(((core[rows, column + 6] - core[rows, column - 6]) ** 2).sum(1))
    hidden = near_border(points, view.size)
    seen = (smoothed(height, 2.0, closed) > LEAST_STEP) & (smoothed(peak, 2.0, closed) > LEAST_STEEP)
    # A shadow ends more softly than a thing: its edge is wider than this outline's edges usually are.
    width = smoothed(height, ALONG_SOFT, closed) / np.maximum(smoothed(peak, ALONG_SOFT, closed), 1e-6)
    beneath = smoothed(across[:, 1], ALONG_SOFT, closed) < BENEATH
    if seen.any():
        seen &= (width < SOFT * float(np.median(width[seen]))) | ~beneath
    return Outline(points, seen, hidden)


def near_border(points: np.ndarray, size: tuple[int, int]) -> np.ndarray:
    """(n,) bool: within `BORDER` of the picture's border."""
    height, width = size
    x, y = points[:, 0], points[:, 1]
    return (x < BORDER) | (y < BORDER) | (x > width - 1 - BORDER) | (y > height - 1 - BORDER)
