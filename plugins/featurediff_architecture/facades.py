"""Windows, doors and arches of every front, in px of the picture, and which lines only repeat their outlines."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from featurediff.geometry import apply, rescale_matrix
from featurediff_architecture.choose import Candidates
from featurediff_architecture.classify import VERTICAL
from featurediff_architecture.curves import Arc
from featurediff_architecture.directions import Directions
from featurediff_architecture.fronts import Front
from featurediff_architecture.naming import front_part, front_words
from featurediff_architecture.rhythm import Facade
from featurediff_architecture.segments import Lines
from featurediff_architecture.windows import Opening, survey
from featurediff_architecture.working import Working

# A line is an opening's own when so much of it runs along one, within this share of the building's size (frames).
OWN, BESIDE = 0.55, 0.014
# An opening with its frame is at most so much larger than itself.
FRAME = 1.35


def find_facades(working: Working, lines: Lines, directions: Directions, fronts: tuple[Front, ...]) -> tuple[Facade, ...]:
    """The openings of each front, in working px."""
    up = directions.vertical.point if directions.vertical is not None else np.array([0.0, 1.0, 0.0])
    words = front_words(fronts)
    found = []
    for number, front in enumerate(fronts):
        across = directions.level[front.aim].point if front.aim >= 0 else np.array([1.0, 0.0, 0.0])
        seen = survey(working.pixels, lines.ends.reshape(-1, 4), across, up, front.region)
        found.append(Facade(front_part(number, len(fronts)), seen.openings, words[number], seen.doubt))
    return tuple(found)


def in_picture(facades: tuple[Facade, ...], working: Working) -> tuple[Facade, ...]:
    """Facades with their openings in px of the picture."""
    to_picture = rescale_matrix(1.0 / working.scale)

    def moved(opening: Opening) -> Opening:
        return replace(opening, outline=apply(to_picture, opening.outline), corners=apply(to_picture, opening.corners))

    return tuple(replace(facade, openings=tuple(moved(o) for o in facade.openings)) for facade in facades)


def on_openings(found: Candidates, facades: tuple[Facade, ...], size: float) -> np.ndarray:
    """(n,) True for lines that run along the sides of openings over most of what is shown of them: jambs, sills, heads.

    ``size``: the building's in working px. A line that is shown all along and far longer than the openings it passes stays.
    """
    sides = [np.stack([o.outline, np.roll(o.outline, -1, 0)], 1) for facade in facades for o in facade.openings]
    if not sides or not len(found):
        return np.zeros(len(found), bool)
    a, b = np.concatenate(sides).transpose(1, 0, 2)
    way = b - a
    length = np.maximum(np.hypot(*way.T), 1e-9)
    way = way / length[:, None]
    beside = max(BESIDE * size, 6.0)
    t = np.linspace(0.02, 0.98, 15)
    on = found.lines.ends[:, :1] + t[None, :, None] * found.lines.vector[:, None]
    covered, longest = np.zeros(on.shape[:2], bool), np.zeros(len(found))
    for k in range(len(a)):
        rel = on - a[k]
        along, across = rel @ way[k], rel @ np.array([-way[k, 1], way[k, 0]])
        parallel = np.abs(found.lines.direction @ way[k]) > 0.985
        here = parallel[:, None] & (np.abs(across) < beside) & (along > -beside) & (along < length[k] + beside)
        covered |= here
        longest = np.where(here.any(1), np.maximum(longest, length[k]), longest)
    whole = (found.lines.shown > 0.8) & (found.lines.length > 2.2 * longest)
    own = (covered.mean(1) > OWN * found.lines.shown) & ~(whole & (covered.mean(1) < 0.8))
    return (own | _within(on, found, facades)) & ~_outline(found)


def _outline(found: Candidates) -> np.ndarray:
    """(n,) True for what bounds the building: sky on one side, or the outermost of the tall uprights."""
    lines = found.lines
    bounds = np.abs(found.sky[:, 0] - found.sky[:, 1]) > 0.3
    upright = np.flatnonzero(found.kind == VERTICAL)
    if len(upright):
        tall = upright[lines.length[upright] > 0.5 * lines.length[upright].max()]
        x = lines.middle[:, 0]
        bounds[[tall[x[tall].argmin()], tall[x[tall].argmax()]]] = True
    return bounds


def _within(on: np.ndarray, found: Candidates, facades: tuple[Facade, ...]) -> np.ndarray:
    """(n,) True for lines, sampled at ``on`` (n, k, 2), that lie in an opening or its frame and are not much longer than it."""
    inside = np.zeros(len(found), bool)
    for outline in (o.corners for facade in facades for o in facade.openings):
        grown = (outline.mean(0) + FRAME * (outline - outline.mean(0))).astype(np.float32).reshape(-1, 1, 2)
        low, high = grown.min((0, 1)), grown.max((0, 1))
        near = np.flatnonzero(((on > low) & (on < high)).all(2).mean(1) > 0.8)
        for k in near:
            inside[k] |= np.mean([cv2.pointPolygonTest(grown, tuple(map(float, p)), False) >= 0 for p in on[k]]) > 0.8
    return inside


def off_openings(arcs: tuple[Arc, ...], facades: tuple[Facade, ...], size: float) -> tuple[Arc, ...]:
    """The arcs that are no heads of openings found already."""
    outlines = [o.outline.astype(np.float32).reshape(-1, 1, 2) for facade in facades for o in facade.openings]

    def own(arc: Arc, outline: np.ndarray) -> bool:
        return np.mean([cv2.pointPolygonTest(outline, tuple(map(float, p)), True) > -2 * BESIDE * size for p in arc.points]) > 0.6

    return tuple(arc for arc in arcs if not any(own(arc, outline) for outline in outlines))
