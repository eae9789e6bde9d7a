"""Outlines drawn just where the reference shows another edge: nobody can say which of the two is wrong.

An outline of the reference may have gone along the wrong one of two edges: of a shadow, of the inside of a handle, of what
stands behind. The drawing then seems to be off by the distance of the two, wherever the hand drew the true one. A mistake of the
hand hardly ever falls on another edge along its whole length.
"""

from __future__ import annotations

import cv2
import numpy as np

from featurediff import geometry
from featurediff.matching.beside import BLUR, FALLS, FALLS_TO_OWN, JUST_THERE, OWN, WEAKEST
from featurediff.matching.found import Found
from featurediff.records import Subject, under

# What an edge is, and what lies on one, is the same as beside a straight line. As shares of the size: the blur along the outline
# and how far to either side it is looked at.
ALONG = 0.012
REACH = 0.015
# So much of what lies off its own edge lies on another one; so much of the outline at least lies off.
MOST = 0.6
LEAST = 0.1
# More of it than this, and the outline as a whole is not judged.
WHOLE = 0.5
STEP = 0.5
WHY = "the reference shows another edge just where it is drawn, and which of the two is meant can't be told"


def without_other_edges(
    subject: Subject, curves: list[np.ndarray], found: list[Found], base: np.ndarray, picture: np.ndarray, size: float
) -> list[Found]:
    """``found`` without the outlines, or the stretches of them, that lie on other edges of the reference.

    ``curves``: the features' points, frame px; ``base`` (3, 3): what most features agree on there; ``picture`` (h, w) or
    (h, w, 3): the reference in the frame. Only outlines of things that stand by themselves are looked at: within a face, lines
    run beside one another everywhere.
    """
    apart = [group.part for group in subject.groups if group.apart]
    out = list(found)
    for k, feature in enumerate(subject.features):
        if feature.kind != "curve" or found[k].shifts is None or not any(under(feature.part, part) for part in apart):
            continue
        across = geometry.normals(curves[k], feature.closed)
        aside = np.sum((curves[k] + found[k].shifts - geometry.apply(base, curves[k])) * across, 1)
        off = np.abs(aside) > OWN * size
        if off.mean() < LEAST or on_other_edge(picture, curves[k], across, aside, size)[off].mean() < MOST:
            continue
        if off.mean() > WHOLE:
            out[k] = Found(why=WHY, score=found[k].score)
        else:
            out[k] = found[k].without(off)
    return out


def on_other_edge(picture: np.ndarray, curve: np.ndarray, across: np.ndarray, aside: np.ndarray, size: float) -> np.ndarray:
    """(n,) bool: whether ``picture`` has an edge ``aside`` (n,) px beside each point of ``curve`` (n, 2), along its normal.

    ``across`` (n, 2): the normals. An edge is a peak of the slope across, with less slope on either side of it.
    """
    own = _slopes(picture, curve, across, size)
    at = _offsets(size)
    least = WEAKEST * own[:, np.abs(at) <= OWN * size].max(1)
    slopes = _slopes(picture, curve + aside[:, None] * across, across, size)
    # Away from the own edge is to the right in every row.
    slopes = np.where(aside[:, None] < 0, slopes[:, ::-1], slopes)
    near = np.flatnonzero(np.abs(at) <= JUST_THERE * size)
    found = np.zeros(len(curve), bool)
    for peak in near:
        highest = slopes[:, peak - 1 : peak + 2].max(1) == slopes[:, peak]
        away = slopes[:, peak + 1 :].min(1) <= FALLS * slopes[:, peak]
        to_own = slopes[:, :peak].min(1) <= FALLS_TO_OWN * slopes[:, peak]
        found |= highest & away & to_own & (slopes[:, peak] > least)
    # What lies nearer to the own edge than the other does is no other edge.
    return found & (np.abs(aside) > 2 * JUST_THERE * size)


def _offsets(size: float) -> np.ndarray:
    reach = round(REACH * size / STEP)
    return STEP * np.arange(-reach, reach + 1)


def _slopes(picture: np.ndarray, curve: np.ndarray, across: np.ndarray, size: float) -> np.ndarray:
    """(n, m) how steeply ``picture`` changes across ``curve``, at each of the offsets, averaged a little along it."""
    where = (curve[:, None] + _offsets(size)[None, :, None] * across[:, None]).astype(np.float32)
    seen = cv2.remap(picture, where[..., 0], where[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    step = max(float(np.hypot(*np.diff(curve, axis=0).T).mean()), 1e-6)
    layers = seen.reshape(*where.shape[:2], -1)
    smooth = [
        cv2.GaussianBlur(layer, (0, 0), sigmaX=BLUR * size / STEP, sigmaY=ALONG * size / step)
        for layer in np.moveaxis(layers, 2, 0)
    ]
    return np.sqrt(np.sum([np.gradient(layer, axis=1) ** 2 for layer in smooth], axis=0))
