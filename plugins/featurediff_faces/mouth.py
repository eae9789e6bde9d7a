"""The mouth's corners and what is tied to them: the line between the lips and the edges of the lips.

The model puts the corners about 2 % of the pupil distance too high. On the picture the dark line between the lips is followed
outwards until it fades: that is how far out a corner lies. How high it lies is less clear from the line, because the upper lip
and the fold above it are in shade; there the lips' colour decides, or in a grey picture the middle between the lips' edges.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from featurediff.api import Feature
from featurediff.geometry import normals, resample
from featurediff_faces.features import Scale
from featurediff_faces.frame import PUPILS, Frame
from featurediff_faces.lines import arc_length, pinned, with_count
from featurediff_faces.refine import SAMPLE, Snapped, blur, sample_profiles, snap
from featurediff_faces.vocabulary import SIDES, sided

# All lengths in pupil distances.
SURE = 0.06  # the model's line is taken as it is but for so much at either end
BEYOND = 0.09  # how far beyond the model's corners the line is looked for
FARTHEST = 0.07  # between the model's corner and the picture's
SIGMA_LINE = 0.01
SIGMA_CORNER, SIGMA_CORNER_UNCLEAR, SIGMA_CORNER_HIDDEN = 0.014, 0.02, 0.03
FADE = 4.0  # units of L* - a* by which the line must be darker or redder than the skin beyond it
ROUNDED = 0.07  # of the length of a lip's edge over which it turns to the corner
RED = 1.0  # a* by which the lips' corner must be redder than the skin above and below it
BAND = 0.05  # how far above and below the line the lips' colour is compared with skin
LIP_EDGES = ("upper lip edge", "lower lip edge")
OPEN_EDGES = ("lower edge of the upper lip", "upper edge of the lower lip")


@dataclass(frozen=True)
class Corner:
    """``point`` (2,) px and its standard uncertainty in px."""

    point: np.ndarray
    sigma: float


def mouth(frame: Frame, found: dict[str, Feature]) -> dict[str, Feature]:
    """Mouth line, corners and lip edges by name, in frame px; ``found`` holds the lips' edges already laid on the picture."""
    line = found.get("mouth line")
    middle = line.points if line is not None else sum(with_count(found[name].points, 48) for name in OPEN_EDGES) / 2
    followed = _follow(frame, middle)
    # Points along the line at an even spacing, from either end inwards: what is seen of each corner is read along these.
    path = resample(followed.points, SAMPLE * PUPILS)
    edges = [found[name].points for name in LIP_EDGES]
    corners, cuts = [], []
    for way, side_name in zip((path, path[::-1]), SIDES, strict=True):
        models = found[sided("mouth corner", side_name)].points[0]
        cut = _fades_at(frame, way)
        if cut is not None and np.hypot(*(way[cut] - models)) > FARTHEST * PUPILS:
            cut = None
        corners.append(_corner(frame, way[cut], edges) if cut is not None else Corner(models, SIGMA_CORNER_HIDDEN * PUPILS))
        cuts.append(cut)
    ends = [corner.point for corner in corners]
    changed = {}
    if line is not None:
        changed[line.name] = _line(line, followed, path, cuts, ends)
    for name in LIP_EDGES + OPEN_EDGES:
        if name in found:
            changed[name] = replace(found[name], points=pinned(found[name].points, ends, ROUNDED))
    for corner, side_name in zip(corners, SIDES, strict=True):
        feature = found[sided("mouth corner", side_name)]
        changed[feature.name] = replace(feature, points=corner.point[None], sigma_px=corner.sigma)
    return changed


def _line(line: Feature, followed: Snapped, path: np.ndarray, cuts: list[int | None], ends: list[np.ndarray]) -> Feature:
    if not followed.found:
        return replace(line, points=pinned(line.points, ends))
    first, last = (
        cut if cut is not None else int(np.argmin(np.hypot(*(way - end).T)))
        for cut, way, end in zip(cuts, (path, path[::-1]), ends, strict=True)
    )
    points = resample(path[first : len(path) - last], Scale(PUPILS).step)
    return replace(line, points=pinned(points, ends), sigma_px=SIGMA_LINE * PUPILS)


def _follow(frame: Frame, middle: np.ndarray) -> Snapped:
    """The dark line between the lips, followed straight on beyond the model's corners."""
    arc = arc_length(middle)
    core = middle[(arc > SURE * PUPILS) & (arc < arc[-1] - SURE * PUPILS)]
    on = [core[0] - core[min(8, len(core) - 1)], core[-1] - core[max(len(core) - 9, 0)]]
    first, last = (
        end + (SURE + BEYOND) * PUPILS * way / max(np.hypot(*way), 1e-9) for end, way in zip((core[0], core[-1]), on, strict=True)
    )
    start = resample(np.vstack([first, core, last]), Scale(PUPILS).step)
    return snap(frame.lab, start, PUPILS, look_for="dark line", reach=0.045, stiffness=0.3, pull=0.05)


def _fades_at(frame: Frame, way: np.ndarray) -> int | None:
    """Where on ``way`` (n, 2), which leads from beyond a corner into the mouth, the line is half as dark as further in."""
    third = way[: len(way) // 3]
    profile = sample_profiles(frame.lab, third, normals(third), np.linspace(-0.007, 0.007, 5) * PUPILS)
    # Dark or red against skin, in one figure: inside an open mouth the dark decides, at the lips' corner both.
    light = blur((profile[..., 0] - profile[..., 1]).mean(1)[:, None], 0.01 / SAMPLE, 0)[:, 0]
    inside, beyond = np.percentile(light, 20), np.median(light[: int(0.06 / SAMPLE)])
    if beyond - inside < FADE:
        return None
    darkest = int(light.argmin())
    lighter = np.flatnonzero(light[:darkest] >= (inside + beyond) / 2)
    return int(lighter[-1]) if len(lighter) else None


def _corner(frame: Frame, end: np.ndarray, edges: list[np.ndarray]) -> Corner:
    """The corner at the end of the line, with its height from the lips themselves. ``edges``: the lips' upper and lower edge."""
    inward = np.sign(edges[0][:, 0].mean() - end[0])
    # The middle between the lips' edges, carried on from a little further in: a smile turns the corners up.
    near, far = (_middle_of(edges, end[0] + inward * back * PUPILS) for back in (0.04, 0.08))
    between = 2 * near - far
    red = _red_at(frame, end)
    height = between if red is None else end[1] + red
    agree = red is not None and abs(between - height) < 0.02 * PUPILS
    return Corner(np.array([end[0], height]), (SIGMA_CORNER if agree else SIGMA_CORNER_UNCLEAR) * PUPILS)


def _middle_of(edges: list[np.ndarray], x: float) -> float:
    return float(np.mean([np.interp(x, edge[:, 0], edge[:, 1]) for edge in edges]))


def _red_at(frame: Frame, end: np.ndarray) -> float | None:
    """How many px below ``end`` the lips are reddest against the skin above and below; None where they are not redder."""
    across = np.arange(-0.01, 0.0101, SAMPLE) * PUPILS
    column = end + np.column_stack([across, np.zeros(len(across))])
    at = np.arange(-BAND, BAND + 1e-9, SAMPLE) * PUPILS
    red = sample_profiles(frame.lab, column, np.tile([0.0, 1.0], (len(column), 1)), at)[..., 1].mean(0)
    red -= np.linspace(red[:3].mean(), red[-3:].mean(), len(red))
    if red.max() < RED:
        return None
    weight = np.maximum(red - 0.6 * red.max(), 0.0)
    return float((weight * at).sum() / weight.sum())
