"""The main lines of a photo as smooth vector polylines: edges of tone and dark ridges, linked and ranked by strength."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from featurediff.geometry import resample

# A dark ridge is level along its bottom; where the slope exceeds this share of the bend, it is the flank of a step.
FLANK = 0.5


@dataclass(frozen=True)
class PhotoLine:
    """``points`` (n, 2) px, about 3 px apart; ``strength``: mean contrast in grey levels (0..255)."""

    points: np.ndarray
    strength: float


def photo_lines(pixels: np.ndarray, size_px: float, *, detail: float = 1.0, mask: np.ndarray | None = None) -> list[PhotoLine]:
    """The salient lines of (h, w, 3) RGB whose subject is ``size_px`` high, strongest first.

    ``detail`` > 1 keeps weaker and shorter lines. ``mask`` (h, w) bool: lines mostly outside are dropped.
    """
    grey = cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY)
    shrink = min(1.0, 700.0 / size_px)
    small = cv2.resize(grey, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
    size = size_px * shrink
    small = cv2.bilateralFilter(small, 7, 22, 4).astype(np.float32)
    candidates: list[tuple[float, np.ndarray, float]] = []
    for kind, sigma in (("ridge", size / 260), ("ridge", size / 130), ("edge", size / 330), ("edge", size / 140)):
        value, nx, ny, own = _ridges(small, sigma) if kind == "ridge" else _edges(small, sigma)
        high = (15.0 if kind == "edge" else 11.0) / detail
        for chain, strength in _chains(value, nx, ny, own, high, 0.5 * high):
            # Dark lines are what a pencil looks for; long lines matter more, but not without end.
            worth = strength * min(len(chain), size / 5) ** 0.5 * (1.6 if kind == "ridge" else 1.0)
            candidates.append((worth, chain, strength))
    found: list[PhotoLine] = []
    taken = np.zeros(small.shape, np.uint8)
    for _, chain, strength in sorted(candidates, key=lambda c: -c[0]):
        for part in _untaken(chain, taken):
            if np.hypot(*np.diff(part, axis=0).T).sum() > size / 26 / detail:
                course = resample(_smooth(part, 2.5), 3.0 * shrink)
                found.append(PhotoLine((course + 0.5) / shrink - 0.5, strength))
                cv2.polylines(taken, [np.round(part).astype(np.int32)], False, 1, max(3, round(size / 85)))
    if mask is not None:
        found = [line for line in found if _inside(line.points, mask) > 0.6]
    return sorted(found, key=lambda line: -line.strength * min(len(line.points), 60))


def _edges(image: np.ndarray, sigma: float) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Strength, direction across, and where a peak of it is an edge: everywhere."""
    soft = cv2.GaussianBlur(image, (0, 0), sigma)
    gx, gy = cv2.Sobel(soft, cv2.CV_32F, 1, 0, ksize=3) / 8, cv2.Sobel(soft, cv2.CV_32F, 0, 1, ksize=3) / 8
    size = np.hypot(gx, gy)
    # A step of height a blurred by sigma has gradient a / (sigma sqrt(2 pi)): scale to grey levels of step.
    return size * sigma * 2.5, gx / np.maximum(size, 1e-6), gy / np.maximum(size, 1e-6), np.ones(image.shape, bool)


