"""One separated thing, understood: its outline, what lies in front of it, its axis, rim and pieces. Working px throughout."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from featurediff_still_life import contours, forms, vocabulary
from featurediff_still_life.contours import Piece, Profile
from featurediff_still_life.ellipses import Ellipse
from featurediff_still_life.forms import Axis
from featurediff_still_life.objects import Thing
from featurediff_still_life.outlines import REACH, Outline, border_of, refined
from featurediff_still_life.rims import find_inner, find_plate, find_rim
from featurediff_still_life.view import View

TOUCH = 2.2  # coarse px: as near as this to another thing, an outline is common to both
SAG = 0.3  # of the common stretch's chord: bulging more than this towards the other, a thing stands in front of it
HOLE_AREA = 0.004  # of the thing: a smaller hole is a highlight


@dataclass(frozen=True)
class Understood:
    """``kind``: "vessel" (a rim and sides), "dish" (its outline is an ellipse), "object" (symmetric or not, see ``axis``).

    ``rim`` and ``inner``: the outer and the inner edge of its lip.
    """

    thing: Thing
    outline: Outline
    kind: str
    pieces: tuple[Piece, ...]
    rim: Ellipse | None = None
    axis: Axis | None = None
    profile: Profile | None = None
    missing: tuple[tuple[str, str], ...] = ()
    inner: Ellipse | None = None

    @property
    def low(self) -> np.ndarray:
        """(2,) left and top of the outline."""
        return self.outline.points.min(0)

    @property
    def high(self) -> np.ndarray:
        """(2,) right and bottom of the outline."""
        return self.outline.points.max(0)


def understand(view: View, scale: float, things: list[Thing]) -> list[Understood]:
    """All things, understood. ``scale``: coarse px per working px."""
    borders = [border_of(thing.mask, scale) for thing in things]
    hidden = _hidden(things, borders, scale)
    found = []
    for k, (thing, border) in enumerate(zip(things, borders, strict=True)):
        # Next to another thing its edge is near too: only a short way to look.
        outline = refined(view, border, reach=min(REACH, max(0.02 * float(np.ptp(border, axis=0).max()), 3.0)))
        outline = replace(outline, hidden=outline.hidden | _nearest_flag(border, hidden[k], outline.points))
        others = np.zeros(thing.mask.shape, np.uint8)
        for j, other in enumerate(things):
            if j != k:
                others |= other.mask.astype(np.uint8)
        others = cv2.resize(others, (view.size[1], view.size[0]), interpolation=cv2.INTER_NEAREST)
        found.append(_understand(view, scale, thing, outline, others))
    return found


def _nearest_flag(line: np.ndarray, flags: np.ndarray, points: np.ndarray) -> np.ndarray:
    """(m,) bool: for ``points`` (m, 2) the flag of the nearest point of ``line`` (n, 2)."""
    if not flags.any():
        return np.zeros(len(points), bool)
    return flags[((points[:, None] - line[None]) ** 2).sum(2).argmin(1)]


def _understand(view: View, scale: float, thing: Thing, outline: Outline, others: np.ndarray) -> Understood:
    holes = _holes(view, scale, thing)
    loops = [forms.Loop(outline.points, ~outline.hidden)]
    loops += [forms.Loop(hole.points, np.ones(len(hole.points), bool)) for hole in holes]
    axis = forms.find_axis(loops)
    if axis is None or axis.share < forms.WITH_RIM:
        return _plain(view, thing, outline, others)
    widths = forms.half_widths(axis, loops)
    levels, half = widths.levels, forms.body_half_width(widths)
    grows, beside = ([contours.sustained(row, max(len(levels) // 50, 2)) for row in flags] for flags in forms.stands_out(widths))
    grows = [contours.with_swelling(row, own - half, half.max()) for row, own in zip(grows, widths.inner, strict=True)]
    stem = contours.find_stem(levels, half)
    start = 0 if stem is None else int(np.searchsorted(levels, stem))
    rim = find_rim(view, axis, outline, levels[start:], half[start:], others) if stem is None else None
    if rim is None:
        plain = _plain(view, thing, outline, others)
        if plain.kind == "dish" or axis.share < forms.SYMMETRIC:
            return plain
        # Without a mouth it is no jug: one side that swells a little more than the other is its own.
        grows, beside = (
            [contours.standing_out(row, out - half, half.max()) for row, out in zip(rows, widths.outer, strict=True)]
            for rows in (grows, beside)
        )
    top = float(axis.local(rim.centre[None])[0, 1]) if rim is not None else float(levels[start])
    base = contours.base_level(axis, outline, levels[start:], half[start:], rim)
    profile = Profile(levels, half, widths.inner, np.array(grows), np.array(beside), top, base, stem)
    pieces, missing = _pieces(holes, axis, outline, profile)
    inner = find_inner(view, rim, others) if rim is not None else None
    return Understood(thing, outline, "vessel" if rim is not None else "object", pieces, rim, axis, profile, missing, inner)


def _plain(view: View, thing: Thing, outline: Outline, others: np.ndarray) -> Understood:
    """A thing without an axis: a dish, or an outline in stretches."""
    plate = find_plate(view, outline, others)
    if plate is not None:
        inner = find_inner(view, plate, others)
        return Understood(thing, outline, "dish", tuple(contours.beside_ellipse(outline, plate)), plate, inner=inner)
    return Understood(thing, outline, "object", tuple(contours.stretches(outline)))


def _pieces(
    holes: list[Piece], axis: Axis, outline: Outline, profile: Profile
) -> tuple[tuple[Piece, ...], tuple[tuple[str, str], ...]]:
    pieces, missing = [], []
    for name in ("left", "right"):
        piece = contours.side(axis, outline, profile, name)
        if piece is None:
            missing.append((f"{name} side", "something stands in front of it, or its edge can't be seen"))
        else:
            pieces.append(piece)
    under = contours.base(axis, outline, profile)
    if under is None:
        missing.append(("base", "something stands in front of it, or it can't be told from the shadow beneath it"))
    pieces += [piece for piece in (under, contours.stem(axis, outline, profile)) if piece]
    return tuple(pieces + _standing_out(holes, axis, outline, profile)), tuple(missing)


def _standing_out(holes: list[Piece], axis: Axis, outline: Outline, profile: Profile) -> list[Piece]:
    """Handles with their inside, spouts; of several on one side, each is told by its height."""
    kept = []
    for name, piece, (low, high) in contours.protrusions(axis, outline, profile):
        inner = [hole for hole in holes if low - 6 < axis.local(hole.points.mean(0)[None])[0, 1] < high + 6]
        inner = [hole for hole in inner if (axis.local(hole.points.mean(0)[None])[0, 0] < 0) == (name == "left")]
        reach = np.abs(axis.local(piece.points)[:, 0]).max() - profile.half.max()
        if inner or reach >= contours.STANDS_OUT * profile.half.max():
            kept.append((f"handle on the {name}" if inner else f"part that stands out on the {name}", piece, inner))
    pieces = []
    whats = [what for what, *_ in kept]
    for k, (what, piece, inner) in enumerate(kept):
        which = vocabulary.height(whats[:k].count(what), whats.count(what))
        pieces.append(replace(piece, what=which + what))
        pieces += [replace(hole, what=f"inside of the {which}{what}") for hole in inner[:1]]
    return pieces


def _holes(view: View, scale: float, thing: Thing) -> list[Piece]:
    """Closed outlines of what is seen through the thing, largest first."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(thing.holes.astype(np.uint8), connectivity=4)
    order = sorted(range(1, count), key=lambda k: -stats[k, cv2.CC_STAT_AREA])
    found = []
    for k in order:
        if stats[k, cv2.CC_STAT_AREA] < max(HOLE_AREA * thing.mask.sum(), 12):
            break
        outline = refined(view, border_of(labels == k, scale), reach=4.0)
        if outline.seen.mean() > 0.7:
            found.append(Piece("", outline.points, closed=True))
    return found


