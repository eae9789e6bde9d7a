"""The edges that the reference shows close beside a straight line: the other edges of a moulding, a sill, a frame.

A hand draws one line for a moulding, and no one can say for which of its edges. A drawn line that lies just where the reference
has another edge of the same moulding is right: it is told as if it had been drawn for the feature's own edge, less surely.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from featurediff import geometry
from featurediff.matching.found import Found
from featurediff.matching.sides import long_sides
from featurediff.matching.strips import Course, positions, strip
from featurediff.matching.whole import against

# As shares of the size: how far another edge of the same moulding may lie, the blur across, and the step along.
FARTHEST = 0.030
BLUR = 0.0015
ALONG = 0.004
# The line's own edge is what lies nearer than this share of the size.
OWN = 0.0035
# So near must a drawn line lie to another edge: at most this share of the size, and of the way to its own edge.
NEAR = 0.005
NEARER = 0.5
# When some sides of an outline are drawn for other edges, the rest may lie off by this share of the size; else what is drawn is
# another outline, within it or around it.
UNEXPLAINED = 0.0035
OTHER_OUTLINE = "two outlines near its place could be meant, one within the other"
# What is drawn just where an edge is lies within this share of the size of it.
JUST_THERE = 0.0025
# An edge is looked for in so many parts of the line, which may lie apart by so many px.
PARTS = 5
AGREE = 0.75
# An edge has this share of the line's own slope at least, and the slope falls to so much of its own on either side: a band of the
# wall's own colour has one strong edge, which its shadow makes, and one weak.
WEAKEST = 0.07
FALLS = 0.65
# Towards the line's own edge, whose flank fills the gap, a little less will do.
FALLS_TO_OWN = 0.85
# Edges of one moulding meet far away in perspective: their slants (px across per px along) may differ by so much.
SLANTS = 0.06
# The short sides of an outline tell their slant badly; it is taken to be no more than this.
SIDE_SLANT = 0.02
# What the choice of edge leaves in doubt, as a share of the distance between the two.
DOUBT = 0.3


def slope_across(picture: np.ndarray, course: Course, aside: np.ndarray, size: float) -> np.ndarray:
    """(m,) how steeply a picture (h, w) or (h, w, 3) changes across a line, at ``aside`` (m,) px beside it, evenly spaced.

    The mean along each fifth of the line is taken first, and the least of the five counts: only what runs along all of it.
    """
    at = positions(course, ALONG * size)
    step = float(aside[1] - aside[0])
    blur = max(BLUR * size / step, 1e-3)
    # Sampled a little further than asked for, so that the blur has something to go by at the ends.
    more = int(np.ceil(4 * blur)) + 1
    wide = np.arange(-more, len(aside) + more) * step + aside[0]
    seen = strip(picture, course, at, wide)
    parts = np.stack([part.mean(0).reshape(len(wide), -1) for part in np.array_split(seen, PARTS)])
    smooth = cv2.GaussianBlur(parts, (2 * more + 1, 1), blur, borderType=cv2.BORDER_REPLICATE).reshape(parts.shape)
    slopes = np.gradient(smooth, axis=1)[:, more:-more] / step
    strength = np.sqrt((slopes**2).mean(2)).astype(np.float32)
    # An edge that is not quite straight lies a little elsewhere in every part.
    return cv2.dilate(strength, np.ones((1, round(2 * AGREE / step) + 1), np.uint8)).min(0)


def meant_edge(
    picture: np.ndarray,
    course: Course,
    offset: float,
    turn: float,
    size: float,
    farthest: float = FARTHEST,
    weakest: float = WEAKEST,
) -> tuple[float, float]:
    """Offset and turn of the other edge for which a line drawn at ``offset`` px aside, turned by ``turn``, was drawn.

    (0, 0) when it was none but the line's own. ``picture`` (h, w) or (h, w, 3) is the reference in the frame, ``course`` the
    line there. ``farthest``: how far the other edge may lie, as a share of ``size``; ``weakest``: the least slope that makes
    one, as a share of the line's own.
    """
    if not OWN * size < abs(offset) <= farthest * size or abs(turn) > SLANTS:
        return 0.0, 0.0
    near = np.arange(-(NEAR + OWN) * size, (NEAR + OWN) * size, 0.5)
    own = float(slope_across(picture, course, near, size)[np.abs(near) <= OWN * size].max())
    best = (0.0, 0.0, 0.0)
    for slant in (turn - 0.006, turn, turn + 0.006):
        slope = slope_across(picture, course.shifted(offset, slant), near, size)
        # What crosses the line is the line itself, seen slanted.
        if abs(offset) < abs(slant) * course.half + OWN * size:
            continue
        for peak in np.flatnonzero(np.abs(near) <= min(NEAR * size, NEARER * abs(offset))):
            away, to_own = (slope[:peak], slope[peak + 1 :]) if offset < 0 else (slope[peak + 1 :], slope[:peak])
            falls = away.min() <= FALLS * slope[peak] and to_own.min() <= FALLS_TO_OWN * slope[peak]
            if falls and slope[peak] == slope[peak - 1 : peak + 2].max() and slope[peak] > max(weakest * own, best[0]):
                level = np.flatnonzero(slope[peak : peak + 5] == slope[peak])
                best = (float(slope[peak]), offset + float(near[peak + level].mean()), slant)
    return best[1:]


def edge_at(picture: np.ndarray, base: np.ndarray, size: float, course: Course, offset: float, turn: float) -> bool:
    """Does the reference show another edge beside a line just where something is drawn, at ``offset`` px aside of it?

    ``base`` (3, 3): what most features agree on, frame px.
    """
    rest, slant = against(base, course, offset, turn)
    edge = _side_edge(picture, course, rest, slant, size)
    return edge != 0.0 and abs(edge - rest) <= JUST_THERE * size


def on_meant_edges(
    courses: dict[int, Course],
    outlines: dict[int, np.ndarray],
    found: list[Found],
    base: np.ndarray,
    picture: np.ndarray,
    size: float,
) -> list[Found]:
    """``found`` with every straight line and every straight side of an outline told for its own edge.

    ``courses``: the straight features' lines by index, ``outlines``: closed outlines' points (n, 2) by index, both in frame px;
    ``base`` (3, 3): what most features agree on there.
    """
    answer = list(found)
    for k, course in courses.items():
        if found[k].shifts is not None:
            answer[k] = _line_on_edge(course, found[k], base, picture, size)
    for k, outline in outlines.items():
        if found[k].shifts is not None:
            answer[k] = _outline_on_edges(outline, found[k], base, picture, size)
    return answer


def _line_on_edge(course: Course, place: Found, base: np.ndarray, picture: np.ndarray, size: float) -> Found:
    other, slant = meant_edge(picture, course, *against(base, course, place.fit.offset, place.fit.turn), size)
    if other == 0.0:
        return place
    doubt = (DOUBT * other) ** 2
    covariance = place.fit.covariance + np.diag([doubt, (DOUBT * slant) ** 2])
    across = doubt * np.outer(course.across, course.across)
    told = np.array([other - slant * course.half, other + slant * course.half])
    return replace(
        place,
        shifts=place.shifts - told[:, None] * course.across,
        covariances=place.covariances + across,
        covariance=place.covariance + across,
        fit=replace(place.fit, offset=place.fit.offset - other, turn=place.fit.turn - slant, covariance=covariance),
    )


def _side_edge(picture: np.ndarray, course: Course, offset: float, turn: float, size: float) -> float:
    """How far beside an outline's side lies the other edge for which it was drawn; 0 for none."""
    return meant_edge(picture, course, offset, float(np.clip(turn, -SIDE_SLANT, SIDE_SLANT)), size)[0]


