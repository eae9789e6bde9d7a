"""Typical mistakes of a drawing of buildings as known moves of a rendered scene.

Each function returns the warp to draw with. Amounts are in reference px, positive to the right and down, angles in degrees,
positive clockwise as you look at the paper; for an amount in mm on the paper divide by the placement's ``mm_per_px``. What is
moved on a wall slides along that wall's own lines, so that all other lines keep their courses: one error at a time. Storeys count
from the ground, columns from the picture's left, both from 1. Join several with `featurediff.testing.fieldwarp.together`.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from featurediff.geometry import apply, resample
from featurediff.testing.buildings.record import BuildingScene, Rhythm
from featurediff.testing.fieldwarp import FieldWarp
from featurediff.testing.warp import PointMove, Warp

# A wall's end takes what hangs over it along: eaves, verges.
OVERHANG_M = 0.7
# What ends as near as this to a moved line is joined to it and follows.
JOINED_PX = 8.0


def gap_widened(scene: BuildingScene, after: int, amount: float, wall: str = "facade") -> FieldWarp:
    """The gap after window column ``after`` wider by ``amount``: all beyond, the wall's right end too, moves right by it."""
    rhythm = scene.rhythms[wall]
    low, high = rhythm.columns[after - 1][1], rhythm.columns[after][0]
    amount_m = _metres(rhythm, high, amount)
    stops, shifts = [low, high, *_beyond(scene, rhythm, 1)], [0, amount_m, amount_m, 0]
    names = [n for n in scene.named("window", "door") if _column_of(scene, rhythm, n) > after]
    return _along(scene, wall, stops, shifts, _points(scene, names))


def column_moved(scene: BuildingScene, column: int, amount: float, wall: str = "facade") -> FieldWarp:
    """One window column moved right by ``amount``, from the ground to the eaves; its neighbours and the wall's ends stay."""
    rhythm = scene.rhythms[wall]
    edges = [rhythm.ends[0], *(u for pair in rhythm.columns for u in pair), rhythm.ends[1]]
    low, high = rhythm.columns[column - 1]
    amount_m = _metres(rhythm, low, amount)
    stops, shifts = [edges[2 * column - 2], low, high, edges[2 * column + 1]], [0, amount_m, amount_m, 0]
    names = [n for n in scene.named("window", "door") if _column_of(scene, rhythm, n) == column]
    return _along(scene, wall, stops, shifts, _points(scene, names))


def end_moved(scene: BuildingScene, side: str, amount: float, wall: str = "facade") -> FieldWarp:
    """The wall's ``side`` end ("left", "right") moved right by ``amount``; its windows stay."""
    rhythm = scene.rhythms[wall]
    at = 0 if side == "left" else 1
    end = rhythm.ends[at]
    inner = _outermost(scene, rhythm, at)
    amount_m = _metres(rhythm, end, amount)
    stops, shifts = [inner, end, *_beyond(scene, rhythm, at)], [0, amount_m, amount_m, 0]
    order = slice(None) if at else slice(None, None, -1)
    return _along(scene, wall, stops[order], shifts[order], _on_wall(rhythm, end))


