"""What the landmark mesh lacks, taken from the picture: hair outline, hairline, ears, neck, shoulders.

All in frame px, the head upright. What can't be had clearly is returned as a reason, never guessed.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from featurediff.geometry import normals, resample
from featurediff_faces import colours, topology
from featurediff_faces.colours import ColourModel
from featurediff_faces.features import STEP
from featurediff_faces.frame import PUPILS, Frame
from featurediff_faces.refine import blur, sample_profiles, snap
from featurediff_faces.regions import boundary
from featurediff_faces.silhouette import contour

FAR_TURN = 25.0  # degrees of turn from which the far ear is hidden
CLEAR_EDGE = 8.0  # L*a*b* difference between the two sides of an outline that counts as seen
CLEAR_CHANGE = 0.8


@dataclass(frozen=True)
class Piece:
    """A curve found in the picture: ``points`` (n, 2) frame px; ``sigma`` in pupil distances; named ``anchors`` (indices)."""

    points: np.ndarray
    sigma: float
    anchors: dict[str, int] = field(default_factory=dict)


@dataclass(frozen=True)
class Outline:
    """Pieces by plain name ("hair outline", "ear on the left"), reasons for what is missing, and the crown's height.

    ``crown`` is the y of the head's top in frame px, or None. ``bald``: no hair above the forehead.
    """

    pieces: dict[str, Piece]
    missing: dict[str, str]
    crown: float | None
    skin: ColourModel
    bald: bool = False


def find_outline(frame: Frame, mask: np.ndarray | None) -> Outline:
    """All pieces around the face. ``mask`` (s, s) bool: the silhouette, or None when there is none."""
    skin = colours.skin_model(frame)
    pieces: dict[str, Piece] = {}
    missing: dict[str, str] = {}
    if mask is None:
        for name in (
            "hair outline",
            "hairline",
            *(f"{what} on the {s}" for what in ("ear", "neck", "shoulder") for s in ("left", "right")),
        ):
            missing[name] = "the figure could not be told from the background"
        return Outline(pieces, missing, None, skin)
    above = colours.above_the_face(frame, mask)
    bald = len(above) < 150 or np.median(skin.distance(above)) < 6.0
    hair = None if bald else colours.fit(above, 0.8 * colours.LEAST_SPREAD)
    edge = contour(mask)
    crown = _hair_outline(frame, edge, skin, hair, pieces, missing)
    _hairline(frame, mask, skin, hair, pieces, missing, len(above))
    for side in ("left", "right"):
        _ear(frame, mask, skin, hair, side, pieces, missing)
        _neck(frame, edge, skin, hair, side, pieces, missing)
        _shoulder(frame, mask, edge, side, pieces, missing)
    return Outline(pieces, missing, crown, skin, bald)


# ---------------------------------------------------------------- silhouette pieces


def _seen(frame: Frame, points: np.ndarray) -> np.ndarray:
    """(n,) bool: the two sides of the outline differ clearly at each point (smoothed along it)."""
    at = np.array([-0.06, -0.045, -0.03, 0.03, 0.045, 0.06]) * PUPILS
    profile = sample_profiles(frame.lab, points, normals(points), at)
    apart = np.linalg.norm(profile[:, :3].mean(1) - profile[:, 3:].mean(1), axis=1)
    width = max(min(15, len(apart) // 3), 1)
    return np.convolve(np.pad(apart, width // 2, mode="edge"), np.ones(width) / width, "valid")[: len(apart)] >= CLEAR_EDGE


def _longest_run(good: np.ndarray) -> slice:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], good.astype(int), [0]])))
    if not len(edges):
        return slice(0, 0)
    starts, ends = edges[::2], edges[1::2]
    best = int(np.argmax(ends - starts))
    return slice(int(starts[best]), int(ends[best]))


def _at_border(frame: Frame, points: np.ndarray, margin: float = 3.0) -> np.ndarray:
    """(n,) bool: within a few px of where the picture, or the working copy, ends."""
    size = frame.inside.shape[0]
    out = np.zeros(len(points), bool)
    for dx, dy in ((margin, 0), (-margin, 0), (0, margin), (0, -margin)):
        at = np.round(points + np.array([dx, dy])).astype(int)
        beyond = (at < 0).any(1) | (at >= size).any(1)
        at = at.clip(0, size - 1)
        out |= beyond | ~frame.inside[at[:, 1], at[:, 0]]
    return out


def _hair_outline(frame, edge, skin, hair, pieces, missing) -> float | None:
    """The outline of hair (or of a bald head) from above one ear over the crown to above the other."""
    face = frame.face
    both = topology.picture_sides(face.points)
    middle = face.points[topology.TOP_OF_MESH, 0]
    ear_level = np.mean([face.points[side.outer_corner, 1] for side in both.values()])
    # Hair is followed down as far as it goes; the outline of a bald head to where the ears begin.
    low = ear_level + 0.05 * PUPILS if hair is None else face.points[topology.CHIN, 1] + 0.6 * PUPILS
    name = "hair outline"
    upper = edge[:, 1] < low
    if not upper.any():
        missing[name] = "it could not be told from the background"
        return None
    # The contour runs clockwise: from the left side up over the crown and down the right side.
    start = int(np.argmax(~upper & np.roll(upper, -1)))
    rolled, up = np.roll(edge, -start - 1, axis=0), np.roll(upper, -start - 1)
    runs, begin = [], None
    for i, flag in enumerate([*up, False]):
        if flag and begin is None:
            begin = i
        elif not flag and begin is not None:
            runs.append(rolled[begin:i])
            begin = None
    over = [run for run in runs if run[:, 0].min() < middle < run[:, 0].max()]
    if not over:
        missing[name] = "it could not be told from the background"
        return None
    points = resample(max(over, key=len), STEP * PUPILS)
    cut = _at_border(frame, points, 0.05 * PUPILS)
    top = int(np.argmin(points[:, 1]))
    if cut[max(top - 3, 0) : top + 4].any():
        missing[name] = "the top of the head is cut off by the picture's edge"
        return None
    snapped = snap(frame.lab, points, PUPILS, reach=0.06, pull=0.4, stiffness=0.2)
    points = snapped.points
    seen = _seen(frame, points) & ~cut
    run = _longest_run(seen)
    own = slice(0, len(points)) if hair is None else _while_hair(frame, points, skin, hair, ear_level)
    kept = slice(max(run.start, own.start), min(run.stop, own.stop))
    long_enough = kept.stop - kept.start >= max(0.35 * (own.stop - own.start), 2)
    if not long_enough or not seen[max(top - 8, 0) : top + 9].mean() > 0.5:
        what = "the head" if hair is None else "the hair"
        missing[name] = f"{what} can't be told from the background"
        return None
    points = points[kept]
    crown = int(np.argmin(points[:, 1]))
    pieces[name] = Piece(points, 0.01, {"crown": crown})
    return float(points[crown, 1])


def _while_hair(frame: Frame, points: np.ndarray, skin: ColourModel, hair: ColourModel, ear_level: float) -> slice:
    """The stretch of the outline on either side of the crown whose inner side is hair: it ends at an ear, cheek or shoulder."""
    inward = normals(points)
    middle = frame.face.points[topology.TOP_OF_MESH]
    crown = int(np.argmin(points[:, 1]))
    inward *= np.sign((middle - points[crown]) @ inward[crown]) or 1.0
    inner = sample_profiles(frame.lab, points, inward, np.array([0.04, 0.06, 0.08]) * PUPILS)
    bare = (colours.like_skin(inner, skin.mean) & (hair.distance(inner) > 6.0)).mean(1) > 0.5
    # Strands in the light may look like anything; only below the ears does another colour end the hair.
    other = (np.median(hair.distance(inner), axis=1) > 16.0) & (points[:, 1] > ear_level)
    # Higher up than ears reach, a patch that looks like skin is light on the hair.
    ends = (bare & (points[:, 1] > ear_level - 0.45 * PUPILS)) | other
    lasting = 6
    first, last = 0, len(points)
    for i in range(crown, lasting - 1, -1):
        if ends[i - lasting : i].all():
            first = i
            break
    for i in range(crown, len(points) - lasting):
        if ends[i : i + lasting].all():
            last = i
            break
    return slice(first, last)


def _hairline(frame, mask, skin, hair, pieces, missing, above_count) -> None:
    """Where the forehead's skin gives way to hair, seen along rays from between the brows."""
    name = "hairline"
    if hair is None:
        missing[name] = (
            "there is no hair above the forehead" if above_count >= 150 else "the top of the head is not in the picture"
        )
        return
    points = frame.face.points
    origin = points[9]
    angles = np.radians(np.arange(-62, 63, 2.0))
    directions = np.column_stack([np.sin(angles), -np.cos(angles)])
    both = topology.sides()
    brows = np.vstack([points[list(side.brow_top)] for side in both.values()])
    start = np.full(len(angles), 0.12 * PUPILS)
    for i, direction in enumerate(directions):
        offset = brows - origin
        beside = np.abs(offset @ np.array([-direction[1], direction[0]])) < 0.12 * PUPILS
        if beside.any():
            start[i] = max(start[i], (offset[beside] @ direction).max() + 0.10 * PUPILS)
    origins = np.tile(origin, (len(angles), 1))
    steps = np.arange(0, 2.6 * PUPILS, 2.0)
    rays = origins[:, None] + steps[None, :, None] * directions[:, None]
    at = np.round(rays).astype(int).clip(0, mask.shape[0] - 1)
    inside = np.logical_and.accumulate(mask[at[..., 1], at[..., 0]], axis=1)
    reach = np.maximum(np.minimum(inside.sum(1) * 2.0, start + 1.6 * PUPILS), start + 6.0)
    found = boundary(frame.lab, origins, directions, start, reach, skin, hair, 0.012 * PUPILS, 0.15 * PUPILS, 0.05)
    distance = np.hypot(*(found.points - origins).T)
    good = (found.clear > CLEAR_CHANGE) & (distance < reach - 0.04 * PUPILS) & (distance > start + 0.02 * PUPILS)
    run = _longest_run(_close_gaps(good, 3))
    if run.stop - run.start < 14:
        missing[name] = "hair and forehead can't be told apart"
        return
    # A lone ray on a strand of hair must not put a spike into the line.
    steady = _median(distance, 5)
    line = resample((origins + steady[:, None] * directions)[run], STEP * PUPILS)
    snapped = snap(frame.lab, line, PUPILS, reach=0.05, pull=0.4)
    line = snapped.points if snapped.found else line
    middle = int(np.argmin(np.abs(line[:, 0] - points[topology.TOP_OF_MESH, 0])))
    pieces[name] = Piece(line, 0.012 if snapped.found else 0.03, {"middle": middle})