def _ridges(image: np.ndarray, sigma: float) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Strength, direction across, and where a peak of it is a dark ridge and not the flank of a step."""
    soft = cv2.GaussianBlur(image, (0, 0), sigma)
    xx, yy = cv2.Sobel(soft, cv2.CV_32F, 2, 0, ksize=3) / 4, cv2.Sobel(soft, cv2.CV_32F, 0, 2, ksize=3) / 4
    xy = cv2.Sobel(soft, cv2.CV_32F, 1, 1, ksize=3) / 4
    root = np.sqrt(((xx - yy) / 2) ** 2 + xy**2)
    strongest, other = (xx + yy) / 2 + root, (xx + yy) / 2 - root
    angle = 0.5 * np.arctan2(2 * xy, xx - yy)
    value = np.maximum(strongest - np.maximum(np.abs(other), 0), 0) * sigma**2 * 1.5
    # The dark side of a step bends like a ridge, but slopes: for a step blurred by sigma both are alike one sigma beside it.
    slope = np.hypot(cv2.Sobel(soft, cv2.CV_32F, 1, 0, ksize=3), cv2.Sobel(soft, cv2.CV_32F, 0, 1, ksize=3)) / 8
    level = slope <= FLANK * np.maximum(strongest, 0) * sigma
    return value.astype(np.float32), np.cos(angle), np.sin(angle), level


def _chains(
    value: np.ndarray, nx: np.ndarray, ny: np.ndarray, own: np.ndarray, high: float, low: float
) -> list[tuple[np.ndarray, float]]:
    """Non-maximum suppression with sub-pixel peaks, hysteresis, and linking into ordered chains."""
    h, w = value.shape
    ys, xs = np.mgrid[:h, :w].astype(np.float32)
    ahead = cv2.remap(value, (xs + nx).astype(np.float32), (ys + ny).astype(np.float32), cv2.INTER_LINEAR)
    behind = cv2.remap(value, (xs - nx).astype(np.float32), (ys - ny).astype(np.float32), cv2.INTER_LINEAR)
    peak = (value >= ahead) & (value > behind) & (value > low) & own
    peak[:3], peak[-3:], peak[:, :3], peak[:, -3:] = False, False, False, False
    bend = np.minimum(ahead - 2 * value + behind, -1e-6)
    offset = np.clip(0.5 * (behind - ahead) / bend, -0.7, 0.7)
    out = []
    for cells in _link(peak, nx, ny):
        rows, cols = cells[:, 0], cells[:, 1]
        strength = value[rows, cols]
        if strength.max() < high:
            continue
        at = offset[rows, cols]
        out.append((np.column_stack([cols + at * nx[rows, cols], rows + at * ny[rows, cols]]), float(strength.mean())))
    return out


def _link(peak: np.ndarray, nx: np.ndarray, ny: np.ndarray) -> list[np.ndarray]:
    """Follow peaks from neighbour to neighbour along the line's direction; each chain is (n, 2) rows, cols."""
    left = {(int(r), int(c)) for r, c in zip(*np.nonzero(peak), strict=True)}
    chains = []

    def walk(start: tuple[int, int], ahead: float) -> list[tuple[int, int]]:
        path, here = [], start
        tx, ty = -ny[start] * ahead, nx[start] * ahead
        while True:
            best, best_score = None, 0.3
            for dr in (-1, 0, 1):
                for dc in (-1, 0, 1):
                    cell = (here[0] + dr, here[1] + dc)
                    if cell in left:
                        score = (dc * tx + dr * ty) / (dr * dr + dc * dc) ** 0.5
                        if score > best_score:
                            best, best_score = cell, score
            if best is None:
                return path
            left.discard(best)
            path.append(best)
            sign = 1.0 if (-ny[best]) * tx + nx[best] * ty > 0 else -1.0
            tx, ty = 0.6 * tx + 0.4 * sign * -ny[best], 0.6 * ty + 0.4 * sign * nx[best]
            here = best

    for start in sorted(left):
        if start not in left:
            continue
        left.discard(start)
        chain = [*walk(start, -1.0)[::-1], start, *walk(start, 1.0)]
        if len(chain) >= 8:
            chains.append(np.array(chain))
    return sorted(chains, key=len, reverse=True)


def _untaken(chain: np.ndarray, taken: np.ndarray) -> list[np.ndarray]:
    """The runs of a chain that no earlier line covers."""
    cells = np.clip(np.round(chain).astype(int), 0, [taken.shape[1] - 1, taken.shape[0] - 1])
    free = taken[cells[:, 1], cells[:, 0]] == 0
    cuts = np.flatnonzero(np.diff(free.astype(int))) + 1
    return [run for run, keep in zip(np.split(chain, cuts), np.split(free, cuts), strict=True) if keep.all() and len(run) >= 6]


def _smooth(points: np.ndarray, sigma: float) -> np.ndarray:
    """Gaussian smoothing along the chain; ends stay (mirrored through themselves)."""
    if len(points) < 5:
        return points
    reach = int(min(3 * sigma, len(points) - 1))
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma) ** 2)
    kernel /= kernel.sum()
    head, tail = 2 * points[0] - points[reach:0:-1], 2 * points[-1] - points[-2 : -reach - 2 : -1]
    padded = np.vstack([head, points, tail])
    return np.column_stack([np.convolve(padded[:, i], kernel, "valid") for i in (0, 1)])


def _inside(points: np.ndarray, mask: np.ndarray) -> float:
    cells = np.clip(np.round(points).astype(int), 0, [mask.shape[1] - 1, mask.shape[0] - 1])
    return float(mask[cells[:, 1], cells[:, 0]].mean())