def _outline_on_edges(curve: np.ndarray, place: Found, base: np.ndarray, picture: np.ndarray, size: float) -> Found:
    """An outline with straight sides. One that moved as a whole is left as it is: all its sides can't be other edges."""
    sides = long_sides(curve, size)
    if not sides:
        return place
    rest = place.shifts - (geometry.apply(base, curve) - curve)
    aside = np.array([[float(rest[end] @ side.course.across) for end in side.ends] for side in sides])
    across = np.array([side.course.across for side in sides])
    moved = np.linalg.lstsq(across, aside.mean(1), rcond=None)[0]
    if np.abs(aside.mean(1) - across @ moved).max() <= OWN * size:
        return place
    turns = np.diff(aside, axis=1)[:, 0] / [2 * side.course.half for side in sides]
    drawn = zip(sides, aside.mean(1), turns, strict=True)
    others = np.array([_side_edge(picture, side.course, float(offset), float(turn), size) for side, offset, turn in drawn])
    left = aside.mean(1) - others
    moved = np.linalg.lstsq(across, left, rcond=None)[0]
    if others.any() and np.abs(left - across @ moved).max() > UNEXPLAINED * size:
        return Found(why=OTHER_OUTLINE, score=place.score)
    normal, target = np.repeat(1e-3 * np.eye(2)[None], len(curve), 0), np.zeros_like(curve)
    doubt, moves = np.zeros((len(curve), 2, 2)), np.zeros(len(curve), bool)
    for side, other in zip(sides, others, strict=True):
        outer = np.outer(side.course.across, side.course.across)
        for end in side.ends:
            normal[end] += outer
            target[end] -= other * side.course.across
            doubt[end] += (DOUBT * other) ** 2 * outer
            moves[end] = True
    # A corner goes where both its sides go; they need not be square to each other.
    change = np.linalg.solve(normal, target[..., None])[..., 0]
    between = np.flatnonzero(~moves)
    if len(between):
        # A curved head goes with the ends of the straight sides.
        at = np.arange(len(curve))
        for axis in (0, 1):
            change[between, axis] = np.interp(between, at[moves], change[moves, axis], period=len(curve))
    return replace(
        place,
        shifts=place.shifts + change,
        covariances=place.covariances + doubt,
        covariance=place.covariance + doubt.mean(0),
    )
