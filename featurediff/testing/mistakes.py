"""Typical mistakes of a portrait drawing as known moves of a rendered face.

Each function returns the `Warp` to draw with. Amounts are in reference px along the picture's axes, positive x to the right,
positive y down; for an amount in mm on the paper divide by the placement's ``mm_per_px``. Sides are the picture's.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from featurediff.testing.scenes import Scene
from featurediff.testing.warp import Move, PointMove, Warp


def brow(side: str) -> tuple[str, ...]:
    """Words that pick the brow on that side from a scene's curves."""
    return (f"brow {side}",)


def eye(side: str) -> tuple[str, ...]:
    """Words that pick the eye on that side: lids, crease, iris, pupil."""
    return (f"lid {side}", f"crease {side}", f"iris {side}", f"pupil {side}")


MOUTH = ("lip",)
NOSE = ("nose", "nostril")


def moved(scene: Scene, *blocks: tuple[tuple[str, ...], tuple[float, float]]) -> Warp:
    """Blocks of curves (words, (dx, dy)) that each move as one; all else stays."""
    words = [word for block, _ in blocks for word in block]
    moves = [Move(scene.points(*block), shift) for block, shift in blocks]
    return Warp(moves, scene.still(*words, gap_px=_gap(scene)), scene.pixels.shape[:2])


def turned(scene: Scene, words: tuple[str, ...], degrees: float, scale: float | tuple[float, float] = 1.0) -> Warp:
    """A block turned (clockwise) and scaled about its own middle; all else stays."""
    points = scene.points(*words)
    middle = tuple((points.min(0) + points.max(0)) / 2)
    move = Move(points, scale=scale, turn_deg=degrees, about=middle)
    return Warp([move], scene.still(*words, gap_px=_gap(scene)), scene.pixels.shape[:2])


def eyes_apart(scene: Scene, factor: float) -> Warp:
    """Both eyes at ``factor`` times their true distance, each moved by half; brows and all else stay."""
    half = 0.5 * (factor - 1.0) * float(np.diff([_middle(scene, eye(s))[0] for s in ("left", "right")])[0])
    return moved(scene, (eye("left"), (-half, 0.0)), (eye("right"), (half, 0.0)))


def nose_long(scene: Scene, amount: float) -> Warp:
    """The nose longer by ``amount``; mouth, chin and all below follow, all above the eyes' lower lids stays."""
    top = max(scene.curves[f"lower lid {s}"][:, 1].max() for s in ("left", "right"))
    base = min(scene.curves[f"nostril {s}"][:, 1].min() for s in ("left", "right"))

    def shift(points: np.ndarray) -> np.ndarray:
        return np.column_stack([np.zeros(len(points)), amount * _ramp(points[:, 1], top, base)])

    return bent(scene, shift)


def chin_long(scene: Scene, amount: float) -> Warp:
    """The chin lower by ``amount``; the jaw follows towards it, its corners and all else stay."""
    top = scene.curves["lower lip edge"][:, 1].max()
    low = scene.curves["chin"][:, 1].min()

    def shift(points: np.ndarray) -> np.ndarray:
        return np.column_stack([np.zeros(len(points)), amount * _ramp(points[:, 1], top, low)])

    words = ("chin", "jaw")
    points = scene.points(*words)
    # Neck and hair end on the jaw: leave their upper ends free to go with it.
    still = scene.still(*words, gap_px=3.0 * abs(amount) + _gap(scene))
    return Warp([PointMove(points, points + shift(points))], still, scene.pixels.shape[:2])


def larger_at_the_top(scene: Scene, factor: float) -> Warp:
    """A head growing towards its top, as on a board lying flat: widths ``factor`` times as large at the crown as at the chin."""
    x0, y0 = scene.centre_px
    crown, chin = y0 - scene.size_px / 2, y0 + scene.size_px / 2

    def shift(points: np.ndarray) -> np.ndarray:
        share = (chin - points[:, 1]) / (chin - crown) * (factor - 1.0)
        return np.column_stack([(points[:, 0] - x0) * share, 0.5 * (points[:, 1] - chin) * share])

    return bent(scene, shift)


def bent(scene: Scene, shift: Callable[[np.ndarray], np.ndarray]) -> Warp:
    """All curves moved point by point: ``shift`` maps (n, 2) px to their displacements (n, 2)."""
    names = {*scene.curves, *(name for name in scene.fills if name != "hair")}
    points = scene.points(*names)
    return Warp([PointMove(points, points + shift(points))], None, scene.pixels.shape[:2])


def careless(scene: Scene, spread: float, seed: int) -> Warp:
    """Every feature a little off by its own random amount of standard deviation ``spread`` px: the 40-errors sheet."""
    rng = np.random.default_rng([seed, 5])
    blocks = [brow("left"), brow("right"), eye("left"), eye("right"), NOSE, MOUTH]
    shifts = [tuple(float(v) for v in rng.normal(0, spread, 2)) for _ in blocks]
    jaw = rng.normal(0, spread, 2)
    words = [word for block in blocks for word in block]
    points = scene.points("chin", "jaw")
    top, low = points[:, 1].min(), scene.curves["chin"][:, 1].min()
    share = _ramp(points[:, 1], top, low)[:, None]
    moves = [Move(scene.points(*block), shift) for block, shift in zip(blocks, shifts, strict=True)]
    moves.append(PointMove(points, points + share * jaw))
    still = scene.still(*words, "chin", "jaw", gap_px=3.0 * float(np.abs(jaw).max()) + _gap(scene))
    return Warp(moves, still, scene.pixels.shape[:2])


def _middle(scene: Scene, words: tuple[str, ...]) -> np.ndarray:
    points = scene.points(*words)
    return (points.min(0) + points.max(0)) / 2


def _gap(scene: Scene) -> float:
    """Still points nearer than this to a moved one are let go: about 1.2 mm on a head of 160 mm."""
    return scene.size_px / 130.0


def _ramp(values: np.ndarray, low: float, high: float) -> np.ndarray:
    """0 up to ``low``, 1 from ``high`` on, smooth between."""
    t = np.clip((values - low) / (high - low), 0, 1)
    return t * t * (3 - 2 * t)
