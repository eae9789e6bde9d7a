"""Where one colour gives way to another along rays: the common tool for hairline, ears and neck."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from featurediff_faces.colours import ColourModel
from featurediff_faces.paths import best_path
from featurediff_faces.refine import blur, sample_profiles


@dataclass(frozen=True)
class Boundary:
    """``points`` (n, 2): where each ray changes from the first colour to the second; ``clear`` (n,): log-likelihood per
    sample by which both sides speak for the change (above about 1: clear)."""

    points: np.ndarray
    clear: np.ndarray


def boundary(
    lab: np.ndarray,
    origins: np.ndarray,
    directions: np.ndarray,
    start: np.ndarray,
    reach: np.ndarray,
    first: ColourModel,
    second: ColourModel,
    step: float,
    window: float,
    stiffness: float,
) -> Boundary:
    """For each ray (origin (n, 2), unit direction (n, 2), from ``start`` to ``reach`` (n,) px) the best change from
    ``first`` to ``second``, all rays together as one smooth path.

    On each ray the likelihood of "first before, second beyond" is summed (a change-point model), the nearest
    ``window`` px on either side counting double.
    """
    count = max(int(np.ceil(reach.max() / step)), 3)
    at = np.arange(count + 1) * step
    profile = sample_profiles(lab, origins, directions, at)
    profile = blur(profile.reshape(len(origins), -1), 1.0, 0).reshape(profile.shape)
    margin = (second.cost(profile) - first.cost(profile)).clip(-12, 12)  # > 0 where it looks like the first
    margin = np.where(at[None, :] <= reach[:, None], margin, -3.0)
    margin = np.where(at[None, :] < start[:, None], 0.0, margin)
    total = np.concatenate([np.zeros((len(origins), 1)), np.cumsum(margin, 1)], 1)
    width = max(int(window / step), 1)
    columns = np.arange(count + 1)
    before = total[:, columns] - total[:, np.maximum(columns - width, 0)]
    beyond = total[:, np.minimum(columns + width, count + 1)] - total[:, columns]
    # Everything nearer than the change should be first, everything further second; the window sharpens that.
    score = (2 * total[:, columns] - total[:, -1:]) / width + (before - beyond) / width
    score[(at[None, :] > reach[:, None] + step) | (at[None, :] < start[:, None])] = -1e4
    path = best_path(score.astype(np.float32), stiffness)
    distance = np.interp(path, columns, at) - 0.5 * step
    rows, picked = np.arange(len(origins)), np.clip(np.round(path).astype(int), 0, count)
    used = np.clip(picked - (start / step).astype(int), 1, width)
    left = np.maximum(np.minimum(width, count + 1 - picked), 1)
    clear = np.minimum(before[rows, picked] / used, -beyond[rows, picked] / left)
    return Boundary(origins + distance[:, None] * directions, clear)