def corner_leaning(scene: BuildingScene, side: str, degrees: float, wall: str = "facade", roof: bool = False) -> FieldWarp:
    """The wall's outer corner on that side turned about its foot; storey lines end on it as it now stands, on their true courses.

    ``roof``: the roof's foot goes with it and its slope is aimed anew, as a gable's always does; otherwise the overhanging eaves
    hide the joint and stay. Raises ValueError for a corner that two walls share, see `near_corner_leaning`.
    """
    if _corner_name(scene, wall, side) == "corner near":
        raise ValueError("two walls meet at this corner: use near_corner_leaning")
    rhythm = scene.rhythms[wall]
    at = 0 if side == "left" else 1
    end, matrix = rhythm.ends[at], rhythm.matrix
    foot, top = apply(matrix, np.array([[end, 0.0], [end, rhythm.top]]))
    turned = foot + _turn(degrees) @ (top - foot)
    line = np.cross([*foot, 1.0], [*turned, 1.0])
    inner = _outermost(scene, rhythm, at)
    slope = _roof_side(scene, wall, side)
    roof = roof or (rhythm.peak is not None and slope is not None)
    stops, shares = [inner, end, *_beyond(scene, rhythm, at)], [0.0, 1.0, 1.0, 0.0]
    if not at:
        stops, shares = stops[::-1], shares[::-1]
    under = _under_the_roof(scene, wall, side)
    eaves = float(under(np.array([end]))[0])
    high = 3.0 if slope is None else slope[1, 1] - eaves

    def shift(u: np.ndarray, v: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        # Linear in v: where the wall's level line at v meets the corner's new course.
        low = np.column_stack([np.full_like(u, end), np.clip(v, -0.5, eaves), np.ones_like(u)])
        lean = -(low @ matrix.T @ line) / (matrix[:, 0] @ line)
        if not roof:
            return lean * np.interp(u, stops, shares) * np.clip((under(u) - v) / 0.1, 0, 1), np.zeros_like(v)
        up = np.clip((v - eaves) / high, 0, 1)
        aside = (slope[1, 0] - slope[0, 0]) * up if slope is not None else 0.0
        return lean * (1 - up) * np.interp(u - aside, stops, shares), np.zeros_like(v)

    return _in_plane(scene, rhythm, shift, _on_wall(rhythm, end))


def near_corner_leaning(scene: BuildingScene, degrees: float) -> FieldWarp:
    """The near corner of a corner house or tower turned about its foot; the storey lines of both walls run on to it on their true
    courses, and so meet it at slightly unlike heights, as on a drawing. The roof stays but for the lowest bit of its edge there.
    Raises KeyError where there is no near corner."""
    ends = _ends(scene, "corner near")
    foot, top = ends[np.argsort(-ends[:, 1])]
    turned = foot + _turn(degrees) @ (top - foot)
    upright, leaning = ((end - foot)[0] / (end - foot)[1] for end in (top, turned))
    left, right = scene.rhythms["left"], scene.rhythms["right"]
    inner = [(left.matrix, left.columns[-1][1]), (right.matrix, right.columns[0][0])]
    stops = [apply(matrix, np.array([[u, 0.0], [u, left.top]])) for matrix, u in inner]
    # The front's level lines run along x, the side's along y.
    meets = [scene.vanishing[axis] for axis in ("y", "x")]

    def field(points: np.ndarray) -> np.ndarray:
        x, y = points.T
        low, high = (line[0, 0] + (y - line[0, 1]) * (line[1, 0] - line[0, 0]) / (line[1, 1] - line[0, 1]) for line in stops)
        corner = foot[0] + upright * (y - foot[1])
        share = np.clip(np.minimum((x - low) / (corner - low), (high - x) / (high - corner)), 0, 1)
        up = np.clip((top[1] - y) / 110.0, 0, 1)
        aside = (leaning - upright) * np.clip(y - foot[1], top[1] - foot[1], 0) * share * (1 - up * up * (3 - 2 * up))
        slopes = [(y - v[1] / v[2]) / (x - v[0] / v[2]) if v[2] else np.full_like(x, v[1] / v[0]) for v in meets]
        blend = np.clip(0.5 + (x - corner) / (2 * (5.0 + 80.0 * up)), 0, 1)
        return np.column_stack([aside, aside * ((1 - blend) * slopes[0] + blend * slopes[1])])

    return FieldWarp(field, resample(ends, 8.0), scene.pixels.shape[:2])


def eaves_turned(
    scene: BuildingScene, degrees: float, wall: str = "facade", name: str = "eaves", roof: bool = True, band_px: float = 44.0
) -> FieldWarp:
    """The eaves turned about their middle; the corners end on them as they now run, the roof's slopes are aimed anew, its ridge,
    the dormers and the windows stay.

    Without ``roof`` the slopes keep their courses too, and bend to the eaves only within ``band_px`` over them (8 mm on a sheet
    of 11 x 15 inches). Raises KeyError when that wall has no eaves to be seen, ValueError when the band is too narrow.
    """
    rhythm = scene.rhythms[wall]
    ends = scene.curves[name]
    left, right = ends[np.argsort(ends[:, 0])][[0, -1]]
    middle = (left + right) / 2
    way = _turn(degrees) @ (right - left)
    steep, old = way[1] / way[0], (right - left)[1] / (right - left)[0]
    head = apply(rhythm.matrix, np.array([[u, rhythm.rows[-1][1]] for u in rhythm.ends]))
    sides = [_picture_side(scene, wall, side) for side in ("left", "right")]
    room = _dormer_foot(scene, wall, left, right)

    def field(points: np.ndarray) -> np.ndarray:
        x, y = points.T
        level = left[1] + old * (x - left[0])
        below = head[0, 1] + (head[1] - head[0])[1] / (head[1] - head[0])[0] * (x - head[0, 0])
        share = np.clip((below - 3 - y) / np.maximum(below - 3 - level - 0.2 * (below - level), 1.0), 0, 1)
        across, spare, fade = x, 2.0, 24.0
        if not roof:
            share = np.where(y < level, np.clip(1 - (level - 2.0 - y) / band_px, 0, 1), share)
            spare, fade = 2.0, 3 * band_px
        elif sides[0] is not None and sides[1] is not None:
            feet, tops = (np.array([side[i] for side in sides]) for i in (0, 1))
            ridge = tops[0, 1] + (np.clip(x, *tops[:, 0]) - tops[0, 0]) * (tops[1, 1] - tops[0, 1]) / (tops[1, 0] - tops[0, 0])
            up = np.clip((level - y) / np.maximum(level - ridge, 1.0), 0, 1)
            lows = feet[:, :1] + (tops - feet)[:, :1] * up
            along = (x - lows[0]) / np.maximum(lows[1] - lows[0], 1.0)
            across = left[0] + along * (right[0] - left[0])
            spare, fade = 60.0, 200.0
            limit = np.interp(along, [0.0, 0.04, 0.14, 0.86, 0.96, 1.0], [1, 1, room, room, 1, 1])
            share = np.where(y < level, np.clip(1 - up / limit, 0, 1), share)
        else:
            share = np.where(y < level - 6, np.clip(1 - (level - 6 - y) / np.maximum(level - 6, 1.0), 0, 1), share)
        beside = np.maximum(left[0] - spare - across, across - right[0] - spare)
        inside = np.clip(across, left[0] - spare, right[0] + spare)
        drop = (steep - old) * (inside - middle[0])
        return np.column_stack([np.zeros_like(x), drop * share * np.clip(1 - beside / fade, 0, 1)])

    return FieldWarp(field, resample(np.array([left, right]), 8.0), scene.pixels.shape[:2], late=True)


def eye_level_raised(scene: BuildingScene, amount: float) -> FieldWarp:
    """All receding lines aimed at points ``amount`` higher than theirs, their near ends kept: each wall sheared upright.

    Streets (near ends at the picture's edges) and corner houses (near ends at the near corner). Raises ValueError elsewhere.
    """
    y_line = scene.vanishing["y"]
    if scene.kind == "street":
        receding = np.vstack([scene.curves[n] for n in scene.named("receding left", "receding right")])
        low, high = receding[:, 0].min(), receding[:, 0].max()
        # The house that closes the street stays square: its width goes up as one.
        closing = np.vstack([y_line[None, :2], *(scene.curves[n] for n in scene.curves if n.startswith("end "))])[:, 0]
        a, b = closing.min(), closing.max()
        stops = [low, a, b, high]
        shifts = [0.0, -amount * (a - low) / (y_line[0] - low), -amount * (high - b) / (high - y_line[0]), 0.0]
    elif scene.kind == "corner":
        near = scene.curves["corner near"][:, 0].mean()
        # The front recedes along x, the side along y: in the picture to the right and to the left.
        ahead = {side: scene.vanishing[axis][0] for side, axis in (("right", "x"), ("left", "y"))}
        stops, shifts = [ahead["left"], near, ahead["right"]], [-amount, 0.0, -amount]
    else:
        raise ValueError(f"no eye level to raise in a {scene.kind}: only in a street or a corner house")

    def field(points: np.ndarray) -> np.ndarray:
        return np.column_stack([np.zeros(len(points)), np.interp(points[:, 0], stops, shifts)])

    return FieldWarp(field, _points(scene, scene.named("receding left", "receding right")), scene.pixels.shape[:2])


def peak_lowered(scene: BuildingScene, amount: float, wall: str = "facade") -> FieldWarp:
    """A gable's peak lower by ``amount``; both slopes run to it from their true feet. Raises ValueError without a gable."""
    rhythm = scene.rhythms[wall]
    slope = _roof_side(scene, wall, "left", whole=True)
    if rhythm.peak is None or slope is None:
        raise ValueError("this wall has no gable")
    low, high = slope[0, 1], slope[1, 1]
    at = apply(rhythm.matrix, slope[1:])[0]
    amount_m = _solve_metres(lambda m: float(np.diff(apply(rhythm.matrix, [slope[1], slope[1] - [0, m]])[:, 1])[0]), amount)

    def shift(u: np.ndarray, v: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        return np.zeros_like(u), -amount_m * np.interp(v, [low, high, high + 1.5 * (high - low)], [0, 1, 0])

    return _in_plane(scene, rhythm, shift, at[None])


def sill_lowered(scene: BuildingScene, storey: int, column: int, amount: float, wall: str = "facade") -> FieldWarp:
    """One window's sill lower by ``amount``; its head and its neighbours stay."""
    rhythm = scene.rhythms[wall]
    (u0, u1), (v0, v1) = rhythm.columns[column - 1], rhythm.rows[storey - 1]
    below, _ = _room(scene, rhythm, storey)
    left, right = _beside(rhythm, column)
    amount_m = _metres_down(rhythm, (u0 + u1) / 2, v0, amount)

    def shift(u: np.ndarray, v: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        return np.zeros_like(u), -amount_m * _plateau(u, left, u0, u1, right) * _plateau(v, below, v0 - 0.13, v0, v1)

    return _in_plane(scene, rhythm, shift, apply(rhythm.matrix, np.array([[u0, v0], [u1, v0]])))


def window_moved(
    scene: BuildingScene, storey: int, column: int, shift_px: tuple[float, float], wall: str = "facade"
) -> FieldWarp:
    """One window moved as a whole, (right, down); its neighbours stay."""
    rhythm = scene.rhythms[wall]
    (u0, u1), (v0, v1) = rhythm.columns[column - 1], rhythm.rows[storey - 1]
    below, above = _room(scene, rhythm, storey)
    left, right = _beside(rhythm, column)
    aside, down = _metres(rhythm, u0, shift_px[0]), _metres_down(rhythm, (u0 + u1) / 2, v0, shift_px[1])

    def shift(u: np.ndarray, v: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        share = _plateau(u, left, u0, u1, right) * _plateau(v, below, v0 - 0.13, v1, above)
        return aside * share, -down * share

    corners = np.array([[u, v] for u in (u0, u1) for v in (v0, v1)])
    return _in_plane(scene, rhythm, shift, apply(rhythm.matrix, corners))


def line_turned(scene: BuildingScene, name: str, degrees: float, about: str = "middle") -> Warp:
    """One straight line turned about its "middle", its "left" or "right", "top" or "foot" end; lines that end on it follow."""
    ends = _ends(scene, name)
    pivot = {
        "middle": ends.mean(0), "left": ends[np.argmin(ends[:, 0])], "right": ends[np.argmax(ends[:, 0])],
        "top": ends[np.argmin(ends[:, 1])], "foot": ends[np.argmax(ends[:, 1])],
    }[about]  # fmt: skip
    return line_aimed(scene, name, pivot + (ends - pivot) @ _turn(degrees).T)


def line_shifted(scene: BuildingScene, name: str, shift_px: tuple[float, float]) -> Warp:
    """One straight line moved as a whole; lines that end on it follow."""
    return line_aimed(scene, name, _ends(scene, name) + np.asarray(shift_px, float))


def line_stretched(scene: BuildingScene, name: str, factor: float, about: str = "middle") -> Warp:
    """One straight line longer by a factor along its own course, from its "middle" or one end ("start", "end")."""
    ends = _ends(scene, name)
    pivot = {"middle": ends.mean(0), "start": ends[0], "end": ends[1]}[about]
    return line_aimed(scene, name, pivot + factor * (ends - pivot))


def line_aimed(scene: BuildingScene, name: str, targets: np.ndarray) -> Warp:
    """A straight line whose two ends go to ``targets`` (2, 2); every open line that ends on it is drawn from its own other end to
    where it now is; all else stays. Raises ValueError when a close neighbour leaves no room."""
    ends = _ends(scene, name)
    by = np.asarray(targets, float) - ends
    line = resample(ends, 4.0)
    moves, taken = [PointMove(line, line + _between(line, ends, by))], {name}
    for other in scene.curves:
        if other == name or scene.kinds[other] in ("window", "door", "clutter"):
            continue
        curve = scene.curves[other]
        shifts = np.array([_joined(end, ends, by) for end in (curve[0], curve[-1])])
        if np.abs(shifts).max() > 1e-6:
            points = resample(curve, 4.0)
            moves.append(PointMove(points, points + _between(points, curve[[0, -1]], shifts)))
            taken.add(other)
    still = np.vstack([resample(c, 4.0) for n, c in scene.curves.items() if n not in taken] or [np.zeros((0, 2))])
    moved = np.vstack([m.points for m in moves])
    far = np.array([np.hypot(*(moved - p).T).min() for p in still]) if len(still) else np.zeros(0)
    return Warp(_without_doubles(moves), still[far > 1.5 * np.abs(by).max() + 2.0], scene.pixels.shape[:2])


def careless(scene: BuildingScene, spread: float, seed: int, wall: str = "facade") -> FieldWarp:
    """Every window column, window row and free end of a wall a little off by its own random amount of spread ``spread`` px."""
    rhythm = scene.rhythms[wall]
    rng = np.random.default_rng([seed, 7])
    aside, down = rng.normal(0, spread, len(rhythm.columns) + 2), rng.normal(0, spread, len(rhythm.rows))
    px = 1 / _metres(rhythm, sum(rhythm.ends) / 2, 1.0)
    free = scene.kind in ("facade", "arcade")
    (a, b), (c, d) = (_beyond(scene, rhythm, side) for side in (0, 1))
    us = [b, a, rhythm.ends[0], *(u for pair in rhythm.columns for u in pair), rhythm.ends[1], c, d]
    by_u = np.array([0, *[free * aside[0]] * 2, *np.repeat(aside[1:-1], 2), *[free * aside[-1]] * 2, 0]) / px
    vs, by_v = [0.0], [0.0]
    for storey, (low, high) in enumerate(rhythm.rows, 1):
        below, above = _room(scene, rhythm, storey)
        vs += [max(below, vs[-1]), low - 0.13, high, above]
        by_v += [0.0, *[down[storey - 1] / px] * 2, 0.0]
    inner = [rhythm.ends[0], rhythm.columns[0][0], rhythm.columns[-1][1], rhythm.ends[1]]
    along = _roof_follows(scene, wall, us, by_u)
    names = [n for n in scene.named("window") if _column_of(scene, rhythm, n)]
    return _in_plane(
        scene, rhythm, lambda u, v: (along(u, v), -np.interp(v, vs, by_v) * _plateau(u, *inner)), _points(scene, names)
    )


def _in_plane(scene: BuildingScene, rhythm: Rhythm, shift: Callable, moved: np.ndarray) -> FieldWarp:
    """``shift`` maps u, v (n,) m on the wall's plane to their shifts; what lies behind the plane's horizon stays."""
    back = np.linalg.inv(rhythm.matrix)

    def field(points: np.ndarray) -> np.ndarray:
        plane = np.column_stack([points, np.ones(len(points))]) @ back.T
        ahead = plane[:, 2] > 1e-4
        u, v = (plane[ahead, i] / plane[ahead, 2] for i in (0, 1))
        du, dv = shift(u, v)
        out = np.zeros_like(points)
        out[ahead] = apply(rhythm.matrix, np.column_stack([u + du, v + dv])) - points[ahead]
        return out

    return FieldWarp(field, moved, scene.pixels.shape[:2])


def _along(scene: BuildingScene, wall: str, stops: list, shifts: list, moved: np.ndarray) -> FieldWarp:
    """A move along the wall, linear between ``stops`` (m)."""
    rhythm = scene.rhythms[wall]
    aside = _roof_follows(scene, wall, stops, shifts)
    return _in_plane(scene, rhythm, lambda u, v: (aside(u, v), np.zeros_like(v)), moved)


def _roof_follows(scene: BuildingScene, wall: str, stops: list, shifts: list) -> Callable:
    """Shifts along the wall by (u, v): under the eaves as said; a gable's slopes run from there to their true peak, a saddle roof
    goes along with the wall under it: both stay straight."""
    rhythm = scene.rhythms[wall]
    left, right = (_roof_side(scene, wall, side) for side in ("left", "right"))
    if left is None or right is None:
        return lambda u, v: np.interp(u, stops, shifts)

    def fan(u: np.ndarray, v: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        low, high = (left[0, 1] + right[0, 1]) / 2, (left[1, 1] + right[1, 1]) / 2
        up = np.clip((v - low) / (high - low), 0, 1)
        a, b = (side[0, 0] + (side[1, 0] - side[0, 0]) * up for side in (left, right))
        return left[0, 0] + (u - a) / np.maximum(b - a, 1e-6) * (right[0, 0] - left[0, 0]), up

    # Dormers and chimneys ride on the roof unbent: each moves as its middle does.
    rigid = [left[0, 0]]
    middles = [left[0, 0]]
    for a, b in _standing_on_the_roof(scene, rhythm, fan):
        if a > rigid[-1] + 0.1 and b < right[0, 0] - 0.1:
            rigid += [a, b]
            middles += [(a + b) / 2] * 2
    rigid, middles = [*rigid, right[0, 0]], [*middles, right[0, 0]]

    def shift(u: np.ndarray, v: np.ndarray) -> np.ndarray:
        at, up = fan(u, v)
        inside = (up > 0) & (at > rigid[0]) & (at < rigid[-1])
        at = np.where(inside, np.interp(at, rigid, middles), at)
        return np.interp(at, stops, shifts) * (1 - up if rhythm.peak else 1.0)

    return shift


def _standing_on_the_roof(scene: BuildingScene, rhythm: Rhythm, fan: Callable) -> list[tuple[float, float]]:
    """The ranges along the wall of dormers and chimneys, from the left."""
    things: dict[str, list[np.ndarray]] = {}
    for name, curve in scene.curves.items():
        if name.startswith(("dormer", "chimney")):
            things.setdefault(" ".join(name.split()[:2]) if name.startswith("dormer") else "chimney", []).append(curve)
    back = np.linalg.inv(rhythm.matrix)
    spans = [fan(*apply(back, np.vstack(curves)).T)[0] for curves in things.values()]
    return sorted((float(span.min()) - 0.05, float(span.max()) + 0.05) for span in spans)


def _metres(rhythm: Rhythm, u: float, amount: float) -> float:
    """m along the wall at ``u``, half way up, that are ``amount`` px in the picture."""
    v = rhythm.top / 2

    def px(m: float) -> float:
        a, b = apply(rhythm.matrix, np.array([[u, v], [u + m, v]]))
        return float(np.sign(m) * np.hypot(*(b - a)))

    return _solve_metres(px, amount)


def _metres_down(rhythm: Rhythm, u: float, v: float, amount: float) -> float:
    return _solve_metres(lambda m: float(np.diff(apply(rhythm.matrix, np.array([[u, v], [u, v - m]]))[:, 1])[0]), amount)


def _solve_metres(px: Callable[[float], float], amount: float) -> float:
    if not amount:
        return 0.0
    m = amount / (px(0.01) / 0.01)
    for _ in range(20):
        m *= amount / px(m)
    return m


def _beyond(scene: BuildingScene, rhythm: Rhythm, side: int) -> tuple[float, float]:
    """u up to which what hangs over the wall's end goes with it, and u from which on all stays."""
    border, sign = _border(scene, rhythm, side), (-1, 1)[side]
    room = sign * (border - rhythm.ends[side])
    return rhythm.ends[side] + sign * min(OVERHANG_M, 0.3 * room), border


def _border(scene: BuildingScene, rhythm: Rhythm, side: int) -> float:
    """u of the picture's left (0) or right (1) edge half way up the wall; when that lies behind the plane's horizon, twice the
    wall's width beyond its end."""
    w = scene.pixels.shape[1]
    level = apply(rhythm.matrix, np.array([[rhythm.ends[side], rhythm.top / 2]]))[0, 1]
    u, _, deep = np.linalg.inv(rhythm.matrix) @ [(0.0, w - 1.0)[side], level, 1.0]
    width, sign = rhythm.ends[1] - rhythm.ends[0], (-1, 1)[side]
    end = rhythm.ends[side] + sign * OVERHANG_M
    far = rhythm.ends[side] + sign * 2 * width
    if deep <= 1e-4:
        return far
    return sign * min(max(sign * u / deep, sign * end + 0.1), sign * far, _next_upright(scene, rhythm, side))


def _next_upright(scene: BuildingScene, rhythm: Rhythm, side: int) -> float:
    """How far along the wall, outwards, the next upright beyond its end is seen: it stays. Infinite when there is none."""
    back, sign = np.linalg.inv(rhythm.matrix), (-1, 1)[side]
    found = [np.inf]
    for name in scene.named("vertical"):
        plane = np.column_stack([scene.curves[name], np.ones(len(scene.curves[name]))]) @ back.T
        if (plane[:, 2] > 1e-4).all():
            u, v = plane[:, 0] / plane[:, 2], plane[:, 1] / plane[:, 2]
            beyond = sign * (u - rhythm.ends[side])
            if beyond.min() > 0.12 and v.min() < rhythm.top:
                found.append(float((sign * u).min()) - 0.02)
    return min(found)


def _outermost(scene: BuildingScene, rhythm: Rhythm, side: int) -> float:
    """u of the outer edge of the outermost window, door or arch on that side of the wall."""
    back = np.linalg.inv(rhythm.matrix)
    found = [u for pair in rhythm.columns for u in pair]
    for name in scene.named("door", "arch"):
        u, v = apply(back, scene.curves[name]).T
        if rhythm.ends[0] < u.min() and u.max() < rhythm.ends[1] and 0 < v.mean() < rhythm.top:
            found += [u.min(), u.max()]
    return float(max(found) if side else min(found))


def _plateau(x: np.ndarray, a: float, b: float, c: float, d: float) -> np.ndarray:
    return np.interp(x, [a, b, c, d], [0.0, 1.0, 1.0, 0.0])


def _beside(rhythm: Rhythm, column: int) -> tuple[float, float]:
    """The free wall's outer ends left and right of a column."""
    left = rhythm.columns[column - 2][1] if column > 1 else rhythm.ends[0]
    right = rhythm.columns[column][0] if column < len(rhythm.columns) else rhythm.ends[1]
    return left, right


def _room(scene: BuildingScene, rhythm: Rhythm, storey: int) -> tuple[float, float]:
    """The nearest level things below and above a row: storey lines, ground, eaves, other rows."""
    back = np.linalg.inv(rhythm.matrix)
    v0, v1 = rhythm.rows[storey - 1]
    levels = [0.0, rhythm.top, *(v for row in rhythm.rows for v in row)]
    for name in scene.named("level", "receding left", "receding right"):
        if "storey line" in name:
            ends = apply(back, _ends(scene, name))
            if abs(ends[0, 1] - ends[1, 1]) < 0.1:
                levels += [ends[:, 1].mean() - 0.22, ends[:, 1].mean() + 0.03]
    return max(v for v in levels if v < v0 - 0.14), min(v for v in levels if v > v1 + 0.05)


def _roof_side(scene: BuildingScene, wall: str, side: str, whole: bool = False) -> np.ndarray | None:
    """(2, 2) foot and top of that side's roof slope or verge, in (u, v) m on the wall's plane; a gable's foot is taken over
    the wall's corner, or, ``whole``, at its own overhanging end."""
    rhythm, ends = scene.rhythms[wall], _picture_side(scene, wall, side)
    if ends is None:
        return None
    foot, top = apply(np.linalg.inv(rhythm.matrix), ends)
    if rhythm.peak is not None and not whole:
        u = rhythm.ends[0 if side == "left" else 1]
        foot = foot + (top - foot) * (u - foot[0]) / (top[0] - foot[0])
    return np.array([foot, top])


def _under_the_roof(scene: BuildingScene, wall: str, side: str) -> Callable:
    """u (n,) m -> v of the roof's lower edge over the wall: the eaves, or a gable's slope."""
    rhythm, ends = scene.rhythms[wall], _roof_side(scene, wall, side)
    seen = scene.curves.get(_corner_name(scene, wall, side))
    top = -np.inf if seen is None else float(apply(np.linalg.inv(rhythm.matrix), seen)[:, 1].max()) + 0.06
    if ends is None:
        return lambda u: np.full_like(u, max(rhythm.top, top))
    if rhythm.peak is None:
        return lambda u: np.full_like(u, max(ends[0, 1], top))
    steep = (ends[1, 1] - ends[0, 1]) / (ends[1, 0] - ends[0, 0])
    return lambda u: np.minimum(ends[0, 1] + steep * (u - ends[0, 0]), ends[1, 1])


def _prefix(wall: str) -> str:
    return "" if wall == "facade" else f"{wall} "


def _corner_name(scene: BuildingScene, wall: str, side: str) -> str:
    """The name of the edge at that end of a wall."""
    if scene.kind in ("corner", "tower"):
        return f"corner {side}" if side == wall else "corner near"
    if scene.kind == "street":
        return f"{wall} corner {'near' if wall.startswith(side) else 'far'}"
    return f"corner {side}"


def _picture_side(scene: BuildingScene, wall: str, side: str) -> np.ndarray | None:
    for name in (f"{_prefix(wall)}gable slope {side}", f"{_prefix(wall)}verge {side}"):
        if name in scene.curves:
            ends = _ends(scene, name)
            return ends[np.argsort(-ends[:, 1])]
    return None


def _dormer_foot(scene: BuildingScene, wall: str, left: np.ndarray, right: np.ndarray) -> float:
    """How far up the roof (share of its height) there is room over the eaves before the dormers."""
    dormers = [c for n, c in scene.curves.items() if n.startswith("dormer")]
    side = _picture_side(scene, wall, "left")
    if not dormers or side is None:
        return 1.0
    level = (left + right)[1] / 2
    lowest = max(float(c[:, 1].max()) for c in dormers)
    return float(np.clip(0.9 * (level - lowest) / (level - side[1, 1]), 0.08, 1.0))


def _column_of(scene: BuildingScene, rhythm: Rhythm, name: str) -> int:
    """The column (from 1) in which a window or door stands; 0 when it is not on this wall."""
    u, v = apply(np.linalg.inv(rhythm.matrix), scene.curves[name][:-1]).mean(0)
    inside = [i for i, (a, b) in enumerate(rhythm.columns, 1) if a - 0.1 < u < b + 0.1]
    return inside[0] if inside and 0 < v < rhythm.top else 0


def _points(scene: BuildingScene, names) -> np.ndarray:
    return np.vstack([*(scene.curves[n] for n in names), np.zeros((0, 2))])


def _on_wall(rhythm: Rhythm, u: float) -> np.ndarray:
    return apply(rhythm.matrix, np.column_stack([np.full(20, u), np.linspace(0, rhythm.top, 20)]))


def _ends(scene: BuildingScene, name: str) -> np.ndarray:
    return np.asarray(scene.curves[name], float)[[0, -1]]


def _turn(degrees: float) -> np.ndarray:
    a = np.radians(degrees)
    return np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])


def _between(points: np.ndarray, ends: np.ndarray, shifts: np.ndarray) -> np.ndarray:
    """The shifts of the two ends, linear between them along the chord."""
    way = ends[1] - ends[0]
    t = ((points - ends[0]) @ way / (way @ way))[:, None]
    return (1 - t) * shifts[0] + t * shifts[1]


def _joined(end: np.ndarray, ends: np.ndarray, by: np.ndarray) -> np.ndarray:
    """How far an end that lies on the moved line goes with it: (2,), zero when it is not joined."""
    way = ends[1] - ends[0]
    t = float(np.clip((end - ends[0]) @ way / (way @ way), 0, 1))
    if np.hypot(*(end - ends[0] - t * way)) > JOINED_PX:
        return np.zeros(2)
    return (1 - t) * by[0] + t * by[1]


def _without_doubles(moves: list[PointMove]) -> list[PointMove]:
    """Points nearer than a pixel to one of an earlier move are left to that one."""
    kept, taken = [], np.zeros((0, 2))
    for move in moves:
        free = np.array([len(taken) == 0 or np.hypot(*(taken - p).T).min() > 1.0 for p in move.points], bool)
        kept.append(PointMove(move.points[free], move.targets[free]))
        taken = np.vstack([taken, move.points])
    return [m for m in kept if len(m.points)]
