"""What each chosen line is on the building: outer corner, eaves, ridge, roof slope, storey line, base line, kerb, or just a line."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from featurediff_architecture.choose import Candidates
from featurediff_architecture.classify import SLOPE, VERTICAL
from featurediff_architecture.fronts import Front
from featurediff_architecture.joints import Joint

# Sky on one side along this share of the length makes an outline.
AGAINST_SKY = 0.5
# A corner of the building reaches over this share of the tallest vertical.
TALL = 0.5


@dataclass(frozen=True)
class Role:
    """``what``: one of the keys of vocabulary.ROLES. ``front``: number of the front it belongs to, -1 when not known.
    ``side``: "left", "right" or "" """

    what: str
    front: int = -1
    side: str = ""


def roles(chosen: Candidates, ends: np.ndarray, joints: tuple[Joint, ...], fronts: tuple[Front, ...], size: float) -> list[Role]:
    """The role of each chosen line; ``ends`` (n, 2, 2) as laid on the corners."""
    found: list[Role] = [Role("line") for _ in range(len(chosen))]
    _verticals(found, chosen, ends, fronts, size)
    _slopes(found, chosen, ends, joints, fronts)
    _levels(found, chosen, ends, joints, fronts, size)
    return found


def front_of(fronts: tuple[Front, ...], x: float, aim: int = -1) -> int:
    """The number of the front at ``x``; of fronts at about the same distance the one with this aim."""
    if not fronts:
        return -1
    away = [max(f.left - x, x - f.right, 0.0) + (0.0 if aim in (-1, f.aim) else 0.08 * f.width + 1.0) for f in fronts]
    return int(np.argmin(away))


def _sky_above(chosen: Candidates, ends: np.ndarray, k: int) -> bool:
    """Sky over a line that is not upright."""
    left_hand = ends[k, 1, 0] > ends[k, 0, 0]  # going right with y down, the left hand side is above
    return bool(chosen.sky[k, 0 if left_hand else 1] > AGAINST_SKY)


def _sky_beside(chosen: Candidates, ends: np.ndarray, k: int) -> str:
    """The side ("left", "right", "") of an upright line on which there is sky."""
    downwards = ends[k, 1, 1] > ends[k, 0, 1]  # going down, the right hand side is the picture's left
    on_left, on_right = chosen.sky[k][::-1] if downwards else chosen.sky[k]
    if abs(on_left - on_right) < 0.3:
        return ""
    return "left" if on_left > on_right else "right"


# ---------------------------------------------------------------- verticals


def _verticals(found, chosen, ends, fronts, size) -> None:
    upright = [k for k in range(len(chosen)) if chosen.kind[k] == VERTICAL]
    for k in upright:
        found[k] = Role("vertical", front_of(fronts, float(ends[k, :, 0].mean())))
    if not upright:
        return
    length = {k: float(np.hypot(*(ends[k, 1] - ends[k, 0]))) for k in upright}
    tall = [k for k in upright if length[k] > TALL * max(length.values())]
    level = [k for k in range(len(chosen)) if chosen.aim[k] >= 0]
    x = {k: float(ends[k, :, 0].mean()) for k in tall}
    for side, outermost in (("left", min(tall, key=x.get)), ("right", max(tall, key=x.get))):
        if _outer(chosen, ends, outermost, side, level, size):
            found[outermost] = Role("outer corner", found[outermost].front, side)
    for left, right in zip(fronts[:-1], fronts[1:], strict=False):
        if left.recedes == right.recedes and left.aim == right.aim:
            continue
        edge = 0.5 * (left.right + right.left)
        near = [k for k in tall if abs(x[k] - edge) < 0.035 * (fronts[-1].right - fronts[0].left)]
        near = [k for k in near if found[k].what == "vertical"]
        if near:
            best = max(near, key=length.get)
            hollow = left.recedes == "right" and right.recedes == "left"
            found[best] = Role("inner corner" if hollow else "middle corner", found[best].front)


def _outer(chosen, ends, k, side, level, size) -> bool:
    """Is the outermost vertical the building's outer corner: sky beyond it, or level lines that end at it and none beyond?"""
    if _sky_beside(chosen, ends, k) == side:
        return True
    x = float(ends[k, :, 0].mean())
    sign = -1.0 if side == "left" else 1.0
    beyond = [m for m in level if (sign * (ends[m, :, 0] - x)).max() > 0.04 * size and ends[m, :, 1].mean() < ends[k, :, 1].max() - 0.03 * size]
    at = [m for m in level if abs((sign * (ends[m, :, 0] - x)).max()) < 0.04 * size]
    return not beyond and bool(at)


