"""What is doubtful about the reference itself: lens, slant, a mirrored picture, resolution, blur. Said carefully."""

from __future__ import annotations

import math

import cv2
import numpy as np

from featurediff.pictures import Taking
from featurediff.records import Advice, Picture, Subject

# Diagonal of 35 mm film in mm, to which the focal length of a picture file refers.
_FILM_DIAGONAL = 43.267
# What lies this far from the middle of the view is drawn out by 1 / cos, here 15 %: told of round things near the edge.
_STRETCH_DEG = 30.0
# The uprights of a picture lean together by more than this: the camera was held at a slant.
_SLANT_DEG = 1.0
_PLUMB = 20.0
# So many at least, and this share of them within so many degrees of leaning (and closing in) alike.
_FEWEST, _MOST, _AGREE_DEG = 4, 0.75, 1.0
# Px of the reference to a mm on the paper; below, a pencil line's width (0.5 mm, common practice) is hardly a pixel. Judgement.
LOW_PX_PER_MM, ENOUGH_PX_PER_MM = 2.0, 3.0
# Edges blurred to more than this are told; from 10 % to 90 % an edge is 2.56 spreads wide. What is as sharp as pixels allow is
# left to the resolution. Judgement.
_BLURRED_MM, _SHARP_PX, _TEN_TO_NINETY = 0.4, 1.2, 2.563
# Edges of this share of the strongest's gradient tell (of nearly the strongest), and of these the sharper ones: much of any
# picture is soft by nature. A gradient is in grey levels a px.
_STRONG, _STRONGEST, _SHARPEST, _EDGES, _LEAST_STEP = 0.35, 0.995, 0.3, 20, 1.5
_DERIVATIVE, _ONCE_MORE = 1.0, 2.0


def remarks(picture: Picture, subject: Subject, taken: Taking, px_per_mm: float) -> tuple[Advice, ...]:
    """Everything worth saying, the detector's own advice first."""
    found = [
        *subject.advice,
        *_lens(picture, subject, taken),
        *_slant(subject),
        *_mirrored(taken),
        *_resolution(px_per_mm),
        *_blur(picture, subject, px_per_mm),
    ]
    return tuple(found)


# ---------------------------------------------------------------- lens


def _lens(picture: Picture, subject: Subject, taken: Taking) -> list[Advice]:
    away = f" The file says {taken.distance_m:.2g} m." if taken.distance_m and taken.distance_m < 20 else ""
    if taken.focal_35mm is None or taken.cropped:
        if not subject.near_deg:
            return []
        why = "has been cropped" if taken.cropped else "does not say how wide its lens was"
        return [Advice("note", f"The picture {why}: whether the camera stood too near is not known.{away}")]
    height, width = picture.pixels.shape[:2]
    focal = taken.focal_35mm / _FILM_DIAGONAL * math.hypot(width, height)
    return [*_near(subject, focal, away), *_stretched(subject, focal, (width, height))]


def _near(subject: Subject, focal: float, away: str) -> list[Advice]:
    span = 2 * math.degrees(math.atan(subject.size_px / 2 / focal))
    if not subject.near_deg or span <= subject.near_deg:
        return []
    return [
        Advice(
            "warning",
            f"The camera seems to have stood too near, if the picture is not cropped: the {subject.size_label} fills {span:.0f} "
            f"degrees of its view, {subject.near_deg:.0f} are usual at most.{away} What is nearest to the lens looks too large "
            "then. Take it again from further away, with a longer lens, or draw it knowing that.",
        )
    ]


def _stretched(subject: Subject, focal: float, size: tuple[int, int]) -> list[Advice]:
    middle = (np.array(size) - 1.0) / 2
    furthest = float(np.max(np.hypot(*(np.vstack([f.points for f in subject.features]) - middle).T)))
    angle = math.degrees(math.atan(furthest / focal))
    if angle <= _STRETCH_DEG:
        return []
    percent = (1 / math.cos(math.radians(angle)) - 1) * 100
    return [
        Advice(
            "note",
            f"A wide lens: towards the edge of the picture forms are drawn out by up to {percent:.0f} %. What is round there "
            "looks oval; that is the lens.",
        )
    ]


def _mirrored(taken: Taking) -> list[Advice]:
    if not taken.front:
        return []
    return [
        Advice(
            "note",
            "Taken with a front camera, and some of these save the picture mirrored: only suspected. Look at writing or "
            "buttons; if it is mirrored, flip it before you draw.",
        )
    ]


# ---------------------------------------------------------------- slant, resolution, blur


