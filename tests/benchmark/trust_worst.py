"""The worst cases as pictures: the photograph, and the squared sheet with the list on it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

SIDE_PX = 900


@dataclass(frozen=True)
class Bad:
    """``told``: what is wrong, in one line. ``pictures``: what to look at. ``weight``: the larger the worse."""

    told: str
    pictures: tuple[np.ndarray, ...]
    weight: float = 1.0

    @classmethod
    def of(cls, told: str, outcome, weight: float | None = None) -> Bad:
        """From what a comparison came to. Something false on the list is worse than something missing."""
        seen = [outcome.shot.reference, outcome.shot.photo.pixels]
        if isinstance(outcome.shot.drawing, np.ndarray):
            seen[1] = outcome.shot.drawing
        if outcome.result is not None:
            seen.append(_marked(outcome))
        false = 10.0 * len(outcome.said) if "false" in told else 5.0 if "silent" in told else 1.0
        return cls(told, tuple(_small(each) for each in seen), false if weight is None else weight)


def _small(pixels: np.ndarray) -> np.ndarray:
    scale = SIDE_PX / max(pixels.shape[:2])
    return cv2.resize(pixels, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA) if scale < 1 else pixels


def _marked(outcome) -> np.ndarray:
    """The squared sheet with the located features (blue), their true places (green) and the list's arrows (red)."""
    result, shot = outcome.result, outcome.shot
    k = result.px_per_unit
    picture = np.ascontiguousarray(result.squared).copy()
    for feature, place in zip(result.subject.features, result.located, strict=True):
        if result.report.sheet.unit == "mm":
            _line(picture, shot.true_mm(feature.points), feature.closed, (30, 160, 60), k)
        if place.found:
            _line(picture, place.points_mm, feature.closed, (40, 70, 230), k)
    for each in result.report.corrections:
        for (x, y), (dx, dy) in each.arrows:
            ends = [tuple(int(v * k) for v in point) for point in ((x, y), (x + 3 * dx, y + 3 * dy))]
            cv2.arrowedLine(picture, *ends, (220, 30, 30), 3, cv2.LINE_AA, tipLength=0.3)
    return picture


def _line(picture, points_mm, closed, colour, k) -> None:
    points = np.round((np.nan_to_num(points_mm) * k - 0.5) * 16).astype(np.int32)
    cv2.polylines(picture, [points.reshape(-1, 1, 2)], closed, colour, 2, cv2.LINE_AA, 4)


def write_worst(bad: Sequence[Bad], folder: Path, most: int = 10) -> None:
    """The worst of them as PNG, with what is wrong in worst.txt."""
    folder.mkdir(parents=True, exist_ok=True)
    lines = []
    for number, each in enumerate(sorted(bad, key=lambda b: -b.weight)[:most], 1):
        high = max(picture.shape[0] for picture in each.pictures)
        row = [
            cv2.copyMakeBorder(p, 0, high - p.shape[0], 0, 8, cv2.BORDER_CONSTANT, value=(255, 255, 255)) for p in each.pictures
        ]
        cv2.imwrite(str(folder / f"worst-{number:02d}.png"), np.hstack(row)[..., ::-1])
        lines.append(f"{number:2d}  {each.told}")
    (folder / "worst.txt").write_text("\n".join(lines) + "\n")
