"""What is found of one feature in the frame."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np


@dataclass(frozen=True)
class LineFit:
    """A fitted line relative to a reference course: ``offset`` px across at its middle, ``turn`` px across per px along, their
    ``covariance`` (2, 2), ``score`` of the whole line, ``share`` of its pieces that lie on it."""

    offset: float
    turn: float
    covariance: np.ndarray
    score: float
    share: float

    def variance_at(self, along: float) -> float:
        """Variance of the offset ``along`` px from the middle."""
        lever = np.array([1.0, along])
        return float(lever @ self.covariance @ lever)


@dataclass(frozen=True)
class Found:
    """A feature in the frame: ``shifts`` (n, 2) px of its points, their ``covariances`` (n, 2, 2), the position's
    ``covariance`` (2, 2), ``score``, a straight one's ``fit``; or ``why`` it was not found. ``unseen`` (n,) bool: points
    whose place is not known; ``partly``: what of it can't be judged, in words."""

    why: str = ""
    shifts: np.ndarray | None = None
    covariances: np.ndarray | None = None
    covariance: np.ndarray | None = None
    score: float = 0.0
    fit: LineFit | None = None
    unseen: np.ndarray | None = None
    partly: str = ""

    def without(self, points: np.ndarray) -> Found:
        """The same with these ``points`` (n,) bool not seen either."""
        return replace(self, unseen=points if self.unseen is None else points | self.unseen)
