"""Graphite on paper, with the light divided out and nothing thresholded away."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

_CELLS = 160  # cells along the longer side: about 2 mm on A4, wider than a pencil line, narrower than a soft shadow's edge
_SPREADS = (40.0, 12.0, 4.0, 1.5)  # cells; the light is followed as finely as there is bare paper to see it by
_TEXTURED = 2.5  # times the paper's own grain: then it is drawing, and says nothing about the light
_SHADE = 0.5  # no shadow in a room is darker than this share of the light around it (common practice, no source)
_ISLAND = 0.06  # so much darker than any way to the sheet's edge: no shadow, as hand and tablet come in from outside
# Where the light changes by this share from one cell to the next, a shadow has a hard edge; lamps, soft shadows and what drawn
# tone does to the estimate stay well below (simulated sheets, development faces: tests/benchmark/trust.py captures).
_STEEP, _HARD = 0.025, 0.04
_CLOSED = 2.0  # cells: darker than its surroundings over less than this is a pencil line, also across a shadow's edge
# Graphite and paint on paper are never as smooth as bare paper over so large a share of the sheet; the shadow of a thing is.
_SMOOTH_ISLAND, _AS_SMOOTH = 0.03, 2.0  # share of the sheet, times the grain
_BURNT = 250  # of 255, in all channels: nothing is seen there any more
FAINT_TIMES = 3.0  # below so many times the grain, marks are too faint to judge (2-3: common practice, no source)


@dataclass(frozen=True)
class Marks:
    """What is drawn on a sheet, and what light did to it.

    ``darkness`` (h, w) float32: 0 is bare paper under whatever light falls there, 1 is black. ``shadow_edges`` and ``glare``:
    the shares of the sheet that lie on the hard edge of a shadow, and that a reflection has burnt out.
    """

    darkness: np.ndarray
    shadow_edges: float
    glare: float


def see_marks(image: np.ndarray) -> Marks:
    """The marks on a squared sheet, (h, w, 3) RGB or (h, w) grey, uint8.

    What bare paper would look like is estimated at each place from the smooth, not too dark parts around it and divided out: a
    shadow is smooth, and comes in over the sheet's edge or is large; drawn tone is textured, or darker than a shadow, or an
    island on the sheet, and stays. Grain stays as well.
    """
    grey = (image if image.ndim == 2 else cv2.cvtColor(image, cv2.COLOR_RGB2GRAY)).astype(np.float32)
    light, hard = _light(grey)
    return Marks(np.clip(1.0 - grey / light, 0.0, 1.0), float((hard > 0.5).mean()), _burnt(image, grey))


def marks(image: np.ndarray) -> np.ndarray:
    """`see_marks`, only the darkness."""
    return see_marks(image).darkness


def paper_light(grey: np.ndarray) -> np.ndarray:
    """(h, w) float32 brightness that bare paper would have at each place of a (h, w) float32 picture."""
    return _light(grey)[0]


def _light(grey: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """`paper_light`, and per cell how surely the hard edge of a shadow runs there, 0..1."""
    height, width = grey.shape
    bright, texture = _cells(grey)
    grain = max(float(np.percentile(texture, 20)), 1e-3)
    smooth = 1.0 / (1.0 + (texture / (_TEXTURED * grain)) ** 4)
    island = 1.0 - bright / _islands_filled(bright)
    drawn = (island / _ISLAND) ** 4
    drawn[_shadows(island > _ISLAND, texture < _AS_SMOOTH * grain)] = 0.0
    smooth /= 1.0 + drawn
    light = _spread_out(bright, smooth)
    for _ in range(2):
        # Seen against the light around it, not against the light that it would itself suggest.
        around = _filled(bright, smooth, _SPREADS[0] / 2)
        smooth = smooth / (1.0 + np.exp(np.minimum((_SHADE - bright / around) / 0.04, 50.0)))
        light = _spread_out(bright, smooth)
    hard = _hard_edges(light)
    even = np.maximum(cv2.resize(light, (width, height), interpolation=cv2.INTER_LINEAR), 1.0)
    if hard.max() == 0.0:
        return even, hard
    share = cv2.resize(hard, (width, height), interpolation=cv2.INTER_LINEAR)
    return np.maximum(even + share * (_closed(grey, even, share) - even), 1.0), hard


def _shadows(island: np.ndarray, as_smooth: np.ndarray) -> np.ndarray:
    """(rows, columns) bool: islands as smooth as bare paper and too large to be drawn: shadows that reach no edge."""
    # Lines and features that lie in the shadow part it: they belong to it all the same.
    joined = cv2.morphologyEx((island & as_smooth).astype(np.uint8), cv2.MORPH_CLOSE, np.ones((7, 7), np.uint8))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(joined)
    large = [k for k in range(1, count) if stats[k, cv2.CC_STAT_AREA] > _SMOOTH_ISLAND * island.size]
    return np.isin(labels, [k for k in large if as_smooth[labels == k].mean() > 0.5]) & island


def _hard_edges(light: np.ndarray) -> np.ndarray:
    """(rows, columns) float32 0..1: where light changes from cell to cell as only at the hard edge of a shadow."""
    level = np.log(np.maximum(light, 1.0))
    across, down = (cv2.Sobel(level, cv2.CV_32F, *way, ksize=3) / 8 for way in ((1, 0), (0, 1)))
    steep = np.clip((np.hypot(across, down) - _STEEP) / (_HARD - _STEEP), 0.0, 1.0)
    return np.clip(1.5 * cv2.GaussianBlur(cv2.dilate(steep, np.ones((5, 5), np.uint8)), (0, 0), 1.0), 0.0, 1.0)


def _closed(grey: np.ndarray, even: np.ndarray, share: np.ndarray) -> np.ndarray:
    """The picture without its thin dark lines, which keeps every edge of the light: by it a line on a shadow's edge is judged.

    Morphological closing, levelled to ``even``, the estimate away from such edges."""
    side = max(round(_CLOSED * max(grey.shape) / _CELLS), 3)
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side))
    closed = cv2.morphologyEx(cv2.GaussianBlur(grey, (0, 0), 1.0), cv2.MORPH_CLOSE, kernel)
    closed = cv2.GaussianBlur(closed, (0, 0), side / 8)
    bare = share[::4, ::4] == 0.0
    if not bare.any():
        return closed
    # The brightest of some grains is brighter than the paper.
    return closed * float(np.median(even[::4, ::4][bare] / np.maximum(closed[::4, ::4][bare], 1.0)))


def _burnt(image: np.ndarray, grey: np.ndarray) -> float:
    """The share of the sheet that is burnt out while its paper is not."""
    if np.median(grey[::4, ::4]) > 0.97 * _BURNT:
        return 0.0
    lowest = image if image.ndim == 2 else image.min(axis=2)
    return float((cv2.blur(lowest[::2, ::2], (5, 5)) >= _BURNT).mean())


def _cells(grey: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Per cell: the brightness that a quarter of its px exceed (paper, even where a line crosses), and its relative texture."""
    height, width = grey.shape
    side = max(max(height, width) / _CELLS, 1.0)
    rows, columns = max(round(height / side), 1), max(round(width / side), 1)
    detail = grey - cv2.GaussianBlur(grey, (0, 0), 2.0)
    power = cv2.resize(detail * detail, (columns, rows), interpolation=cv2.INTER_AREA)
    samples = cv2.resize(grey, (columns * 4, rows * 4), interpolation=cv2.INTER_AREA)
    blocks = samples.reshape(rows, 4, columns, 4).transpose(0, 2, 1, 3).reshape(rows, columns, 16)
    bright = np.maximum(np.partition(blocks, 11, axis=2)[:, :, 11], 1.0)
    return bright, np.sqrt(power) / bright


