"""Windows, doors and arched openings of one facade.

The facade is seen straight on (`rectify`), so that openings are upright rectangles. Rectangles are proposed by regions, by
pairs of lines and by likeness to those found already (`openings_candidates`), confirmed by their own four sides
(`openings_edges`), and those that repeat win over those that do not.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from featurediff.geometry import apply
from featurediff_architecture.openings_arched import Head, arched_box, head_at, head_line
from featurediff_architecture.openings_candidates import from_lines, from_regions, like
from featurediff_architecture.openings_doubts import out_of_row, shuttered, unclear
from featurediff_architecture.openings_edges import (
    Edges,
    cover,
    edges_of,
    is_panel,
    lopsided,
    lower_cover,
    refine,
    restless,
    side_strengths,
    stands_out,
    taller,
    uneven_beside,
    wall_around,
)
from featurediff_architecture.openings_rows import Periods, Row, aligned, families, missing_places, settled
from featurediff_architecture.openings_shutters import with_shutters
from featurediff_architecture.openings_sides import beyond_jamb, wall_sides
from featurediff_architecture.rectify import Rectified, rectify

LEAST_COVER = 0.72
LEAST_SIDE = 0.45
LONE_COVER = 0.9
WEAK_COVER = 0.6
# The inside differs from the wall by so much, CIELAB; the stones of a wall differ less.
STEP = 9.0
# By the usual opening's area: what repeats is no smaller than this, what stands alone no smaller than that.
SMALL_TWIN, SMALL_LONE = 0.2, 0.5
# No more boxes are looked at closely, which bounds the time on a wall full of texture.
MOST_TRIED = 120
# Wider than high, and higher than wide, at most.
WIDEST_SHAPE = 1.8
SLIMMEST = 9.0
# Sides are looked for within so many px; top and bottom of a pair of lines within this share of its height.
REACH = 4.0
UPRIGHT = 0.15
# A top that stands on an edge so well is flat.
FLAT_TOP = 0.9
# A door is at least so much taller than wide; it ends within this share of its height over the ground.
DOOR_SHAPE = 1.2
ON_GROUND = 0.12
# The wall around is calmer than the sides are strong, by this factor.
CALM = 0.6
# A window between its two shutters is so much surer.
SHUTTERED = 1.15
# An opening is at least this share of the facade's long side wide and high.
SMALLEST = 0.015
SHUTTERS = "they can't be told from what stands beside them, as shutters do"
# An opening is at least this share of the picture's long side wide and high there; what is smaller can't be judged.
LEAST_SHOWN = 0.0115
# A usual lens: its focal length by the picture's longer side; where the wall is seen squarely is known to this angle, radians.
FOCAL, UNSURE = 1.1, 0.12
# A window stands back in the wall by this share of its width at most.
DEEPEST = 0.5
# The jamb of a single opening is looked for when its sides are as clear as this.
CLEAR = 0.95


@dataclass(frozen=True, eq=False)
class Opening:
    """One opening of a facade, in px of the picture.

    ``outline`` (n, 2), closed: top left, top right, bottom right, bottom left for a rectangle; an arched one
    runs from its left springing over the crown to the right springing, then down its sides. ``kind``: "window", "door" or
    "arch". ``box``: left, top, right, bottom in px of the facade seen straight on, whose width and height are each true up to
    one factor. ``score`` 0..1: how much of its outline stands on edges. ``corners`` (4, 2): the box's corners.
    """

    outline: np.ndarray
    kind: str
    box: tuple[float, float, float, float]
    score: float
    corners: np.ndarray


def find_openings(
    pixels: np.ndarray, segments: np.ndarray, across: np.ndarray, up: np.ndarray, region: np.ndarray | None = None
) -> tuple[Opening, ...]:
    """Windows, doors and arched openings of a facade plane, from top to bottom, then left to right.

    See `survey`, whose ``openings`` these are.
    """
    return survey(pixels, segments, across, up, region).openings


@dataclass(frozen=True, eq=False)
class Survey:
    """What is found on one facade, from top to bottom, then left to right. ``doubt``: why windows are left out, or ""."""

    openings: tuple[Opening, ...] = ()
    doubt: str = ""


def survey(
    pixels: np.ndarray, segments: np.ndarray, across: np.ndarray, up: np.ndarray, region: np.ndarray | None = None
) -> Survey:
    """Windows, doors and arched openings of a facade plane, and why some are left out.

    ``pixels`` (h, w, 3) uint8 RGB; ``segments`` (n, 4) px, straight edges of that picture; ``across`` and ``up`` (3,) the
    homogeneous vanishing points of the plane's levels and verticals; ``region`` (m, 2) px, the facade's outline, or None for
    the whole picture. Nothing when the plane is seen too flatly, or has none.
    """
    try:
        flat = rectify(pixels, across, up, region)
    except ValueError:
        return Survey()
    edges = edges_of(flat.pixels)
    found, every = find_boxes(edges, flat, _flat_segments(segments, flat))
    found = at_the_wall(edges, flat, found, across, pixels.shape)
    sure, doubt = without_doubtful(edges, found, every, flat.inside)
    sure = sorted(sure, key=lambda f: (round(f.box[1] / 20), f.box[0]))
    named = zip(sure, kinds_of(sure, flat.inside), strict=True)
    openings = (_opening(flat, f, kind) for f, kind in named)
    least = LEAST_SHOWN * max(pixels.shape[:2])
    return Survey(tuple(o for o in openings if np.ptp(o.outline, axis=0).min() >= least), doubt)


def without_doubtful(edges: Edges, found: list[Found], every: np.ndarray, inside: np.ndarray) -> tuple[list[Found], str]:
    """Those that are sure, and the reason why others are not, or ""; ``every`` (m, 4): all boxes that stood on edges."""
    if not found:
        return found, ""
    boxes = np.array([f.box for f in found])
    standing = np.array([_stands(f, found, inside) for f in found])
    uneven = uneven_beside(edges, boxes)
    doubtful = shuttered(boxes, every, families(boxes), uneven) & ~standing
    bad = unclear(uneven, np.array([f.score for f in found])) & ~standing
    if doubtful.sum() > len(found) / 2:
        return [], SHUTTERS
    left = [k for k in range(len(found)) if not doubtful[k] and not bad[k]]
    if left:
        wrong = out_of_row(boxes[left], families(boxes[left]), standing[left])
        left = [k for k, bad in zip(left, wrong, strict=True) if not bad]
    return [found[k] for k in left], SHUTTERS if doubtful.sum() > 1 else ""


def jamb_shares(across: np.ndarray, shape: tuple[int, ...], x: np.ndarray) -> np.ndarray:
    """(n,) how much of an opening's width its jamb can cover at most for openings at ``x`` (n,) px of the picture: positive
    where the right jamb shows, negative for the left one, 0 where the wall is seen about squarely.

    The angle to the wall's normal, for a lens of a usual angle (`FOCAL`) whose axis meets the picture's middle; a wall is no
    deeper than `DEEPEST` widths of a window.
    """
    focal, middle = FOCAL * max(shape[:2]), (shape[1] - 1) / 2
    away = across[0] - across[2] * middle
    # The normal is square to the levels' direction (away, ., focal * across[2]).
    normal = np.arctan2(-focal * across[2] * np.sign(away or 1.0), abs(away))
    angle = np.clip(np.arctan((x - middle) / focal) - normal, -1.4, 1.4)
    return np.where(np.abs(angle) < UNSURE, 0.0, DEEPEST * np.tan(angle))


def at_the_wall(edges: Edges, flat: Rectified, found: list[Found], across: np.ndarray, shape: tuple[int, ...]) -> list[Found]:
    """Those found with their sides where the wall ends, each row by itself; see `openings_sides.wall_sides`. Single ones keep
    their heights."""
    if not found:
        return found
    boxes = np.array([f.box for f in found])
    middle = apply(flat.to_picture, (boxes[:, :2] + boxes[:, 2:]) / 2)[:, 0]
    shares = jamb_shares(np.asarray(across, float), shape, middle)
    moved = list(found)
    for family in families(boxes):
        own = boxes[family]
        head = found[family[0]].head
        if len(family) < 2:
            k = family[0]
            if head is None and found[k].score > CLEAR:
                moved[k] = replace(found[k], box=beyond_jamb(edges, own, shares[family])[0])
            continue
        rise = (head.springing - head.crown) / (own[0, 3] - own[0, 1]) if head else 0.0
        sided, low_arc = wall_sides(edges, own, shares[family], rise)
        for k, box in zip(family, sided, strict=True):
            old = found[k]
            head = Head("segmental", box[1] + low_arc, box[1], old.score, old.strength) if low_arc else old.head
            moved[k] = replace(old, box=box, head=head)
    return moved


def _flat_segments(segments: np.ndarray, flat: Rectified) -> np.ndarray:
    """Segments (n, 4) in px of the facade seen straight on; those that leave it are dropped."""
    segments = np.asarray(segments, float).reshape(-1, 4)
    if len(segments) == 0:
        return segments
    to_flat = np.linalg.inv(flat.to_picture)
    both = segments.reshape(-1, 2)
    weight = both @ to_flat[2, :2] + to_flat[2, 2]
    mapped = apply(to_flat, both)
    size = np.array([flat.pixels.shape[1], flat.pixels.shape[0]])
    good = (weight > 0) & (mapped > -5).all(1) & (mapped < size + 5).all(1)
    return mapped.reshape(-1, 4)[good.reshape(-1, 2).all(1)]


@dataclass(frozen=True, eq=False)
class Found:
    """A confirmed rectangle: ``box`` (left, top, right, bottom), its top the crown where it has a ``head``; ``score`` 0..1.
    ``unlike``: `openings_edges.wall_around` and `openings_edges.lopsided` together. ``strength``: colour change across its
    sides, CIELAB per px."""

    box: np.ndarray
    score: float
    head: Head | None = None
    unlike: float = 0.0
    strength: float = 1.0


def find_boxes(edges: Edges, flat: Rectified, segments: np.ndarray) -> tuple[list[Found], np.ndarray]:
    """The openings' rectangles in px of the facade seen straight on, and all boxes (m, 4) that stood on edges, but for
    shutters known as such."""
    periods = Periods(edges, flat.inside)
    found = confirm(edges, flat, from_regions(edges.lab, flat.inside), periods)
    found += confirm(edges, flat, from_lines(segments, edges.size), periods, UPRIGHT)
    for _ in range(2):
        found += confirm(edges, flat, joined(np.array([f.box for f in found]).reshape(-1, 4)), periods, UPRIGHT / 2)
    higher = [box for box in (taller(edges, f.box) for f in choose(found)) if box is not None]
    found += confirm(edges, flat, np.array(higher).reshape(-1, 4), periods)
    every = np.array([f.box for f in found]).reshape(-1, 4)
    windows, shutters = with_shutters(edges, every)
    # A window is known by the two shutters beside it; they themselves are no openings, and put no other in doubt.
    clear = [replace(f, score=min(1.0, f.score * SHUTTERED)) if here else f for f, here in zip(found, windows, strict=True)]
    clear = [f for f, shutter in zip(clear, shutters, strict=True) if not shutter]
    every = every[~shutters]
    found = in_rows(edges, flat, _spread(edges, flat, choose(clear), periods), periods)
    return _trusted([f for f in found if not _between(f.box, every)]), every


def in_rows(edges: Edges, flat: Rectified, found: list[Found], periods: Periods) -> list[Found]:
    """Those found, each row of one size settled together, with what is missing in it where most of its sides show."""
    if not found:
        return found
    boxes = np.array([f.box for f in found])
    settled_ones: list[Found] = []
    for family in families(boxes):
        own = [found[k] for k in family]
        settled_ones += _row_of(edges, flat, own, boxes, periods) if len(own) > 1 else own
    return choose(settled_ones)


def _row_of(edges: Edges, flat: Rectified, own: list[Found], others: np.ndarray, periods: Periods) -> list[Found]:
    """The boxes ``own`` of one family, settled, and more of their size where ``others`` (n, 4) or the period hint at one."""
    arched = [f for f in own if f.head is not None]
    heads = 2 * len(arched) > len(own)
    row = aligned(edges, settled(edges, np.array([f.box for f in own]), heads))
    rise = float(np.median([f.head.springing - f.head.crown for f in arched])) if heads else 0.0
    kept = [_as_in_row(edges, box, rise, f.score) for f, box in zip(own, row.boxes(), strict=True)]
    middle = (others[:, 1] + others[:, 3]) / 2
    beside = others[(middle > row.top) & (middle < row.bottom)]
    same = np.abs(np.log((others[:, 2] - others[:, 0]) / row.wide)) < 0.25
    hints = np.concatenate([(beside[:, 0] + beside[:, 2] - row.wide) / 2, others[same, 0]])
    larger = others[(others[:, 2:] - others[:, :2]).prod(1) > 1.3 * row.wide * (row.bottom - row.top)]
    tried = missing_places(row, edges.size[0] - row.wide - 2.0, hints, periods.at(row.top, row.bottom))
    if len(tried):
        for box in aligned(edges, Row(tried, row.wide, row.top, row.bottom), max(6.0, 0.12 * row.wide)).boxes():
            new = _as_in_row(edges, box, rise)
            taken = any(_overlap(box, other) > 0.3 for other in larger)
            if new is not None and not taken and _within(flat, box) and stands_out(edges, box[None])[0] > STEP:
                kept.append(new)
    return [f for f in kept if f is not None]


def _as_in_row(edges: Edges, box: np.ndarray, rise: float, score: float | None = None) -> Found | None:
    """A box as a member of its row, with an arched head where the row's ``rise`` is not 0. Without a ``score`` of its own it
    must show most of its sides, or it is None."""
    shares, head = cover(edges, box), None
    if rise > 0:
        head = head_at(edges, box, rise)
        shares[1] = head.cover
        sides = lower_cover(edges, box)
        shares[[0, 2]] = np.maximum(shares[[0, 2]], sides)
    if score is None and ((shares > LEAST_SIDE).sum() < 3 or shares.mean() < WEAK_COVER):
        return None
    strength = float(np.median(side_strengths(edges, box)))
    return Found(box, max(float(shares.mean()), score or 0.0), head, _unlike_wall(edges, box, head), strength)


def _unlike_wall(edges: Edges, box: np.ndarray, head: Head | None) -> float:
    return wall_around(edges, box, head.springing if head else None) + float(lopsided(edges, box[None])[0])


def _unlike(boxes: np.ndarray, apart: float) -> np.ndarray:
    """One of each set of boxes whose sides all agree within about ``apart`` px."""
    if len(boxes) == 0:
        return boxes
    _, first = np.unique(np.round(boxes / apart).astype(int), axis=0, return_index=True)
    return boxes[np.sort(first)]


def confirm(edges: Edges, flat: Rectified, boxes: np.ndarray, periods: Periods, upright: float = 0.0) -> list[Found]:
    """The boxes that stand on edges on all four sides, refined; see `openings_edges.refine` for ``upright``."""
    boxes = _unlike(boxes, 3.0)
    boxes = boxes[_shaped(edges, boxes)]
    step = stands_out(edges, boxes)
    boxes = boxes[np.argsort(-step)[: min(int((step > STEP).sum()), MOST_TRIED)]]
    fine = [refine(edges, box, REACH, upright) for box in boxes]
    fine = _unlike(np.array(fine).reshape(-1, 4), 1.0)
    fine = fine[_shaped(edges, fine)]
    found = (_confirmed(edges, flat, box, periods) for box in fine[stands_out(edges, fine) > STEP] if _within(flat, box))
    return [f for f in found if f is not None]


def _shaped(edges: Edges, boxes: np.ndarray) -> np.ndarray:
    """(n,) True for boxes of a size and a shape that openings have; a slanting view makes them narrower still, never wider."""
    wide, high = boxes[:, 2] - boxes[:, 0], boxes[:, 3] - boxes[:, 1]
    return (np.minimum(wide, high) >= SMALLEST * max(edges.size)) & (wide <= WIDEST_SHAPE * high) & (high <= SLIMMEST * wide)


def _confirmed(edges: Edges, flat: Rectified, box: np.ndarray, periods: Periods) -> Found | None:
    """A refined box with its score and head, or None when it is no opening."""
    if not periods.fits(box):
        return None
    shares, head = cover(edges, box), None
    if shares[1] < FLAT_TOP and shares[3] > LEAST_SIDE and lower_cover(edges, box).min() > LEAST_SIDE:
        arched = arched_box(edges, box)
        if arched is not None and arched[2].mean() > shares.mean() and _within(flat, arched[0]):
            box, head, shares = arched
    if shares.mean() < LEAST_COVER or shares.min() < LEAST_SIDE:
        return None
    strength = float(np.median(side_strengths(edges, box)))
    if restless(edges, box) > CALM * strength or is_panel(edges, box):
        return None
    return Found(box, float(shares.mean()), head, _unlike_wall(edges, box, head), strength)


def _within(flat: Rectified, box: np.ndarray) -> bool:
    """True when the whole box lies on what is seen of the facade."""
    height, width = flat.inside.shape
    x = [min(max(round(float(box[k])), 0), width - 1) for k in (0, 2)]
    y = [min(max(round(float(box[k])), 0), height - 1) for k in (1, 3)]
    return all(bool(flat.inside[row, column]) for row in y for column in x)


def joined(boxes: np.ndarray, gap: float = 0.2, off: float = 5.0) -> np.ndarray:
    """(k, 4) boxes around two of ``boxes`` that stand flush, one above or beside the other, with a bar between them."""
    found = []
    for along, across in ((1, 0), (0, 1)):
        size = boxes[:, along + 2] - boxes[:, along]
        low, high = boxes[:, across], boxes[:, across + 2]
        flush = (np.abs(low[:, None] - low) < off) & (np.abs(high[:, None] - high) < off)
        between = boxes[None, :, along] - boxes[:, None, along + 2]
        near = (between > -off) & (between < np.maximum(gap * np.minimum(size[:, None], size), off))
        first, second = np.nonzero(flush & near)
        found.append(np.column_stack([boxes[first, :2], boxes[second, 2:]]))
    return np.vstack(found)


def alike(boxes: np.ndarray, tolerance: float = 0.1) -> np.ndarray:
    """(n, n) bool: boxes of about the same size that share a storey or a column."""
    width, height = boxes[:, 2] - boxes[:, 0], boxes[:, 3] - boxes[:, 1]
    same = (np.abs(np.log(width[:, None] / width)) < tolerance) & (np.abs(np.log(height[:, None] / height)) < tolerance)
    level = np.abs(boxes[:, None, 1] - boxes[:, 1]) < tolerance * height
    above = np.abs(boxes[:, None, 0] - boxes[:, 0]) < tolerance * width
    return same & (level | above)


def choose(found: list[Found], overlap: float = 0.2) -> list[Found]:
    """Those that stay when no two may overlap: well covered ones, repeated ones, larger ones first."""
    if not found:
        return found
    boxes = np.array([f.box for f in found])
    area = (boxes[:, 2] - boxes[:, 0]) * (boxes[:, 3] - boxes[:, 1])
    own = np.array([f.score**2 * f.strength**0.5 / (1 + f.unlike) for f in found])
    worth = own * (1 + 0.25 * np.log2(np.minimum(siblings_of(boxes), 16))) * area**0.3
    worth = np.where(_contained(boxes, area, own), 0.3 * worth, worth)
    # What is alike stands or falls together.
    friends = alike(boxes)
    worth = friends @ worth / friends.sum(1)
    kept: list[int] = []
    for index in np.argsort(-worth):
        if all(_overlap(boxes[index], boxes[k]) < overlap and not _flush(boxes[index], boxes[k]) for k in kept):
            kept.append(int(index))
    return [found[k] for k in kept]


def _contained(boxes: np.ndarray, area: np.ndarray, own: np.ndarray) -> np.ndarray:
    """(n,) True for panes: boxes that lie within a larger one that is about as good by itself (``own``)."""
    within = (boxes[:, None, :2] > boxes[None, :, :2] - 4).all(2) & (boxes[:, None, 2:] < boxes[None, :, 2:] + 4).all(2)
    larger = area[None, :] > 1.5 * area[:, None]
    good = own[None, :] > 0.75 * own[:, None]
    return (within & larger & good).any(1)


def siblings_of(boxes: np.ndarray) -> np.ndarray:
    """(n,) for each box, at how many places alike ones stand, its own included; several finds of one place count once."""
    centre = np.round((boxes[:, :2] + boxes[:, 2:]) / 2 / 8).astype(int)
    key = centre[:, 0] * 100_003 + centre[:, 1]
    return np.array([len(np.unique(key[row])) for row in alike(boxes)])


def _flush(a: np.ndarray, b: np.ndarray, gap: float = 4.0) -> bool:
    """True when one ends where the other begins, at one height: not two openings, but one and what is between it and the next."""
    high = min(a[3], b[3]) - max(a[1], b[1])
    beside = min(abs(a[0] - b[2]), abs(a[2] - b[0])) < gap
    return bool(beside and high > 0.7 * min(a[3] - a[1], b[3] - b[1]))


def _between(box: np.ndarray, others: np.ndarray, gap: float = 5.0) -> bool:
    """True when others of the same height stand flush on both sides of ``box``: which of such a chain of panes, or of windows
    and their shutters, are the windows is not known."""
    slack = max(0.05 * (box[3] - box[1]), gap)
    level = others[(np.abs(others[:, 1] - box[1]) < slack) & (np.abs(others[:, 3] - box[3]) < slack)]
    return bool((np.abs(level[:, 2] - box[0]) < gap).any() and (np.abs(level[:, 0] - box[2]) < gap).any())


def _overlap(a: np.ndarray, b: np.ndarray) -> float:
    """Shared area over the smaller one's."""
    wide = min(a[2], b[2]) - max(a[0], b[0])
    high = min(a[3], b[3]) - max(a[1], b[1])
    if wide <= 0 or high <= 0:
        return 0.0
    return wide * high / min((a[2] - a[0]) * (a[3] - a[1]), (b[2] - b[0]) * (b[3] - b[1]))