def _slant(subject: Subject) -> list[Advice]:
    """Uprights that lean together, their converging taken off.

    Whether they are uprights is seen from how well they agree: the sides of fingers or petals lean each its own way.
    """
    lines = [f.points for f in subject.features if f.kind == "segment" and len(f.points) > 1]
    ways = [(p[0] - p[-1]) * (1 if p[0, 1] < p[-1, 1] else -1) for p in lines]
    leans = [(math.degrees(math.atan2(x, -y)), p[:, 0].mean(), math.hypot(x, y)) for (x, y), p in zip(ways, lines, strict=True)]
    leans = np.array([each for each in leans if abs(each[0]) < _PLUMB])
    if len(leans) < _FEWEST or np.ptp(leans[:, 1]) < 0.2 * subject.size_px:
        return []
    middle = (leans[:, 1].min() + leans[:, 1].max()) / 2
    columns = np.column_stack([np.ones(len(leans)), (leans[:, 1] - middle) / subject.size_px])
    weight = np.sqrt(leans[:, 2])[:, None]
    fitted = np.linalg.lstsq(columns * weight, leans[:, 0] * weight[:, 0], rcond=None)[0]
    lean, apart = float(fitted[0]), np.abs(leans[:, 0] - columns @ fitted)
    if abs(lean) <= _SLANT_DEG or np.quantile(apart, _MOST) > _AGREE_DEG:
        return []
    side = "right" if lean > 0 else "left"
    return [
        Advice(
            "warning",
            f"The uprights lean {abs(lean):.1f} degrees to the {side}, as if the camera was held at a slant. Turn the picture "
            "upright before you draw, unless you want it so.",
        )
    ]


def _resolution(px_per_mm: float) -> list[Advice]:
    if px_per_mm >= ENOUGH_PX_PER_MM:
        return []
    level, what = ("warning", "too coarse") if px_per_mm < LOW_PX_PER_MM else ("note", "coarse")
    return [
        Advice(
            level,
            f"The picture is {what} for this size: {px_per_mm:.1f} px to a mm of paper, {ENOUGH_PX_PER_MM:.0f} or more are "
            "wanted. Use the original file, or draw smaller.",
        )
    ]


def _blur(picture: Picture, subject: Subject, px_per_mm: float) -> list[Advice]:
    spread = edge_spread(picture.pixels, subject)
    if spread is None or spread / px_per_mm <= _BLURRED_MM or spread <= _SHARP_PX:
        return []
    width = _TEN_TO_NINETY * spread / px_per_mm
    text = (
        f"The subject is not sharp: its edges would be {width:.1f} mm wide on the paper. Use a sharper picture, or draw smaller."
    )
    return [Advice("warning", text)]


def edge_spread(pixels: np.ndarray, subject: Subject) -> float | None:
    """How far the sharpest edges of the subject are blurred: a Gaussian's standard deviation in px; None without edges."""
    points = np.vstack([feature.points for feature in subject.features])
    height, width = pixels.shape[:2]
    x0, y0 = np.clip(np.floor(points.min(0)).astype(int), 0, [width - 2, height - 2])
    x1, y1 = np.clip(np.ceil(points.max(0)).astype(int) + 1, [x0 + 2, y0 + 2], [width, height])
    return blur_of(cv2.cvtColor(np.ascontiguousarray(pixels[y0:y1, x0:x1]), cv2.COLOR_RGB2GRAY))


def blur_of(grey: np.ndarray) -> float | None:
    """The spread in px of the sharpest strong edges of a picture (h, w) uint8; None when it has hardly any.

    An edge of spread s blurred once more by s0 loses gradient by sqrt(s^2 + s0^2) / s = R, so s = s0 / sqrt(R^2 - 1): Zhuo and
    Sim (2011), "Defocus map estimation from a single image", Pattern Recognition 44, 1852-1858. Gradients are taken by Gaussian
    derivatives of spread `_DERIVATIVE`, which is taken off again.
    """
    once, twice = _DERIVATIVE, math.hypot(_DERIVATIVE, _ONCE_MORE)
    first, second = (_gradient(grey.astype(np.float32), spread) for spread in (once, twice))
    peaks = (first == cv2.dilate(first, np.ones((3, 3)))) & (first > 0)
    if not peaks.any():
        return None
    strong = peaks & (first >= max(_STRONG * float(np.quantile(first[peaks], _STRONGEST)), _LEAST_STEP))
    if strong.sum() < _EDGES:
        return None
    ratio = first[strong] / np.maximum(second[strong], 1e-6)
    ratio = np.maximum(ratio, 1.0 + 1e-6)
    spread = np.sqrt(np.maximum(_ONCE_MORE**2 / (ratio**2 - 1) - _DERIVATIVE**2, 0.0))
    return float(np.quantile(spread, _SHARPEST))


def _gradient(grey: np.ndarray, spread: float) -> np.ndarray:
    smooth = cv2.GaussianBlur(grey, (0, 0), spread, borderType=cv2.BORDER_REFLECT)
    return np.hypot(*(cv2.Sobel(smooth, cv2.CV_32F, 1 - k, k, ksize=3, scale=0.125) for k in (0, 1)))
