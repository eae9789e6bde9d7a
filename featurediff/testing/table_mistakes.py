"""Typical mistakes of a still-life drawing as known moves of a rendered table.

Each function returns the `Warp` to draw with. Amounts are in mm on the paper, ``mm_per_px`` is the placement's; x to the right, y
down, turns clockwise. ``name`` is the thing's; None takes the one that shows the mistake best. A line that moves does so exactly,
and its neighbours' lines stay exactly, even where they run up to it: there they end a little early, or a little inside.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import cv2
import numpy as np

from featurediff.geometry import resample
from featurediff.testing.table.held import HeldTogether, HeldWarp
from featurediff.testing.table.scene import TableObject, TableScene
from featurediff.testing.warp import PointMove, Warp

Shift = Callable[[np.ndarray], np.ndarray]

STEP_PX = 3.0


def object_moved(scene: TableScene, mm_per_px: float, name: str | None = None, by: tuple[float, float] = (3.0, 0.0)) -> Warp:
    """A whole thing moved ``by`` mm; all else stays."""
    thing = _thing(scene, name, ("pear", "apple", "cup", "bowl"))
    return _whole(scene, thing, lambda points: np.tile(np.divide(by, mm_per_px), (len(points), 1)))


def object_scaled(scene: TableScene, mm_per_px: float, name: str | None = None, factor: float = 1.06) -> Warp:
    """A whole thing ``factor`` times as large about its base; all else stays."""
    thing = _thing(scene, name, ("pear", "apple", "cup", "bowl"))
    return _whole(scene, thing, lambda points: (factor - 1) * (points - thing.base))


def gap_widened(scene: TableScene, mm_per_px: float, name: str | None = None, other: str | None = None, mm: float = 3.0) -> Warp:
    """The gap between two things wider by ``mm``: the first moves away from the second, level. Negative amounts narrow it."""
    thing = _thing(scene, name, ("pear", "apple", "cup"))
    other_ = scene.object(other) if other else _nearest(scene, thing)
    way = 1.0 if _middle(thing)[0] > _middle(other_)[0] else -1.0
    return object_moved(scene, mm_per_px, thing.name, (way * mm, 0.0))


def axis_leaning(scene: TableScene, mm_per_px: float, name: str | None = None, degrees: float = 3.0) -> Warp:
    """A vessel sheared so that its axis leans ``degrees`` to the right; its foot stays, heights too. Its ellipses tip by less
    than half a degree for 3."""
    thing = _thing(scene, name, ("bottle", "vase", "jug"))
    foot = thing.axis[0]
    reach = max(float(thing.ellipses["foot"].outline[:, 1].max() - foot[1]), 1.0)

    def shift(points: np.ndarray) -> np.ndarray:
        up = foot[1] - points[:, 1]
        # Nothing moves below the foot's middle; the kink there is rounded over the foot's own height.
        t = np.clip(up / (2 * reach), 0, 1)
        lift = np.where(up > 2 * reach, up, 2 * reach * t**2 * (2 - t))
        return np.column_stack([math.tan(math.radians(degrees)) * lift, np.zeros(len(points))])

    return _whole(scene, thing, shift)


def side_out(scene: TableScene, mm_per_px: float, name: str | None = None, side: str | None = None, mm: float = 2.0) -> Warp:
    """One side of a vessel further out by ``mm`` at mid height, running out towards rim and foot; the other side stays. A
    handle or spout on that side goes with it. ``side``: "left" or "right"; None takes the freer one."""
    thing = _thing(scene, name, ("bottle", "vase", "jug", "cup"))
    side = side or _free_side(scene, thing)
    way = -1.0 if side == "left" else 1.0
    top, low = _rim_low(thing), float(thing.axis[0][1])
    middle = float(thing.axis[:, 0].mean())

    def shift(points: np.ndarray) -> np.ndarray:
        share = _bump(points[:, 1], top, 0.5 * (top + low), low)
        return np.column_stack([way * mm / mm_per_px * share, np.zeros(len(points))])

    lines = [n for n in thing.lines if f"{side} side" in n]
    attached = [n for n in thing.lines if ("handle" in n or "spout" in n) and way * (scene.curves[n][:, 0].mean() - middle) > 0]
    return bent(scene, dict.fromkeys([*lines, *attached], shift))


def shoulder_low(scene: TableScene, mm_per_px: float, name: str | None = None, mm: float = 3.0) -> Warp:
    """A vessel's shoulder lower by ``mm``; rim and foot stay, what lies between is stretched and squeezed."""
    thing = _thing(scene, name, ("bottle", "vase", "jug"))
    at = float(thing.marks["shoulder"][:, 1].mean())
    top, low = _rim_low(thing), float(thing.axis[0][1])

    def shift(points: np.ndarray) -> np.ndarray:
        return np.column_stack([np.zeros(len(points)), mm / mm_per_px * _bump(points[:, 1], top, at, low)])

    return _whole(scene, thing, shift)


