"""The landmark features laid on the picture: which curve is refined how, and how far it can then be trusted."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from featurediff.api import Feature
from featurediff.geometry import resample
from featurediff_faces import topology
from featurediff_faces.features import (
    SIGMA_LANDMARK,
    Scale,
    curve,
    landmark_features,
    nearest,
    peak,
)  # fmt: skip
from featurediff_faces.frame import PUPILS, Frame
from featurediff_faces.lines import pinned, to_length, with_count
from featurediff_faces.mouth import mouth
from featurediff_faces.nose import nose_contour
from featurediff_faces.refine import Snapped, end_along, snap
from featurediff_faces.vocabulary import SIDES, sided

# Standard uncertainty across a curve that was found in the picture, in pupil distances: about 1.3 times what rendered faces of
# development gave (tests/benchmark/faces_reference.py), because photographs are less clear than they are.
SIGMA_SNAPPED = {
    "brow": 0.012,
    "eye": 0.01,
    "upper lid": 0.007,
    "lower lid": 0.013,
    "iris": 0.008,
    "upper lip edge": 0.007,
    "lower lip edge": 0.007,
    "lower edge of the upper lip": 0.015,
    "upper edge of the lower lip": 0.012,
    "chin": 0.015,
    "jaw": 0.016,
    "cheek line": 0.015,
}
UNIT = Scale(PUPILS)


# How each curve is looked for in the picture; what is not named here keeps its landmark curve.
HOW = {
    "lower edge of the upper lip": {},
    "upper edge of the lower lip": {},
    "upper lip edge": {},
    "lower lip edge": {},
    # The model's chin may lie as much as 8 % too high; nothing else as clear is near.
    "chin": {"look_for": "edge or dark line", "reach": 0.12, "pull": 0.1},
    "jaw": {"reach": 0.08},
    "cheek line": {"reach": 0.06},
}


def refined_features(frame: Frame) -> tuple[Feature, ...]:
    """Landmark features in frame px, each curve moved to the picture's own edge where it shows one."""
    found = {feature.name: feature for feature in landmark_features(frame.face)}
    sides = topology.picture_sides(frame.face.points)
    for side_name in SIDES:
        found.update(_brow(frame, sides[side_name], found[sided("brow", side_name)]))
        found.update(_eye(frame, side_name, found))
    for name, feature in found.items():
        how = HOW.get(name.partition(" on the ")[0])
        if how is not None:
            found[name] = _with(feature, snap(frame.lab, feature.points, PUPILS, **how))
    found.update(nose_contour(frame, found))
    found.update(mouth(frame, found))
    return tuple(found.values())


def _snapped(frame: Frame, feature: Feature, **how) -> Feature:
    return _with(feature, snap(frame.lab, feature.points, PUPILS, **how))


def _with(feature: Feature, moved: Snapped) -> Feature:
    if not moved.found:
        return feature
    return replace(feature, points=moved.points, sigma_px=_sigma(feature))


def _sigma(feature: Feature) -> float:
    return SIGMA_SNAPPED[feature.name.partition(" on the ")[0]] * PUPILS


def _brow(frame: Frame, side: topology.SideTopology, feature: Feature) -> dict[str, Feature]:
    """Top and bottom edge, each on its own, joined again to one outline."""
    edges = [curve(frame.face.points[list(chain)], UNIT) for chain in (side.brow_top, side.brow_bottom)]
    moved = [snap(frame.lab, edge, PUPILS, reach=0.045) for edge in edges]
    top, bottom = (m.points if m.found else edge for m, edge in zip(moved, edges, strict=True))
    if all(m.found for m in moved):
        top, bottom = _brow_ends(frame, top, bottom)
    outline = resample(np.vstack([top, bottom[::-1]]), UNIT.step, closed=True)
    ends = {
        "outer end": nearest(outline, (top[0] + bottom[0]) / 2),
        "inner end": nearest(outline, (top[-1] + bottom[-1]) / 2),
        "peak": nearest(outline, peak(top)),
    }
    sigma = _sigma(feature) if all(m.found for m in moved) else SIGMA_LANDMARK * PUPILS
    return {feature.name: replace(feature, points=outline, anchors=ends, sigma_px=sigma)}


