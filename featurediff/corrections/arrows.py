"""Where on the sheet to point, and which way to go there, for pictures of the list."""

from __future__ import annotations

import numpy as np

from featurediff.corrections import check_forms
from featurediff.corrections.items import Item
from featurediff.corrections.say_meetings import moves
from featurediff.corrections.words import swing_move
from featurediff.deviations import Compared, Frame, ellipse_axes

Arrow = tuple[tuple[float, float], tuple[float, float]]


def arrows(item: Item, compared: tuple[Compared, ...], frame: Frame) -> tuple[Arrow, ...]:
    """((x, y), (dx, dy)) in sheet units: start on the drawn line, and the move to make there. Empty for a pure turn."""
    return tuple((_pair(at), _pair(move)) for at, move in _arrows(item, compared, frame))


def _arrows(item: Item, compared: tuple[Compared, ...], frame: Frame) -> list[tuple[np.ndarray, np.ndarray]]:
    h = item.hypothesis
    if item.kind == "shape" or h is None:
        each = compared[item.index]
        return [(each.reference[item.place] + each.off[item.place], item.move)] if item.move is not None else []
    if item.kind in check_forms.KINDS:
        return check_forms.arrows(item, compared, frame.right)
    if item.kind == "swing":
        each = compared[h.members[0]]
        end = h.extra["end"]
        return [(each.reference[end] + each.off[end], swing_move(item, each))]
    if item.kind in ("eye level", "aim", "closing"):
        return [(end + compared[k].off.mean(0), move) for k, end, move in moves(item, compared)]
    if "offsets" in h.extra:
        amounts = -item.amount * h.extra["offsets"]
        return [
            (_centre(compared, one), by * h.axis) for one, by in zip(h.extra["items"], amounts, strict=True) if abs(by) > 0.25
        ]
    if item.kind in ("each width", "each height"):
        return [arrow for one in h.extra["items"] for arrow in _narrowed(item, one, compared)]
    if item.kind == "spacing":
        return [
            (_centre(compared, h.extra[side]), sign * item.amount * h.axis) for side, sign in (("left", 1.0), ("right", -1.0))
        ]
    if item.kind in ("width", "height", "aspect"):
        return _stretch(item, compared)
    if item.kind == "openness":
        _, short, _, extent = ellipse_axes(compared[h.members[0]].reference)
        middle = _centre(compared, h.members)
        return [(middle + s * short * (extent + item.amount) / 2, -s * short * item.amount / 2) for s in (1.0, -1.0)]
    if item.kind == "grows":
        return _grows(item, compared, frame)
    if item.kind in ("scale", "each"):
        blocks = [h.extra["left"], h.extra["right"]] if item.kind == "each" else [h.members]
        return [arrow for block in blocks for arrow in _scale(block, item.amount, compared, frame)]
    return [(item.at + _off(compared, item.explains), item.move)] if item.move is not None else []


def _stretch(item: Item, compared: tuple[Compared, ...]) -> list[tuple[np.ndarray, np.ndarray]]:
    h = item.hypothesis
    points = _drawn(compared, h.extra.get("block", h.members))
    place = points @ h.axis
    far, near = points[place.argmax()], points[place.argmin()]
    if h.side in ("right", "bottom"):
        return [(far, -item.amount * h.axis)]
    if h.side in ("left", "top"):
        return [(near, item.amount * h.axis)]
    return [(far, -item.amount / 2 * h.axis), (near, item.amount / 2 * h.axis)]


def _narrowed(item: Item, members: tuple[int, ...], compared: tuple[Compared, ...]) -> list[tuple[np.ndarray, np.ndarray]]:
    """Both sides of one of several things of one size."""
    axis, points = item.hypothesis.axis, _drawn(compared, members)
    place, middle = points @ axis, points.mean(0)
    return [
        (middle + (end - middle @ axis) * axis, way * item.amount / 2 * axis)
        for end, way in ((place.max(), -1), (place.min(), 1))
    ]


def _grows(item: Item, compared: tuple[Compared, ...], frame: Frame) -> list[tuple[np.ndarray, np.ndarray]]:
    """At both corners of the large end, inwards."""
    h = item.hypothesis
    points = _drawn(compared, h.members)
    axis = h.axis if item.amount > 0 else -h.axis
    side = frame.right if abs(axis @ frame.down) > 0.5 else frame.down
    far = points[points @ axis > np.quantile(points @ axis, 0.75)]
    reach = abs(item.amount) / 4 * np.ptp(far @ side)
    return [
        (far[(far @ side).argmax()], -reach * side),
        (far[(far @ side).argmin()], reach * side),
    ]


def _scale(members: tuple[int, ...], amount: float, compared: tuple[Compared, ...], frame: Frame):
    points = _drawn(compared, members)
    centre = points.mean(0)
    ends = [points[(points @ frame.right).argmax()], points[(points @ frame.right).argmin()]]
    return [(end, -(end - centre) * amount / (1.0 + amount)) for end in ends]


def _drawn(compared: tuple[Compared, ...], members) -> np.ndarray:
    return np.concatenate([compared[k].reference + compared[k].off for k in members])


def _centre(compared: tuple[Compared, ...], members) -> np.ndarray:
    return _drawn(compared, members).mean(0)


def _off(compared: tuple[Compared, ...], members) -> np.ndarray:
    return np.mean([compared[k].off.mean(0) for k in members], 0) if members else np.zeros(2)


def _pair(values: np.ndarray) -> tuple[float, float]:
    return (float(values[0]), float(values[1]))
