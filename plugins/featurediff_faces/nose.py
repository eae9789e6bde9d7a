"""The lower contour of the nose: wings and base as one line, which is how the picture shows it and how it is drawn.

The mesh's own chains round the nose lie on the cheek and the lip beside it: outside the visible rim of the wings, and above or
below the
lower contour. So the search starts further in, from vertices on the wings themselves, and follows the dark rim that the
nose shows against cheek and lip. Wings and base are found together, because where one is faint the other leads to it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from featurediff.api import Feature
from featurediff_faces import topology
from featurediff_faces.features import Scale, curve, nearest
from featurediff_faces.frame import PUPILS, Frame
from featurediff_faces.refine import snap
from featurediff_faces.vocabulary import SIDES, sided

SCALE = Scale(PUPILS)
REACH = 0.045  # pupil distances
SEEN_FROM_THE_SIDE = 20.0  # degrees of turn
HANGS = 0.02  # pupil distances: how far the contour usually hangs below the mesh's base
# Standard uncertainty in pupil distances where the picture shows the contour, shows it faintly (L*), or not.
CLEAR, FAINT = 3.0, 1.2
SIGMA_CLEAR, SIGMA_FAINT, SIGMA_HIDDEN = 0.012, 0.02, 0.025


def nose_contour(frame: Frame, found: dict[str, Feature]) -> dict[str, Feature]:
    """Wings and base laid on the picture, in frame px; a part that it does not show keeps its place and uncertainty."""
    at = frame.face.points
    sides = topology.picture_sides(at)
    left, right = (_wing_start(at, sides[name], _turn_to(frame, name)) for name in SIDES)
    middle = at[list(topology.NOSE_BASE)][1:-1]
    if middle[0, 0] > middle[-1, 0]:
        middle = middle[::-1]
    middle = middle + [0.0, HANGS * PUPILS]
    # Down the left wing, along the base, up the right one: the normals point away from the nose.
    start = curve(np.vstack([left, middle, right[::-1]]), SCALE)
    feet = nearest(start, left[-1]), nearest(start, right[-1])
    moved = snap(frame.lab, start, PUPILS, look_for="dark rim", reach=REACH, stiffness=0.5, pull=0.15, level=True)
    spans = {"left": slice(0, feet[0] + 1), "base": slice(feet[0], feet[1] + 1), "right": slice(feet[1], len(start))}
    changed = {}
    for which, span in spans.items():
        name = "base of the nose" if which == "base" else sided("wing of the nose", which)
        if name not in found:
            continue
        part = moved.part(span)
        seen = part.step >= FAINT and part.contrast >= 1.0
        sigma = SIGMA_HIDDEN if not seen else SIGMA_FAINT if part.step < CLEAR else SIGMA_CLEAR
        points = part.points if seen else start[span]
        feature = replace(found[name], points=points[::-1] if which == "right" else points, sigma_px=sigma * PUPILS)
        if which == "base":
            feature = replace(feature, anchors={"middle": nearest(points, _below(points, at[topology.NOSE_BASE_MIDDLE]))})
        changed[name] = feature
    return changed


def _turn_to(frame: Frame, side_name: str) -> float:
    """0 (from the front) to 1 (turned so far that this side's wing is seen from its side)."""
    yaw = frame.face.yaw if side_name == "left" else -frame.face.yaw
    return float(np.clip(yaw / SEEN_FROM_THE_SIDE, 0.0, 1.0))


def _wing_start(at: np.ndarray, side: topology.SideTopology, turned: float) -> np.ndarray:
    """(n, 2) from the top of a wing to its foot: on the wing from the front, on its crease with the cheek from its side."""
    front = np.array([at[list(pair)].mean(0) for pair in side.rim])
    top, out, foot = front[0], at[side.wing[2]], front[-1]
    aside = np.array([top, (top + out) / 2, out, (out + foot) / 2, foot])
    return front + turned * (aside - front)


def _below(points: np.ndarray, middle: np.ndarray) -> np.ndarray:
    return np.array([middle[0], np.interp(middle[0], points[:, 0], points[:, 1])])