def _brow_ends(frame: Frame, top: np.ndarray, bottom: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Both edges (outer to inner end) lengthened or shortened to where the brow's darkness ends along its middle line."""
    count = min(len(top), len(bottom))
    t, b = with_count(top, count), with_count(bottom, count)
    middle = (t + b) / 2
    half = float(np.median(np.hypot(*(t - b).T))) / 2
    outer = end_along(frame.lab, middle[::-1], PUPILS, half)
    inner = end_along(frame.lab, middle, PUPILS, half)
    return tuple(to_length(edge, outer, inner, UNIT.step) for edge in (top, bottom))


def _eye(frame: Frame, side_name: str, found: dict[str, Feature]) -> dict[str, Feature]:
    """Lids on their own, the eye's outline from both, the iris by its rim."""
    upper = _snapped(frame, found[sided("upper lid", side_name)], look_for="dark line", reach=0.04)
    lower = _snapped(frame, found[sided("lower lid", side_name)], reach=0.03)
    # Both lids end in the same corners: halfway between where each puts them.
    corners = [(upper.points[0] + lower.points[0]) / 2, (upper.points[-1] + lower.points[-1]) / 2]
    lids = [replace(lid, points=pinned(lid.points, corners)) for lid in (upper, lower)]
    outline = np.vstack([lids[0].points, lids[1].points[-2:0:-1]])
    eye = replace(
        found[sided("eye", side_name)],
        points=outline,
        anchors={"outer corner": 0, "inner corner": len(lids[0].points) - 1},
        sigma_px=max(lid.sigma_px for lid in lids),
    )
    iris = found[sided("iris", side_name)]
    return {lid.name: lid for lid in lids} | {eye.name: eye, iris.name: _iris(frame, iris, outline)}


def _iris(frame: Frame, iris: Feature, lids: np.ndarray) -> Feature:
    """Move and resize the iris so that its visible rim lies on the strongest step from dark to light."""
    centre = iris.points.mean(0)
    spokes = iris.points - centre
    light = cv2.GaussianBlur(frame.lab[..., 0], (0, 0), 0.008 * PUPILS)
    polygon = lids.astype(np.float32).reshape(-1, 1, 2)
    seen = np.array([cv2.pointPolygonTest(polygon, (float(x), float(y)), True) > 0.012 * PUPILS for x, y in iris.points])
    if seen.sum() < 8:
        return iris
    moves = np.arange(-0.03, 0.0301, 0.005) * PUPILS
    best = (-np.inf, 0.0, 0.0, 1.0)
    unit = spokes / np.hypot(*spokes.T)[:, None]
    step = 0.012 * PUPILS
    for size in np.arange(0.84, 1.161, 0.04):
        rim = centre + size * spokes[seen]
        dx, dy = np.meshgrid(moves, moves)
        shifts = np.column_stack([dx.ravel(), dy.ravel()])
        at = rim[None] + shifts[:, None]
        outer, inner = at + step * unit[seen], at - step * unit[seen]
        slope = _read(light, outer) - _read(light, inner)
        # The middle half of the spokes: a highlight on the rim must not decide.
        score = np.sort(slope, 1)[:, seen.sum() // 5 :].mean(1) - 2.0 * (np.hypot(*shifts.T) / (0.03 * PUPILS)) ** 2
        k = int(score.argmax())
        if score[k] > best[0]:
            best = (float(score[k]), *shifts[k], float(size))
    if best[0] < 3.0:
        return iris
    points = centre + np.array(best[1:3]) + best[3] * spokes
    return replace(iris, points=points, sigma_px=_sigma(iris))


def _read(image: np.ndarray, points: np.ndarray) -> np.ndarray:
    x, y = points[..., 0].astype(np.float32), points[..., 1].astype(np.float32)
    return cv2.remap(image, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