# ---------------------------------------------------------------- slopes


def _slopes(found, chosen, ends, joints, fronts) -> None:
    for k in range(len(chosen)):
        if chosen.kind[k] != SLOPE:
            continue
        top, bottom = ends[k][np.argsort(ends[k, :, 1])]
        side = "left" if bottom[0] < top[0] else "right"
        roof = _sky_above(chosen, ends, k) or any(_meets_slope(joint, k, chosen) for joint in joints)
        found[k] = Role("roof slope" if roof else "slope", front_of(fronts, float(ends[k, :, 0].mean())), side)


def _meets_slope(joint: Joint, k: int, chosen: Candidates) -> bool:
    members = [line for line, _ in joint.ends]
    return k in members and any(m != k and chosen.kind[m] == SLOPE for m in members)


# ---------------------------------------------------------------- level and receding lines


def _levels(found, chosen, ends, joints, fronts, size) -> None:
    level = [k for k in range(len(chosen)) if found[k].what == "line"]
    for k in level:
        found[k] = Role("line", front_of(fronts, float(ends[k, :, 0].mean()), int(chosen.aim[k])))
    corners = [k for k, role in enumerate(found) if role.what in ("outer corner", "middle corner", "inner corner", "vertical")]
    for number in sorted({found[k].front for k in level}):
        own = [k for k in level if found[k].front == number]
        _one_front(found, chosen, ends, own, corners, number, size)


def _one_front(found, chosen, ends, own, corners, number, size) -> None:
    """Roles from top to bottom of one front, by the place of each line on the height of the verticals beside it."""
    place = {k: _height_on(ends, k, corners) for k in own}
    own = sorted(own, key=lambda k: place[k])
    roofs = [k for k in own if _sky_above(chosen, ends, k) and place[k] < 0.35]
    walls = [k for k in own if 0.08 < place[k] < 0.92]
    low = [k for k in own if place[k] >= 0.92]
    top = [k for k in own if k not in walls and k not in low]
    for k in walls:
        found[k] = Role("storey line", number)
    for k in roofs:
        found[k] = Role("top edge", number)
    eaves = [k for k in top if -0.08 <= place[k] and k not in roofs]
    for k in top:
        if place[k] < -0.08:
            found[k] = Role("ridge" if k in roofs or _sky_above(chosen, ends, k) else "roof line", number)
        elif k in roofs and not any(place[m] < -0.08 for m in top):
            found[k] = Role("top edge", number)
        else:
            found[k] = Role("eaves" if k in eaves or any(place[m] < -0.08 for m in top) else "top edge", number)
    for order, k in enumerate(low):
        at_base = place[k] < 1.08
        found[k] = Role("base line" if order == 0 and at_base else "ground line", number)


def _height_on(ends: np.ndarray, k: int, corners: list[int]) -> float:
    """Where the line lies on the nearest tall verticals: 0 at their tops, 1 at their feet."""
    if not corners:
        return 0.5
    x = ends[:, :, 0].mean(1)
    length = np.abs(ends[:, 0, 1] - ends[:, 1, 1])
    tall = [c for c in corners if length[c] > TALL * max(length[m] for m in corners)]
    low, high = ends[k, :, 0].min(), ends[k, :, 0].max()
    nearest = sorted(tall, key=lambda c: max(low - x[c], x[c] - high, 0.0) - 0.05 * length[c])[:2]
    places = []
    for c in nearest:
        # The line is carried on to the vertical: receding lines change height with x.
        run = ends[k, 1] - ends[k, 0]
        y = ends[k, 0, 1] + run[1] / (run[0] if abs(run[0]) > 1e-6 else 1e-6) * (x[c] - ends[k, 0, 0])
        top, foot = ends[c, :, 1].min(), ends[c, :, 1].max()
        places.append((y - top) / max(foot - top, 1e-6))
    return float(np.mean(places))