def _spread(edges: Edges, flat: Rectified, found: list[Found], periods: Periods, seeds: int = 5) -> list[Found]:
    """Those found, and more found by their likeness."""
    sizes: list[np.ndarray] = []
    more = list(found)
    for seed in found:
        size = np.log(seed.box[2:] - seed.box[:2])
        if any(np.abs(size - known).max() < 0.12 for known in sizes):
            continue
        sizes.append(size)
        if len(sizes) > seeds:
            break
        more += confirm(edges, flat, like(edges.lab, seed.box), periods)
    return choose(more)


def _trusted(found: list[Found]) -> list[Found]:
    """Those that repeat, and single ones that are large and whole enough; neither much smaller than usual."""
    if not found:
        return found
    boxes = np.array([f.box for f in found])
    siblings = siblings_of(boxes)
    area = (boxes[:, 2] - boxes[:, 0]) * (boxes[:, 3] - boxes[:, 1])
    usual = np.median(np.repeat(area, siblings))
    single = np.array([f.score for f in found]) >= LONE_COVER
    least = np.where(siblings >= 2, SMALL_TWIN, np.where(single, SMALL_LONE, np.inf)) * usual
    return [f for f, a, low in zip(found, area, least, strict=True) if a >= low]


def kinds_of(found: list[Found], inside: np.ndarray) -> list[str]:
    """ "window", "door" or "arch" for each: a door stands on the ground and is taller than wide; arches are two or more arched
    ones that stand there. ``inside`` (h, w) bool is the facade's area, whose lower end is the ground."""
    standing = [_stands(f, found, inside) for f in found]
    arched = sum(1 for f, on in zip(found, standing, strict=True) if on and f.head is not None)
    kinds = []
    for f, on in zip(found, standing, strict=True):
        wide, high = f.box[2:] - f.box[:2]
        if on and f.head is not None and arched > 1:
            kinds.append("arch")
        else:
            kinds.append("door" if on and high > DOOR_SHAPE * wide else "window")
    return kinds


