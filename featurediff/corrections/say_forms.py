"""Sentences about symmetric forms and their ellipses: lean, uneven sides, levels, level and round rims, gaps beside a thing."""

from __future__ import annotations

import math

import numpy as np

from featurediff.corrections import words
from featurediff.corrections.items import Item
from featurediff.corrections.words import Speech, degrees, the
from featurediff.deviations import Compared, ellipse_axes

# A line within this many degrees of plumb or level is taken to be so.
_UPRIGHT_DEG = 1.0


def _say_lean(item: Item, compared: tuple[Compared, ...], speech: Speech) -> str:
    h = item.hypothesis
    foot, top = h.extra["foot"], h.extra["top"]
    drawn_right = item.amount > 0
    way = "left" if drawn_right else "right"
    amount = degrees(item.amount)
    length = speech.length(math.radians(abs(item.amount)) * h.extent)
    true = math.degrees(math.atan2(*((top - foot) @ np.column_stack([[1.0, 0.0], [0.0, -1.0]]))))
    # What is plumb in the picture is so on the paper, unless the whole is drawn tilted.
    lean = speech.frame.lean_deg - speech.subject.axis_deg
    if abs(true - lean) < _UPRIGHT_DEG:
        return f"bring the axis of {the(h.label)} back {amount} to plumb: its top {length} {way}"
    turned = "anticlockwise" if drawn_right else "clockwise"
    return f"turn the axis of {the(h.label)} {amount} {turned}: its top {length} {way}"


def _say_bulge(item: Item, compared: tuple[Compared, ...], speech: Speech) -> str:
    h = item.hypothesis
    out = (item.amount > 0) == (h.extra["side"] == "right")
    text = f"move {words.about(item, speech)} {'in' if out else 'out'} {speech.length(item.amount)} in its middle"
    return f"{text}: the sides are uneven"


def _say_belly(item: Item, compared: tuple[Compared, ...], speech: Speech) -> str:
    h = item.hypothesis
    wide = item.amount > 0
    both = speech.length(2 * item.amount)
    text = f"{'narrow' if wide else 'widen'} {the(h.label)} {both} in its middle"
    return f"{text}: {'bring' if wide else 'move'} each side {'in' if wide else 'out'} {speech.length(item.amount)}"


def _say_level(item: Item, compared: tuple[Compared, ...], speech: Speech) -> str:
    h = item.hypothesis
    name = h.extra["level"]
    verb = "set" if name.endswith("point") else "start"
    side = f" on the {h.extra['side']}" if h.own else ""
    way = "higher" if item.amount > 0 else "lower"
    return f"{verb} the {name} of {the(h.extra['form'].label)}{side} {speech.length(item.amount)} {way}"


def _say_points(item: Item, compared: tuple[Compared, ...], speech: Speech) -> str:
    what = words.about(item, speech)
    if item.amount > 0:
        return f"round the ends of {what}; they come to points"
    return f"tighten the ends of {what}; they are squarer than an ellipse's"


def _say_turn(item: Item, compared: tuple[Compared, ...], speech: Speech) -> str:
    """An ellipse that lies level in the picture is levelled; all else as `words` has it."""
    h = item.hypothesis
    if h.own and h.feature is not None and h.feature.kind == "ellipse":
        long = ellipse_axes(compared[h.members[0]].reference)[0]
        true = math.degrees(math.atan2(long[1], long[0])) if long[0] >= 0 else math.degrees(math.atan2(-long[1], -long[0]))
        lean = speech.frame.lean_deg - speech.subject.axis_deg
        if abs(true - lean) < _UPRIGHT_DEG:
            side = "right" if item.amount > 0 else "left"
            return f"level {words.about(item, speech)}: it tips {degrees(item.amount)} to the {side}"
    return words.SAY["turn"](item, compared, speech)


def _say_move(item: Item, compared: tuple[Compared, ...], speech: Speech) -> str:
    """A thing moved level beside one that is right is told by the gap between them; a rim aside of its form, by the axis."""
    told = _gap(item, compared, speech) or _centred(item, speech)
    return told or words.SAY["move"](item, compared, speech)


def _centred(item: Item, speech: Speech) -> str:
    h = item.hypothesis
    if len(item.statements) > 1 or not h.own or h.feature is None or h.feature.kind != "ellipse":
        return ""
    form = next((form for form in speech.subject.forms if h.feature.part.startswith(form.part + "/")), None)
    parts = words.direction(item.move, speech)
    if form is None or len(parts) > 1 or parts[0][0] not in ("left", "right"):
        return ""
    return f"centre {words.about(item, speech)} on the axis: move it {words.told(parts, speech)}"


def _gap(item: Item, compared: tuple[Compared, ...], speech: Speech) -> str:
    h = item.hypothesis
    if h.group is None or not h.group.apart or len({each.hypothesis.target for each in item.statements}) > 1:
        return ""
    parts = words.direction(item.move, speech)
    if len(parts) > 1 or parts[0][0] not in ("left", "right"):
        return ""
    neighbour, side = _neighbour(item, compared, speech)
    if not neighbour:
        return ""
    verb = "widen" if side != parts[0][0] else "narrow"
    amount = speech.length(float(np.hypot(*item.move)))
    return f"{verb} the gap between {the(h.label)} and {the(neighbour)} by {amount} (move {the(h.label)} {parts[0][0]})"


def _neighbour(item: Item, compared: tuple[Compared, ...], speech: Speech) -> tuple[str, str]:
    """The nearest other thing with free space between, and on which side it stands; ("", "") when there is none."""
    right, down = speech.frame.right, speech.frame.down
    box = _box(item.hypothesis.group.part, compared, right, down)
    best, found = math.inf, ("", "")
    for group in speech.subject.groups:
        if not group.apart or group.part == item.hypothesis.group.part:
            continue
        other = _box(group.part, compared, right, down)
        if other is None or min(box[3], other[3]) < max(box[2], other[2]):
            continue
        for side, space in (("left", box[0] - other[1]), ("right", other[0] - box[1])):
            if 0 < space < best:
                best, found = space, (speech.of(group.label, group.sitter_label), side)
    return found


def _box(part: str, compared: tuple[Compared, ...], right: np.ndarray, down: np.ndarray):
    """Left, right, top, bottom of what was found of a thing, or None."""
    own = [each.reference for each in compared if each.feature.part.startswith(part + "/")]
    if not own:
        return None
    points = np.concatenate(own)
    across, height = points @ right, points @ down
    return float(across.min()), float(across.max()), float(height.min()), float(height.max())


SAY = {
    "lean": _say_lean,
    "bulge": _say_bulge,
    "belly": _say_belly,
    "level": _say_level,
    "points": _say_points,
    "turn": _say_turn,
    "move": _say_move,
}