# ---------------------------------------------------------------- what stands in front


def _hidden(things: list[Thing], borders: list[np.ndarray], scale: float) -> list[np.ndarray]:
    """For every thing (n,) bool: which points of its border belong to a thing in front of it."""
    away = [cv2.distanceTransform((~thing.mask).astype(np.uint8), cv2.DIST_L2, 5) for thing in things]
    hidden = [np.zeros(len(border), bool) for border in borders]
    for k in range(len(things)):
        for j in range(k):
            first, second = _common(borders[k], away[j], scale), _common(borders[j], away[k], scale)
            if first.sum() < 4 or second.sum() < 4:
                continue
            behind, which = (k, first) if _in_front(borders[j], second, borders[k], first) else (j, second)
            hidden[behind] |= which
    return hidden


def _common(border: np.ndarray, away: np.ndarray, scale: float) -> np.ndarray:
    cells = np.round((border + 0.5) * scale - 0.5).astype(int)
    cells = np.clip(cells, 0, [away.shape[1] - 1, away.shape[0] - 1])
    return away[cells[:, 1], cells[:, 0]] < TOUCH


def _in_front(mine: np.ndarray, my_part: np.ndarray, other: np.ndarray, other_part: np.ndarray) -> bool:
    """Whether the first thing stands in front: its outline bulges far into the other's, as a cup's does into the saucer that it
    stands on, or else its foot is nearer to us, lower on the picture. A small bulge says less than the feet do: a pear's neck
    curves away from the jug behind it.
    """
    sag = _bulge(mine, my_part) - _bulge(other, other_part)
    if abs(sag) > SAG:
        return sag > 0
    return float(mine[:, 1].max()) > float(other[:, 1].max())


def _bulge(border: np.ndarray, part: np.ndarray) -> float:
    """How far the common stretch bulges away from the thing's own middle, as a share of its chord."""
    index = contours.longest_run(part)
    line = border[index]
    chord = line[-1] - line[0]
    length = float(np.hypot(*chord))
    if length < 1:
        return 0.0
    across = np.array([-chord[1], chord[0]]) / length
    outward = np.sign((line.mean(0) - border.mean(0)) @ across) or 1.0
    return float(outward * ((line - line[0]) @ across).mean() / length)