def _islands_filled(bright: np.ndarray) -> np.ndarray:
    """Every dark part that does not reach the border, raised to its rim (morphological reconstruction, Vincent 1993)."""
    filled = np.full_like(bright, bright.max())
    for border in (np.s_[0], np.s_[-1], np.s_[:, 0], np.s_[:, -1]):
        filled[border] = bright[border]
    kernel = np.ones((3, 3), np.uint8)
    for _ in range(4 * max(bright.shape)):
        lower = np.maximum(cv2.erode(filled, kernel), bright)
        if np.array_equal(lower, filled):
            break
        filled = lower
    return filled


def _spread_out(bright: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """The cells' brightness smoothed over the trusted ones: finely where they are near, from further away where they are not."""
    light = _filled(bright, weight, _SPREADS[0])
    for spread in _SPREADS[1:]:
        near = cv2.GaussianBlur(weight, (0, 0), spread)
        share = np.clip(near / 0.4, 0.0, 1.0)
        light += share * (_filled(bright, weight, spread) - light)
    return light


def _filled(bright: np.ndarray, weight: np.ndarray, spread: float) -> np.ndarray:
    """Normalised convolution (Knutsson and Westin 1993, CVPR)."""
    weight = weight.astype(np.float32) + 1e-6
    return cv2.GaussianBlur(bright * weight, (0, 0), spread) / cv2.GaussianBlur(weight, (0, 0), spread)


def paper_noise(darkness: np.ndarray) -> float:
    """Standard deviation of the paper's grain in a `marks` picture, from its least marked places."""
    detail = darkness - cv2.GaussianBlur(darkness, (0, 0), 2.0)
    tile = 16
    height, width = (side // tile * tile for side in darkness.shape)
    if height < tile or width < tile:
        return float(detail.std())
    tiles = detail[:height, :width].reshape(height // tile, tile, width // tile, tile)
    return float(np.percentile(tiles.std(axis=(1, 3)), 20))


def mark_contrast(darkness: np.ndarray) -> float:
    """How many times the grain the darker marks stand out from the paper; under `FAINT_TIMES` they are too faint to judge.

    ``darkness`` (h, w) is a `marks` picture of the drawn region, or of the sheet. The darker marks are the darkest hundredth of
    the px, averaged over 3 x 3 px, which a line survives and grain hardly does.
    """
    smooth = cv2.blur(darkness.astype(np.float32), (3, 3))[::2, ::2]
    paper, dark = np.percentile(smooth, [30, 99])
    return float((dark - paper) / max(paper_noise(darkness), 1e-6))
