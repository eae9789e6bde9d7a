"""Ways in which the side of a form, its axis and an ellipse can be wrong, as displacements of their points.

Plain arrays on the sheet. `featurediff.deviations` measures how much of each there is, `featurediff.corrections.forms` tries each
as an explanation. What a smooth side says of itself along itself it says where it bends: a shoulder drawn lower moves the
slanting stretch above it outwards and the one below it hardly.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np

BULGE = "bulge"
# A level nearer to an end of the side than this share of its height says what the end says.
_INNER = 0.06
# A mark's move shows where the side slants: the mean square of the move along the normals must reach this share of its own.
_SHOWS = 0.015


def side_fields(points: np.ndarray, anchors: Mapping[str, int], right: np.ndarray, down: np.ndarray) -> dict[str, np.ndarray]:
    """Name -> displacements (n, 2) per unit: "bulge" (its middle further right, its ends stay), and every named level lower.

    ``points`` (n, 2) run along the side, ``anchors`` name levels on it. What moves runs out smoothly to both ends.
    """
    level = points @ down
    top, low = float(level.min()), float(level.max())
    if low - top <= 0:
        return {}
    found = {BULGE: np.outer(bump(level, top, 0.5 * (top + low), low), right)}
    for name, index in anchors.items():
        at = float(level[index])
        if _INNER < (at - top) / (low - top) < 1 - _INNER:
            found[name] = np.outer(bump(level, top, at, low), down)
    return found


def shows(field: np.ndarray, across: np.ndarray) -> bool:
    """Whether a displacement (n, 2) of a curve can be seen along its normals ``across`` (n, 2) at all."""
    along = np.sum(field * across, 1)
    return float((along**2).sum()) > _SHOWS * float((field**2).sum())


def bump(values: np.ndarray, low: float, peak: float, high: float) -> np.ndarray:
    """0 up to ``low``, 1 at ``peak``, 0 from ``high`` on, smooth (cubic)."""
    return np.where(values < peak, _ramp(values, low, peak), 1.0 - _ramp(values, peak, high))


def _ramp(values: np.ndarray, low: float, high: float) -> np.ndarray:
    t = np.clip((values - low) / max(high - low, 1e-9), 0.0, 1.0)
    return t * t * (3.0 - 2.0 * t)


def pointed_field(points: np.ndarray, long: np.ndarray, short: np.ndarray) -> np.ndarray:
    """Displacements (n, 2) that turn a sampled ellipse into two arcs meeting in points at its ends; width and height stay.

    At the share t of the half length the ellipse is sqrt(1 - t^2) half heights high, two parabolic arcs 1 - t^2.
    """
    arm = points - points.mean(0)
    along, across = arm @ long, arm @ short
    t = np.clip(np.abs(along) / max(float(np.abs(along).max()), 1e-9), 0.0, 1.0)
    return np.outer(across * (np.sqrt(1.0 - t**2) - 1.0), short)


def lean_field(points: np.ndarray, foot: np.ndarray, reach: float, right: np.ndarray, down: np.ndarray) -> np.ndarray:
    """Displacements (n, 2) of a form that leans to the right, heights kept: nothing at its ``foot``, 1 at ``reach`` above it."""
    return np.outer((foot - points) @ down / reach, right)


def lean_of(
    rows: Iterable[tuple[np.ndarray, np.ndarray, float, float]],
    foot: np.ndarray,
    reach: float,
    right: np.ndarray,
    down: np.ndarray,
) -> tuple[float, float] | None:
    """How far the top of a form leans to the right of where it belongs, its move and size set aside, and its standard error.

    ``rows``: (points (n, 2), weights (n, 2), value, standard uncertainty) of measures. Weighted least squares; None when they do
    not tell it.
    """
    design, values = [], []
    for points, weights, value, sigma in rows:
        arm = points - foot
        fields = [
            lean_field(points, foot, reach, right, down),
            np.tile(right, (len(points), 1)),
            np.tile(down, (len(points), 1)),
            np.outer(arm @ right, right) / reach,
            np.outer(arm @ down, down) / reach,
        ]
        design.append([float((weights * field).sum()) / sigma for field in fields])
        values.append(value / sigma)
    if len(design) < 2:
        return None
    matrix = np.array(design)
    # What the measures leave open (height, say) is taken to be small: 10 mm are as good as anything.
    inverse = np.linalg.inv(matrix.T @ matrix + np.diag([1e-6, 1e-2, 1e-2, 1e-2, 1e-2]))
    amount = float((inverse @ matrix.T @ np.array(values))[0])
    error = float(np.sqrt(inverse[0, 0]))
    return (amount, error) if error < 0.05 * reach else None
