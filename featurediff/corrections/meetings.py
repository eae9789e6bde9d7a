"""Lines that aim at one point: the point too high, too low, too near or too far, and the eye level that several points share.

When the point that lines aim at is wrong, each line turns about its own end that lies farthest from the point: that is where the
artist started it. To first order a point p of the line is displaced by t * d when the meeting point is displaced by d, with t = 0
at that end and t = 1 at the meeting point (lines through a fixed point and a moving one; geometry). What lies between the
lines goes with them.

One unit of a hypothesis moves the line that shows it most by 1 mm there, never 1 mm at the far point.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from featurediff.aims import Aim, aims
from featurediff.corrections.builder import Builder, Hypothesis
from featurediff.records import Subject

# The eye level is as plain a thing to say as any; one point by itself is less plain.
_COST_LEVEL, _COST_ONE = 1.0, 1.15
# What lies between the far ends of lines, or overlaps them by this share of the subject's size, stands at their far end.
_BESIDE = 0.03


@dataclass(frozen=True)
class _Fan:
    """A meeting on the sheet: its `Aim`, and ``share`` (N,): t for every point of all compared features, 0 where not touched."""

    aim: Aim
    members: tuple[int, ...]
    touched: tuple[int, ...]
    share: np.ndarray


def add_meetings(builder: Builder, subject: Subject) -> None:
    """Add the eye level and every meeting point of ``subject`` whose lines spread enough."""
    fans = [_fan(builder, aim) for aim in aims(subject, builder.frame.to_sheet, builder.index)]
    level = [fan for fan in fans if fan.aim.meeting.level]
    if level:
        _add_eye_level(builder, level)
    for fan in fans:
        _add_one(builder, fan, alone=len(level) == 1 and fan.aim.meeting.level)


def _add_eye_level(builder: Builder, fans: list[_Fan]) -> None:
    field = sum(fan.share for fan in fans)[:, None] * builder.frame.down
    members = tuple(k for fan in fans for k in fan.members)
    unit = _largest(builder, members, field)
    if unit <= 0:
        return
    hypothesis = Hypothesis(
        "eye level",
        "eye level",
        "eye level",
        tuple(sorted({k for fan in fans for k in fan.touched})),
        _near_ends(builder, fans),
        axis=builder.frame.down,
        stage=fans[0].aim.meeting.stage,
        per_unit=1.0 / unit,
        cost=_COST_LEVEL,
        visible=_on_the_drawing(builder, _points(fans) @ builder.frame.down[:, None], builder.frame.down),
        extra={"lines": members, "fans": tuple((fan.aim.meeting.label, fan.members) for fan in fans), "at": _points(fans)},
    )
    builder.add_field(hypothesis, field / unit)


def _add_one(builder: Builder, fan: _Fan, alone: bool) -> None:
    """One meeting point up or down (unless it is the eye level itself), and nearer or farther."""
    meeting, at = fan.aim.meeting, fan.aim.at
    away = at - builder.points[builder.of(fan.members)].mean(0)
    upright = abs(away @ builder.frame.down) > abs(away @ builder.frame.right)
    along, aside = (builder.frame.down, builder.frame.right) if upright else (builder.frame.right, builder.frame.down)
    if away @ along < 0:
        along = -along
    ways = [("closing", along)] if alone and not upright else [("aim", aside), ("closing", along)]
    for kind, axis in ways:
        field = fan.share[:, None] * axis
        unit = _largest(builder, fan.members, field)
        if unit <= 0:
            continue
        hypothesis = Hypothesis(
            kind,
            f"meeting {meeting.label}",
            meeting.label,
            fan.touched,
            _near_ends(builder, [fan]),
            axis=axis,
            stage=meeting.stage,
            per_unit=1.0 / unit,
            cost=_COST_ONE,
            plural=True,
            visible=all(_on_the_drawing(builder, at @ way[:, None], way) for way in (builder.frame.right, builder.frame.down)),
            extra={"lines": fan.members, "fans": ((meeting.label, fan.members),), "at": at[None]},
        )
        builder.add_field(hypothesis, field / unit)


def _on_the_drawing(builder: Builder, places: np.ndarray, axis: np.ndarray) -> bool:
    """Whether places along an axis lie within what is drawn."""
    drawn = builder.points @ axis
    return bool((places >= drawn.min()).all() and (places <= drawn.max()).all())


def _fan(builder: Builder, aim: Aim) -> _Fan:
    members = tuple(builder.index[name] for name in aim.names)
    touched = tuple(dict.fromkeys((*members, *builder.found(aim.meeting.carried))))
    share = np.zeros(len(builder.points))
    for k, hinge in zip(members, aim.hinges, strict=True):
        use = builder.of((k,))
        share[use] = _along(builder.points[use], hinge, aim.at)
    rest = tuple(k for k in touched if k not in members)
    if rest:
        use = builder.of(rest)
        share[use] = _between(builder.points[use], aim)
    closing = _closing(builder, aim, touched)
    if closing:
        ends = [share[builder.of((k,))].max() for k in members]
        share[builder.of(closing)] = float(np.median(ends))
    return _Fan(aim, members, (*touched, *closing), share)


def _closing(builder: Builder, aim: Aim, touched: tuple[int, ...]) -> tuple[int, ...]:
    """What stands at the far end of lines that meet on the drawing, and closes the view: it goes with the point as one."""
    if not all(_on_the_drawing(builder, aim.at @ way[:, None], way) for way in (builder.frame.right, builder.frame.down)):
        return ()
    low, high = aim.nears.min(0) - _BESIDE * builder.frame.size, aim.nears.max(0) + _BESIDE * builder.frame.size
    found = []
    for k in range(len(builder.compared)):
        points = builder.points[builder.of((k,))]
        if k not in touched and (points > low).all() and (points < high).all():
            found.append(k)
    return tuple(found)


def _along(points: np.ndarray, hinge: np.ndarray, at: np.ndarray) -> np.ndarray:
    """(n,) 0 at the hinge, 1 at the meeting point."""
    way = at - hinge
    return np.clip((points - hinge) @ way / (way @ way), 0.0, 1.0)


def _between(points: np.ndarray, aim: Aim) -> np.ndarray:
    """(n,) the same for points between the lines: the hinge of a line through them is taken from its neighbours'.

    Seen from the meeting point, a straight line through two hinges has 1 / distance almost straight over a small angle.
    """
    hinge, arm = aim.hinges - aim.at, points - aim.at
    middle = hinge.mean(0) / max(float(np.hypot(*hinge.mean(0))), 1e-9)
    side = np.array([-middle[1], middle[0]])
    angles, angle = np.arctan2(hinge @ side, hinge @ middle), np.arctan2(arm @ side, arm @ middle)
    order = np.argsort(angles)
    inverse = np.interp(angle, angles[order], 1.0 / np.hypot(*hinge[order].T))
    return np.clip(1.0 - np.hypot(*arm.T) * inverse, 0.0, 1.0)


def _largest(builder: Builder, members: tuple[int, ...], field: np.ndarray) -> float:
    """The largest displacement across a line."""
    best = 0.0
    for k in members:
        use = builder.of((k,))
        chord = builder.points[use][-1] - builder.points[use][0]
        normal = np.array([-chord[1], chord[0]]) / max(float(np.hypot(*chord)), 1e-9)
        best = max(best, float(np.abs(field[use] @ normal).max()))
    return best


def _near_ends(builder: Builder, fans: list[_Fan]) -> np.ndarray:
    """(2,) where the change shows: the mean of the members' ends that lie nearest to their meeting point."""
    ends = []
    for fan in fans:
        for k in fan.members:
            points = builder.points[builder.of((k,))]
            ends.append(points[np.hypot(*(points - fan.aim.at).T).argmin()])
    return np.mean(ends, 0)


def _points(fans: list[_Fan]) -> np.ndarray:
    """(k, 2) the meeting points."""
    return np.array([fan.aim.at for fan in fans])