def rim_flat(
    scene: TableScene, mm_per_px: float, name: str | None = None, factor: float = 0.28 / 0.34, openness: float | None = None
) -> Warp:
    """A rim's short axis ``factor`` times as long about its own middle, or as long as ``openness`` asks; its width stays."""
    thing = _vessel(scene, name)
    rim = thing.ellipses["rim"]
    factor = factor if openness is None else openness / rim.openness
    return _rim_field(scene, thing, lambda along, across: (0 * along, (factor - 1) * across), rim.angle_deg)


def rim_pointed(scene: TableScene, mm_per_px: float, name: str | None = None, share: float = 0.6) -> Warp:
    """A rim whose ends come to points: part of the way (``share``) from the ellipse to two arcs that meet at its ends; width and
    height stay."""
    thing = _vessel(scene, name)
    rim = thing.ellipses["rim"]

    def field(along: np.ndarray, across: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        t = np.clip(np.abs(along) / rim.long, 0, 1)
        # The ellipse's half height is sqrt(1 - t^2), that of the lens 1 - t^2: their quotient squeezes every point above t alike.
        return 0 * along, across * share * (np.sqrt(1 - t**2) - 1)

    return _rim_field(scene, thing, field, rim.angle_deg)


def ellipse_tipped(scene: TableScene, mm_per_px: float, name: str | None = None, degrees: float = 3.0) -> Warp:
    """A vessel's rim turned ``degrees`` about its middle; the sides follow less and less towards half height, the foot stays."""
    thing = _vessel(scene, name, ("bowl", "cup", "jug", "vase"))
    rim = thing.ellipses["rim"]
    low = 0.4 * rim.centre[1] + 0.6 * float(thing.axis[0][1])
    cos, sin = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    turn = np.array([[cos, sin], [-sin, cos]])

    def shift(points: np.ndarray) -> np.ndarray:
        away = points - rim.centre
        full = away @ turn - away
        # Whole at the rim's own heights, running out below its front.
        front = rim.centre[1] + 1.02 * np.abs(rim.outline[:, 1] - rim.centre[1]).max()
        return full * (1 - _ramp(points[:, 1], front, max(low, front + 0.4 * rim.long)))[:, None]

    return _whole(scene, thing, shift)


def base_floating(scene: TableScene, mm_per_px: float, name: str | None = None, mm: float = 3.0) -> Warp:
    """A thing's base higher by ``mm``; its upper half stays. None takes the one whose foot is seen best."""
    thing = scene.object(name) if name else _seen_to_its_foot(scene, ("bottle", "vase", "jug", "cup"))
    top, low = 0.5 * (thing.axis[0][1] + thing.axis[1][1]), float(thing.axis[0][1])

    def shift(points: np.ndarray) -> np.ndarray:
        back = float(thing.ellipses["foot"].outline[:, 1].min())
        return np.column_stack([np.zeros(len(points)), -mm / mm_per_px * _ramp(points[:, 1], top, min(low, back))])

    return _whole(scene, thing, shift)


def together(*warps: Warp) -> Warp:
    """Several mistakes in one drawing."""
    return HeldTogether(*warps)


# All of them at their usual amounts: name -> function of (scene, mm_per_px).
MISTAKES: dict[str, Callable[[TableScene, float], Warp]] = {
    "rim too flat": rim_flat,
    "rim pointed": rim_pointed,
    "axis leaning": axis_leaning,
    "one side out": side_out,
    "shoulder low": shoulder_low,
    "object moved": object_moved,
    "object scaled": object_scaled,
    "gap widened": gap_widened,
    "base floating": base_floating,
    "ellipse tipped": ellipse_tipped,
}


def _whole(scene: TableScene, thing: TableObject, shift: Shift) -> Warp:
    """All of a thing moved: its lines, and what is known of it under its own surface: ellipses, axis, marks."""
    inner = [ellipse.outline[::3] for ellipse in thing.ellipses.values()]
    inner += [resample(thing.axis, 4 * STEP_PX)] if thing.axis is not None else []
    points = np.vstack([*inner, *thing.marks.values(), np.zeros((0, 2))])
    return bent(scene, dict.fromkeys(thing.lines, shift), points[thing.mask[_cells(points, thing.mask.shape)]])


def bent(scene: TableScene, shifts: dict[str, Shift], inner: np.ndarray | None = None) -> Warp:
    """The named curves of one thing moved point by point, each by its function of (n, 2) px; all other curves stay. The thing's
    own still lines give way where they join a moved one, its neighbours' do not. ``inner`` (n, 2): further points of the thing
    that follow the function of its first line."""
    own = {name.split(":")[0] for name in shifts}
    moved, by, rest, fine, near = [], [], [], [], []
    for name, curve in scene.curves.items():
        points = resample(curve, STEP_PX)
        if name in shifts:
            moved.append(points)
            by.append(shifts[name](points))
        else:
            rest.append(points)
        # Finer on the thing's own lines, so that a point of theirs is never taken for one of a neighbour's that ends there.
        if name.split(":")[0] in own:
            fine.append(resample(curve, 0.1))
        else:
            near.append(resample(curve, 0.4))
    shape, held = scene.pixels.shape[:2], np.vstack([*near, np.zeros((0, 2))])
    if inner is not None and len(held):
        # What lies on a neighbour's line is the neighbour's.
        inner = inner[_distance(held, shape)[_cells(inner, shape)] > 2]
        moved.append(inner)
        by.append(next(iter(shifts.values()))(inner))
    points, shift, still = np.vstack(moved), np.vstack(by), np.vstack([*rest, np.zeros((0, 2))])
    goes = np.hypot(*shift.T)
    room = 2.5 * float(goes.max()) + scene.size_px / 200.0
    far = _distance(points[goes > 0.02], shape)
    going = np.vstack(fine)
    held = held[far[_cells(held, shape)] < room + 3]
    going = going[_distance(held, shape)[_cells(going, shape)] < 4] if len(held) else going[:0]
    return HeldWarp([PointMove(points, points + shift)], still[far[_cells(still, shape)] >= room], shape, held, going)


def _distance(points: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    """(h, w) distance to the nearest point."""
    empty = np.ones(shape, np.uint8)
    empty[_cells(points, shape)] = 0
    return cv2.distanceTransform(empty, cv2.DIST_L2, cv2.DIST_MASK_PRECISE)


def _cells(points: np.ndarray, shape: tuple[int, int]) -> tuple[np.ndarray, np.ndarray]:
    cells = np.clip(np.round(points).astype(int), 0, [shape[1] - 1, shape[0] - 1])
    return cells[:, 1], cells[:, 0]


def _rim_field(scene: TableScene, thing: TableObject, field, angle_deg: float) -> Warp:
    """``field`` maps (along, across) the rim's axes to a shift along them; both rims of a thick lip move in it."""
    cos, sin = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    axes = np.array([[cos, sin], [-sin, cos]])
    centre = np.array(thing.ellipses["rim"].centre)

    def shift(points: np.ndarray) -> np.ndarray:
        local = (points - centre) @ axes.T
        return np.column_stack(field(local[:, 0], local[:, 1])) @ axes

    return bent(scene, dict.fromkeys([n for n in thing.lines if "rim" in n], shift))


# ------------------------------------------------------------------ which thing shows it best


def _thing(scene: TableScene, name: str | None, kinds: tuple[str, ...]) -> TableObject:
    """The thing of that name, or of the first kind there is the one that is hidden least. Raises KeyError."""
    if name is not None:
        return scene.object(name)
    some = [thing for thing in scene.objects if thing.kind in kinds]
    if not some:
        raise KeyError(f"no {' or '.join(kinds)} in this scene")
    return max(some, key=lambda thing: thing.mask.sum() / thing.whole.sum() - 0.05 * kinds.index(thing.kind))


def _seen_to_its_foot(scene: TableScene, kinds: tuple[str, ...]) -> TableObject:
    """The thing of those kinds of whose foot most is seen, at least half its width. Raises KeyError."""

    def share(thing: TableObject) -> float:
        seen = sum(np.ptp(scene.curves[n][:, 0]) for n in thing.lines if "foot" in n)
        return float(seen / np.ptp(thing.ellipses["foot"].outline[:, 0]))

    some = [thing for thing in scene.objects if thing.kind in kinds and share(thing) > 0.5]
    if not some:
        raise KeyError(f"no {' or '.join(kinds)} whose foot is seen in this scene")
    return max(some, key=share)


def _vessel(scene: TableScene, name: str | None, kinds: tuple[str, ...] = ("jug", "bowl", "cup", "vase")) -> TableObject:
    """The thing of that name, or the first kind of vessel whose rim is seen whole."""
    if name is not None:
        return scene.object(name)
    some = [thing for kind in kinds for thing in scene.objects if thing.kind == kind]
    return next((t for t in some if len(scene.curves.get(f"{t.name}: rim", ())) > 700), some[0])


def _nearest(scene: TableScene, thing: TableObject) -> TableObject:
    others = [other for other in scene.objects if other.name != thing.name]
    return min(others, key=lambda other: abs(_middle(other)[0] - _middle(thing)[0]))


def _middle(thing: TableObject) -> np.ndarray:
    return (thing.contour.min(0) + thing.contour.max(0)) / 2


def _free_side(scene: TableScene, thing: TableObject) -> str:
    """The side without handle and spout, and of two such the longer seen one."""
    middle = float(thing.axis[:, 0].mean())
    taken = ["left" if scene.curves[n][:, 0].mean() < middle else "right" for n in thing.lines if "handle" in n or "spout" in n]

    def freedom(side: str) -> float:
        seen = sum(np.ptp(scene.curves[n][:, 1]) for n in thing.lines if f"{side} side" in n)
        return float(seen) - (1e6 if side in taken else 0)

    return max(("left", "right"), key=freedom)


def _rim_low(thing: TableObject) -> float:
    return float(thing.ellipses["rim"].outline[:, 1].max())


def _bump(values: np.ndarray, low: float, peak: float, high: float) -> np.ndarray:
    """0 up to ``low``, 1 at ``peak``, 0 from ``high`` on, smooth."""
    return np.where(values < peak, _ramp(values, low, peak), 1 - _ramp(values, peak, high))


def _ramp(values: np.ndarray, low: float, high: float) -> np.ndarray:
    """0 up to ``low``, 1 from ``high`` on, smooth between."""
    t = np.clip((values - low) / (high - low), 0, 1)
    return t * t * (3 - 2 * t)
