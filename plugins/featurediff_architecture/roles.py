"""What each chosen line is on the building: outer corner, eaves, ridge, roof slope, storey line, base line, or just a line."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from featurediff_architecture.choose import Candidates
from featurediff_architecture.classify import LEVEL, SLOPE, VERTICAL
from featurediff_architecture.fronts import Front
from featurediff_architecture.joints import Joint, find_joints, in_order

# Sky on one side along this share of the length makes an outline.
AGAINST_SKY = 0.5
# A corner of the building reaches over this share of the tallest vertical.
TALL = 0.5
# A ridge lies over the eaves by this share of the wall's height at least.
RIDGE_OVER = 0.09
# A chimney is not taller than this share of the building's size.
STACK = 0.2
# So near (share of the width) to the picture's edge no corner can be told to be the outer one.
CUT = 0.02
UPRIGHT = ("outer corner", "middle corner", "inner corner", "vertical")


@dataclass(frozen=True)
class Role:
    """``what``: one of the keys of vocabulary.ROLES. ``front``: number of the front it belongs to, -1 when not known.
    ``side``: "left", "right" or "" """

    what: str
    front: int = -1
    side: str = ""


@dataclass(frozen=True)
class Told:
    """Chosen lines with their ``ends`` (n, 2, 2) laid on the corners, upper or left end first, the corners, and their roles."""

    lines: Candidates
    ends: np.ndarray
    joints: tuple[Joint, ...]
    roles: list[Role]


def tell_lines(
    chosen: Candidates, fronts: tuple[Front, ...], everything: Candidates, size: float, frame: tuple[int, int]
) -> Told:
    """The chosen lines with corners and roles, without those that turn out to be strays.

    ``everything``: all candidates; ``frame``: width and height of the picture.
    """
    while True:
        ends, joints = in_order(*find_joints(chosen.lines, size))
        found = roles(chosen, ends, joints, fronts, everything, size, frame)
        kept = np.array([role.what != "stray" for role in found])
        if kept.all():
            return Told(chosen, ends, joints, found)
        chosen = chosen.take(kept)


def roles(
    chosen: Candidates,
    ends: np.ndarray,
    joints: tuple[Joint, ...],
    fronts: tuple[Front, ...],
    everything: Candidates,
    size: float,
    frame: tuple[int, int],
) -> list[Role]:
    """The role of each chosen line; ``ends`` (n, 2, 2) as laid on the corners; ``everything``: all candidates;
    ``frame``: width and height of the picture."""
    found: list[Role] = [Role("line") for _ in range(len(chosen))]
    chimneys = _chimneys(chosen, ends, size)
    for k, role in chimneys.items():
        found[k] = replace(role, front=front_of(fronts, float(ends[k, :, 0].mean())))
    _verticals(found, chosen, ends, fronts, everything, size)
    for k, role in enumerate(found):
        x = ends[k, :, 0].mean()
        if role.what == "outer corner" and min(x, frame[0] - x) < CUT * frame[0]:
            found[k] = Role("vertical", role.front)  # the picture ends here, the building may not
    _slopes(found, chosen, ends, joints, fronts)
    _levels(found, chosen, ends, fronts, size)
    return found


def front_of(fronts: tuple[Front, ...], x: float, aim: int = -1) -> int:
    """The number of the front at ``x``; of fronts at about the same distance the one with this aim."""
    if not fronts:
        return -1
    away = [max(f.left - x, x - f.right, 0.0) + (0.0 if aim in (-1, f.aim) else 0.08 * f.width + 1.0) for f in fronts]
    return int(np.argmin(away))


def _sky_above(chosen: Candidates, k: int) -> bool:
    """Sky over a line that is not upright."""
    left_hand = chosen.lines.vector[k, 0] > 0  # going right with y down, the left hand side is above
    return bool(chosen.sky[k, 0 if left_hand else 1] > AGAINST_SKY)


def _sky_beside(chosen: Candidates, k: int) -> str:
    """The side ("left", "right", "") of an upright line on which there is sky."""
    downwards = chosen.lines.vector[k, 1] > 0  # going down, the right hand side is the picture's left
    on_left, on_right = chosen.sky[k][::-1] if downwards else chosen.sky[k]
    if abs(on_left - on_right) < 0.3:
        return ""
    return "left" if on_left > on_right else "right"


# ---------------------------------------------------------------- verticals


def _verticals(found, chosen, ends, fronts, everything, size) -> None:
    upright = [k for k in range(len(chosen)) if chosen.kind[k] == VERTICAL and found[k].what == "line"]
    for k in upright:
        found[k] = Role("vertical", front_of(fronts, float(ends[k, :, 0].mean())))
    if not upright:
        return
    length = {k: float(np.hypot(*(ends[k, 1] - ends[k, 0]))) for k in upright}
    tall = [k for k in upright if length[k] > TALL * max(length.values())]
    x = {k: float(ends[k, :, 0].mean()) for k in tall}
    for side, outermost in (("left", min(tall, key=x.get)), ("right", max(tall, key=x.get))):
        if _outer(chosen, ends, outermost, side, everything, size):
            found[outermost] = Role("outer corner", found[outermost].front, side)
    for left, right in pairwise(fronts):
        near = [k for k in tall if abs(x[k] - 0.5 * (left.right + right.left)) < 0.035 * (fronts[-1].right - fronts[0].left)]
        near = [k for k in near if found[k].what == "vertical"]
        if near:
            hollow = left.recedes == "right" and right.recedes == "left"
            best = max(near, key=length.get)
            found[best] = Role("inner corner" if hollow else "middle corner", found[best].front)


def _chimneys(chosen, ends, size) -> dict[int, Role]:
    """Short uprights against the sky that stand on a roof line, and the short line over them: chimneys (or dormers' cheeks)."""
    upright = [k for k in range(len(chosen)) if chosen.kind[k] == VERTICAL and _stands_on_roof(chosen, ends, k, size)]
    side = {k: _sky_beside(chosen, k) for k in upright}
    x, top = ends[..., 0].mean(1), ends[..., 1].min(1)
    found = {}
    for k in upright:
        mates = [m for m in upright if side[m] != side[k] and abs(x[m] - x[k]) < STACK * size]
        found[k] = Role("chimney", -1, side[k]) if mates else Role("roof upright")
    skyline = [m for m in range(len(chosen)) if chosen.kind[m] != VERTICAL and _sky_above(chosen, m)]
    for m in skyline:
        if chosen.kind[m] == SLOPE or np.ptp(ends[m, :, 0]) > STACK * size:
            continue
        if any(_stands_over(ends, m, n, size) for n in skyline if n != m):
            found[m] = Role("chimney top")
        for k in upright:
            if np.hypot(*(ends[m] - [x[k], top[k]]).T).min() < 0.04 * size and ends[m, :, 1].mean() < top[k] + 0.02 * size:
                found[m] = Role("chimney top")
                found[k] = Role("chimney", -1, side[k])
    return found


def _stands_over(ends, m, n, size) -> bool:
    """Does the short line ``m`` lie over the long line ``n``, near it and within its stretch?"""
    a, b = ends[n][np.argsort(ends[n, :, 0])]
    x, y = ends[m].mean(0)
    if b[0] - a[0] < 2 * STACK * size or not a[0] < x < b[0]:
        return False
    return bool(0.01 * size < a[1] + (b[1] - a[1]) * (x - a[0]) / (b[0] - a[0]) - y < STACK * size)


def _stands_on_roof(chosen, ends, k, size) -> bool:
    top, foot = ends[k][np.argsort(ends[k, :, 1])]
    if not _sky_beside(chosen, k) or foot[1] - top[1] > STACK * size:
        return False
    for m in range(len(chosen)):
        a, b = ends[m][np.argsort(ends[m, :, 0])]
        if chosen.kind[m] == VERTICAL or not _sky_above(chosen, m) or b[0] - a[0] < 0.1 * size:
            continue
        if a[0] - 0.02 * size < foot[0] < b[0] + 0.02 * size:
            y = a[1] + (b[1] - a[1]) * (foot[0] - a[0]) / (b[0] - a[0])
            if abs(y - foot[1]) < 0.04 * size:
                return True
    return False


def _outer(chosen, ends, k, side, everything, size) -> bool:
    """Is the outermost vertical the building's outer corner: sky beyond it, or lines that end at it and none beyond?"""
    if _sky_beside(chosen, k) == side:
        return True
    sign = -1.0 if side == "left" else 1.0
    reach = (sign * (everything.lines.ends[..., 0] - ends[k, :, 0].mean())).max(1)
    # Roofs overhang, and the ground goes on: what lies beside the wall counts.
    top, foot = np.sort(ends[k, :, 1])
    height = everything.lines.middle[:, 1]
    above_ground = (height < foot - 0.05 * size) & (height > top + 0.1 * (foot - top))
    length = everything.lines.length
    beyond = length[(reach > 0.05 * size) & above_ground].sum()
    at = length[(np.abs(reach) < 0.05 * size) & (everything.aim >= 0)].sum()
    return bool(beyond < 0.3 * size and at > 0.1 * size)


# ---------------------------------------------------------------- slopes


def _slopes(found, chosen, ends, joints, fronts) -> None:
    for k in range(len(chosen)):
        if chosen.kind[k] != SLOPE:
            continue
        top, bottom = ends[k][np.argsort(ends[k, :, 1])]
        side = "left" if bottom[0] < top[0] else "right"
        roof = _sky_above(chosen, k) or any(_meets_slope(joint, k, chosen) for joint in joints)
        # Within a wall it is a shadow's edge, or the underside of the eaves.
        found[k] = Role("roof slope" if roof else "stray", front_of(fronts, float(ends[k, :, 0].mean())), side)


def _meets_slope(joint: Joint, k: int, chosen: Candidates) -> bool:
    members = [line for line, _ in joint.ends]
    return k in members and any(m != k and chosen.kind[m] == SLOPE for m in members)


# ---------------------------------------------------------------- level and receding lines


def _levels(found, chosen, ends, fronts, size) -> None:
    level = [k for k in range(len(chosen)) if found[k].what == "line"]
    for k in level:
        found[k] = Role("line", front_of(fronts, float(ends[k, :, 0].mean()), int(chosen.aim[k])))
    for number in sorted({found[k].front for k in level}):
        own = [k for k in level if found[k].front == number]
        corners = _uprights(found, ends, fronts, number)
        place = {k: _height_on(ends, k, corners) for k in own}
        _one_front(found, chosen, ends, own, place, number)


def _uprights(found, ends, fronts, number) -> list[int]:
    """The taller uprights of a front, its corners included; all taller ones where it has none."""
    every = [k for k, role in enumerate(found) if role.what in UPRIGHT]
    if number >= 0:
        room = 0.03 * (fronts[-1].right - fronts[0].left)
        left, right = fronts[number].left - room, fronts[number].right + room
        own = [k for k in every if left < ends[k, :, 0].mean() < right]
        every = own or every
    length = np.abs(ends[:, 0, 1] - ends[:, 1, 1])
    return [k for k in every if length[k] > TALL * max(length[m] for m in every)]


def _one_front(found, chosen, ends, own, place, number) -> None:
    """Roles from top to bottom of one front, by the place of each line on the height of the uprights beside it."""
    roofs = [k for k in own if _sky_above(chosen, k)]
    # Under a top edge there is wall, however pale.
    roofs = [k for k in roofs if not any(place[k] - place[m] > 0.15 and _side_by_side(ends, k, m) for m in roofs)]
    pitched = any(role.what == "roof slope" for role in found)
    low = sorted((k for k in own if place[k] > 0.9 and k not in roofs), key=lambda k: place[k])
    for k in own:
        found[k] = Role("storey line", number)
    for order, k in enumerate(low):
        found[k] = Role("base line" if order == 0 and place[k] < 1.12 else "ground line", number)
        if place[k] > 1.3 and chosen.kind[k] == LEVEL:
            found[k] = Role("stray", number)  # level on the picture, far before the wall: a car, a bench
    for k in own:
        if place[k] < 0.08 and k not in roofs:
            found[k] = Role("eaves", number)
    for k in roofs:
        below = [m for m in own if found[m].what == "eaves" and place[m] - place[k] > RIDGE_OVER and _side_by_side(ends, k, m)]
        found[k] = Role("ridge" if pitched and below and place[k] < -RIDGE_OVER else "top edge", number)
    for k in own:
        if found[k].what == "eaves" and place[k] < -RIDGE_OVER:
            found[k] = Role("roof line", number)


def _side_by_side(ends: np.ndarray, a: int, b: int) -> bool:
    """Do two lines share 0.4 of the shorter one's stretch across the picture?"""
    low = max(ends[a, :, 0].min(), ends[b, :, 0].min())
    high = min(ends[a, :, 0].max(), ends[b, :, 0].max())
    return high - low > 0.4 * min(np.ptp(ends[a, :, 0]), np.ptp(ends[b, :, 0]))


def _height_on(ends: np.ndarray, k: int, corners: list[int]) -> float:
    """Where the line lies on the nearest uprights: 0 at their tops, 1 at their feet; 0.5 when there are none."""
    if not corners:
        return 0.5
    x = ends[:, :, 0].mean(1)
    low, high = ends[k, :, 0].min(), ends[k, :, 0].max()
    nearest = sorted(corners, key=lambda c: (max(low - x[c], x[c] - high, 0.0), abs(x[c] - 0.5 * (low + high))))[:2]
    run = ends[k, 1] - ends[k, 0]
    steep = run[1] / (run[0] if abs(run[0]) > 1e-6 else 1e-6)
    places = []
    for c in nearest:
        # The line is carried on to the upright: receding lines change height with x.
        y = ends[k, 0, 1] + steep * (x[c] - ends[k, 0, 0])
        top, foot = ends[c, :, 1].min(), ends[c, :, 1].max()
        places.append((y - top) / max(foot - top, 1e-6))
    # An upright that ends at the line tells most.
    at_end = [place for place in places if min(abs(place), abs(place - 1.0)) < 0.05]
    return float(np.mean(at_end or places))