def _median(values: np.ndarray, width: int) -> np.ndarray:
    padded = np.pad(values, width // 2, mode="edge")
    return np.median(np.lib.stride_tricks.sliding_window_view(padded, width), axis=1)


def _close_gaps(good: np.ndarray, longest: int) -> np.ndarray:
    closed = good.copy()
    i = 0
    while i < len(good):
        if not good[i]:
            j = i
            while j < len(good) and not good[j]:
                j += 1
            if i > 0 and j < len(good) and j - i <= longest:
                closed[i:j] = True
            i = j
        else:
            i += 1
    return closed


# ---------------------------------------------------------------- ears


def _ear(frame, mask, skin, hair, side_name, pieces, missing) -> None:
    """Skin beside the cheek line, between brow and mouth level: the outer edge of an ear."""
    name = f"ear on the {side_name}"
    yaw = frame.face.yaw
    if abs(yaw) > FAR_TURN and (yaw > 0) == (side_name == "right"):
        missing[name] = "it is turned away from us"
        return
    points = frame.face.points
    side = topology.picture_sides(points)[side_name]
    outward = -1.0 if side_name == "left" else 1.0
    cheek = resample(points[list(side.cheek)], 2.0)
    top, bottom = points[side.outer_corner, 1] - 0.35 * PUPILS, points[side.mouth_corner, 1] + 0.05 * PUPILS
    rows = np.arange(top, bottom, STEP * PUPILS)
    order = np.argsort(cheek[:, 1])
    origins = np.column_stack([np.interp(rows, cheek[order, 1], cheek[order, 0]) + outward * 0.03 * PUPILS, rows])
    directions = np.tile([outward, 0.0], (len(rows), 1))
    steps = np.arange(0, 0.75 * PUPILS, 1.0)
    at = np.round(origins[:, None] + steps[None, :, None] * directions[:, None]).astype(int).clip(0, mask.shape[0] - 1)
    figure = mask[at[..., 1], at[..., 0]]
    beside = frame.lab[at[..., 1], at[..., 0]]
    skinny = colours.like_skin(beside, skin.mean) & figure
    if hair is not None:
        skinny &= hair.distance(beside) > 6.0
    # The run of skin that begins at the cheek; the dark fold in front of the ear may interrupt it.
    extent = np.zeros(len(rows))
    for i, row in enumerate(skinny):
        last, gap = -1, 0
        for j, flag in enumerate(row):
            gap = 0 if flag else gap + 1
            if flag:
                last = j
            elif gap > 0.07 * PUPILS:
                break
        extent[i] = (last + 1) * 1.0
    if _at_border(frame, origins + extent[:, None] * directions).mean() > 0.3:
        missing[name] = "it is cut off by the picture's edge"
        return
    good = (extent > 0.07 * PUPILS) & (extent < 0.7 * PUPILS)
    run = _longest_run(_close_gaps(good, 3))
    length = (run.stop - run.start) * STEP
    if length < 0.3:
        missing[name] = "hair covers it, or it can't be told from what is behind it"
        return
    line = np.column_stack([origins[run, 0] + outward * extent[run], rows[run]])
    # An ear's edge is one smooth line; patches of light on hair are not.
    if (np.abs(np.diff(line[:, 0])) > 0.06 * PUPILS).mean() > 0.12:
        missing[name] = "hair covers it, or it can't be told from what is behind it"
        return
    line[:, 0] = np.convolve(np.pad(line[:, 0], 4, mode="edge"), np.ones(9) / 9, "valid")
    snapped = snap(frame.lab, line, PUPILS, reach=0.06, pull=0.3, stiffness=0.15)
    if not snapped.found:
        missing[name] = "its edge can't be told from what is behind it"
        return
    seen = _seen(frame, snapped.points)
    if seen.mean() < 0.6:
        missing[name] = "its edge can't be told from what is behind it"
        return
    ends = {"lobe": len(line) - 1}
    if length > 0.7:
        ends["top"] = 0
    pieces[name] = Piece(snapped.points, 0.025, ends)


# ---------------------------------------------------------------- neck and shoulders


def _neck(frame, edge, skin, hair, side_name, pieces, missing) -> None:
    """The silhouette beside the neck, where skin reaches it; hair or a collar in front of it is no neck."""
    name = f"neck on the {side_name}"
    points = frame.face.points
    both = topology.picture_sides(points)
    chin = points[topology.CHIN]
    outward = -1.0 if side_name == "left" else 1.0
    below = int(min(chin[1] + 0.25 * PUPILS, frame.inside.shape[0] - 1))
    if not frame.inside[below, int(np.clip(chin[0], 0, frame.inside.shape[1] - 1))]:
        missing[name] = "it is not in the picture"
        return
    # The neck stands between the jaw corners, not under the chin, when the head is turned.
    middle = float(np.mean([points[side.jaw[-1], 0] for side in both.values()]))
    x, y, half = int(middle), int(chin[1]), int(0.2 * PUPILS)
    throat = frame.lab[y + int(0.12 * PUPILS) : y + int(0.22 * PUPILS), max(x - half, 0) : x + half]
    # The throat lies in the jaw's shadow: darker skin, of nearly the same hue.
    if not throat.size or colours.like_skin(throat, skin.mean, 0.2).mean() < 0.4:
        missing[name] = "clothes, hair or a beard cover it"
        return
    neck = colours.fit(np.vstack([throat.reshape(-1, 3)[::7], skin.mean[None], skin.mean[None]]), np.array([11.0, 3.0, 4.0]))
    line = _neck_silhouette(frame, edge, neck, hair, np.array([middle, chin[1]]), outward)
    if line is None:
        missing[name] = "hair covers it, or its edge can't be told from what is beside it"
        return
    pieces[name] = Piece(line, 0.012)


def _neck_silhouette(frame, edge, neck, hair, below, outward) -> np.ndarray | None:
    """The silhouette beside the neck, where what lies just inside it has the neck's colour; else None."""
    beside = (edge[:, 0] - below[0]) * outward
    level = edge[:, 1] - below[1]
    part = (level > -0.15 * PUPILS) & (level < 0.8 * PUPILS) & (beside > 0.35 * PUPILS) & (beside < 1.15 * PUPILS)
    run = _longest_run(part)
    if run.stop - run.start < 0.25 * PUPILS:
        return None
    line = resample(edge[run], STEP * PUPILS)
    line = snap(frame.lab, line, PUPILS, reach=0.05, pull=0.4).points
    inner = line[:, None, :] - outward * np.array([[0.06, 0.0], [0.1, 0.0], [0.14, 0.0]]) * PUPILS
    at = np.round(inner).astype(int).clip(0, frame.lab.shape[0] - 1)
    inner_colours = frame.lab[at[..., 1], at[..., 0]]
    like = neck.distance(inner_colours) < 14.0
    if hair is not None:
        like &= neck.distance(inner_colours) < hair.distance(inner_colours)
    like = (like.mean(1) > 0.5) & _neck_all_the_way(frame, line, neck, hair, below[0])
    # The outline runs clockwise, so a neck's side goes down on the right and up on the left.
    steep = outward * np.gradient(line[:, 1]) > 0.5 * np.abs(np.gradient(line[:, 0]))
    run = _longest_run(_close_gaps(like & steep & _seen(frame, line) & ~_at_border(frame, line), 3))
    return line[run] if (run.stop - run.start) * STEP > 0.25 else None


def _neck_all_the_way(frame, line, neck, hair, middle) -> np.ndarray:
    """(n,) bool: from the neck's middle to each point of the line nearly everything is neck, not hair."""
    share = np.linspace(0.15, 0.93, 14)[None, :]
    x = middle + share * (line[:, :1] - middle)
    at = np.round(np.stack([x, np.broadcast_to(line[:, 1:], x.shape)], axis=-1)).astype(int).clip(0, frame.lab.shape[0] - 1)
    between = frame.lab[at[..., 1], at[..., 0]]
    like = neck.distance(between) < 16.0
    if hair is not None:
        like &= neck.distance(between) < hair.distance(between)
    return like.mean(1) > 0.75


def _shoulder(frame, mask, edge, side_name, pieces, missing) -> None:
    """The silhouette from the neck outwards."""
    name = f"shoulder on the {side_name}"
    chin = frame.face.points[topology.CHIN]
    outward = -1.0 if side_name == "left" else 1.0
    beside = (edge[:, 0] - chin[0]) * outward
    part = (edge[:, 1] > chin[1] + 0.15 * PUPILS) & (beside > 0.9 * PUPILS) & ~_at_border(frame, edge, 4.0)
    run = _longest_run(part)
    if run.stop - run.start < 0.5 * PUPILS:
        missing[name] = "it is not in the picture"
        return
    line = resample(edge[run], STEP * PUPILS)
    snapped = snap(frame.lab, line, PUPILS, reach=0.06, pull=0.4, stiffness=0.2)
    # Clockwise, a shoulder runs to the right on either side, up to the neck and down from it; hair hangs steeper.
    slope = np.gradient(blur(snapped.points, 4.0, 0), axis=0)
    run = _longest_run(_close_gaps(_seen(frame, snapped.points) & (slope[:, 0] > 0.35 * np.abs(slope[:, 1])), 4))
    if (run.stop - run.start) * STEP < 0.4:
        missing[name] = "it can't be told from the background, or hair covers it"
        return
    pieces[name] = Piece(snapped.points[run], 0.03)
