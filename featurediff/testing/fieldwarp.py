"""Known errors as a displacement written down by hand, not interpolated: exact everywhere, straight where the formula is."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from featurediff.testing.warp import Warp

Field = Callable[[np.ndarray], np.ndarray]


class FieldWarp(Warp):
    """A `Warp` given by its displacement field: ``field`` maps (n, 2) reference px to shifts (n, 2) px.

    ``moved`` (m, 2): the points whose move is meant. ``late``: in `together`, applied to what the others have moved already.
    Raises ValueError when the map would fold.
    """

    def __init__(self, field: Field, moved: np.ndarray, shape: tuple[int, int], late: bool = False):
        self.moves, self.shape, self.late = (), (int(shape[0]), int(shape[1])), late
        self.moved = np.asarray(moved, float).reshape(-1, 2)
        self.still = np.zeros((0, 2))
        self._kept = None
        self.field = field
        self._refuse_folds()

    def _shift(self, points: np.ndarray) -> np.ndarray:
        return self.field(np.asarray(points, float))


def together(*warps: Warp) -> FieldWarp:
    """Several errors in one drawing: shifts add up where they meet; ``late`` ones work on what the others left.

    Raises ValueError when they fold together.
    """
    early = [w for w in warps if not getattr(w, "late", False)]
    late = [w for w in warps if getattr(w, "late", False)]

    def field(points: np.ndarray) -> np.ndarray:
        shift = sum((w.apply(points) - points for w in early), np.zeros_like(points))
        at = points + shift
        return shift + sum((w.apply(at) - at for w in late), np.zeros_like(points))

    return FieldWarp(field, np.vstack([w.moved for w in warps]), warps[0].shape)