def _stands(f: Found, found: list[Found], inside: np.ndarray) -> bool:
    """True for an opening that reaches the ground, or clearly lower than those beside it, with nothing below."""
    left, top, right, bottom = f.box
    if any(o.box[1] > bottom - 3 and min(o.box[2], right) > max(o.box[0], left) for o in found):
        return False
    column = inside[:, int(np.clip(round((left + right) / 2), 0, inside.shape[1] - 1))]
    ground = int(np.flatnonzero(column)[-1]) if column.any() else inside.shape[0]
    if ground - bottom < ON_GROUND * (bottom - top):
        return True
    beside = [o.box for o in found if o is not f and top < (o.box[1] + o.box[3]) / 2 < bottom]
    return bool(beside) and bottom > np.median([b[3] + 0.25 * (b[3] - b[1]) for b in beside])


def _opening(flat: Rectified, found: Found, kind: str) -> Opening:
    left, top, right, bottom = (float(v) for v in found.box)
    corners = apply(flat.to_picture, np.array([[left, top], [right, top], [right, bottom], [left, bottom]]))
    if found.head is None:
        return Opening(corners, kind, (left, top, right, bottom), found.score, corners)
    head = head_line(found.head.shape, left, right, found.head.springing, top, 17)
    outline = apply(flat.to_picture, np.vstack([head, [[right, bottom], [left, bottom]]]))
    return Opening(outline, kind, (left, top, right, bottom), found.score, corners)
