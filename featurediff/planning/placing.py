"""The subject on the sheet: how large, where, and whether it fits."""

from __future__ import annotations

import math

import numpy as np

from featurediff.planning.lengths import main_features
from featurediff.planning.records import Placement
from featurediff.records import Advice, Subject

SIDES = ("left", "top", "right", "bottom")
# Free paper on each side when the size is ours to choose, as a share of the sheet; common practice, no source.
_AIR = 0.08
# Sizes that we choose are whole multiples of this many mm.
_STEP = 5.0
# Less free paper than this is told.
_TIGHT_MM = 5.0
# What ends within this share of the picture from its frame is cut by it.
_AT_FRAME = 0.015


def place(
    subject: Subject,
    picture_px: tuple[int, int],
    sheet_mm: tuple[float, float],
    height_mm: float | None = None,
    top_mm: float | None = None,
    left_mm: float | None = None,
) -> Placement:
    """The placement of a picture (width, height in px) on a sheet as it lies.

    ``height_mm``: the subject's height, as its detector measures it where that names its starting lengths, else of all that is
    drawn;
    without it, the largest that leaves some air. ``top_mm``, ``left_mm``: free paper above and left of the subject; without
    them the whole picture is centred, or, along a side that it does not fit, the subject.
    """
    low, high = _extent(subject)
    tall_px = subject.size_px if subject.starts else float(high[1] - low[1])
    scale = height_mm / tall_px if height_mm else _largest(picture_px, sheet_mm, tall_px)
    move = np.array([_move(scale, picture_px[k], sheet_mm[k], low[k], high[k], (left_mm, top_mm)[k]) for k in (0, 1)])
    frame = np.array([[0.0, 0.0], picture_px]) * scale + move
    extent = (np.array([low, high]) + 0.5) * scale + move
    share = [_AT_FRAME * picture_px[k] for k in (0, 1)]
    cut = [low[k] < share[k] for k in (0, 1)] + [high[k] > picture_px[k] - 1 - share[k] for k in (0, 1)]
    return Placement(
        sheet_mm,
        scale,
        (float(move[0]), float(move[1])),
        tuple(float(v) for v in frame.ravel()),
        tuple(float(v) for v in extent.ravel()),
        tuple(side for side, yes in zip(SIDES, cut, strict=True) if yes),
        tall_px * scale,
        height_mm is not None,
    )


def _extent(subject: Subject) -> tuple[np.ndarray, np.ndarray]:
    """Upper left and lower right corner (2,) px of all that is to be drawn."""
    points = np.vstack([feature.points for feature in main_features(subject)])
    return points.min(0), points.max(0)


def _largest(picture_px: tuple[int, int], sheet_mm: tuple[float, float], tall_px: float) -> float:
    """The scale at which the whole picture fits with some air, and the subject's height is a round number."""
    scale = min(sheet * (1 - 2 * _AIR) / px for sheet, px in zip(sheet_mm, picture_px, strict=True))
    steps = math.floor(scale * tall_px / _STEP)
    return max(steps, 1) * _STEP / tall_px


def _move(scale: float, px: int, sheet: float, low: float, high: float, free: float | None) -> float:
    """Where the picture begins along one side of the sheet."""
    if free is not None:
        return free - (low + 0.5) * scale
    if px * scale <= sheet:
        return (sheet - px * scale) / 2
    return sheet / 2 - ((low + high) / 2 + 0.5) * scale


def lying(sheet_mm: tuple[float, float], picture_px: tuple[int, int], orientation: str | None) -> tuple[float, float]:
    """The sheet as it lies: as asked for ("upright" or "landscape"), else as the picture does."""
    low, high = sorted(sheet_mm)
    wide = orientation == "landscape" if orientation else picture_px[0] > picture_px[1]
    return (high, low) if wide else (low, high)


def fit_remarks(placed: Placement, label: str) -> tuple[Advice, ...]:
    """What does not fit, or hardly, and the size at which it would."""
    over, tight = [], []
    for side, margin in zip(SIDES, placed.margins, strict=True):
        where = {"top": "at the top", "bottom": "at the foot"}.get(side, f"on the {side}")
        if margin < -0.5 and side not in placed.cut:
            over.append(f"{-margin:.0f} mm {where}")
        elif margin < _TIGHT_MM and side not in placed.cut:
            tight.append(f"{max(margin, 0.0):.0f} mm {where}")
    remarks = []
    if over:
        remedy = _remedy(placed, label)
        remarks.append(Advice("warning", f"It does not fit the sheet: {_and(over)} run over the edge. {remedy}"))
    if tight:
        remarks.append(Advice("note", f"Little air: only {_and(tight)} of free paper."))
    return tuple(remarks)


def _remedy(placed: Placement, label: str) -> str:
    left, top, right, bottom = placed.extent
    share = min(
        (sheet - 2 * _TIGHT_MM) / max(extent, 1e-9)
        for sheet, extent in zip(placed.sheet_mm, (right - left, bottom - top), strict=True)
    )
    if share >= 1:
        return "Move it, or leave the place to be chosen."
    return f"A {label} of {math.floor(placed.size_mm * share):.0f} mm fits; or take a larger sheet."


def _and(parts: list[str]) -> str:
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"
