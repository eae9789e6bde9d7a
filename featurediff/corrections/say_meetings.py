"""Sentences about where lines aim: the eye level, and single meeting points."""

from __future__ import annotations

import numpy as np

from featurediff.corrections.items import Item
from featurediff.corrections.words import Speech, join, the
from featurediff.deviations import Compared

# A meeting point is told by its own place when that lies within this share of the subject's size from all that is drawn.
_NEAR = 0.5
_NAMED = 4


def reach(item: Item, compared: tuple[Compared, ...]) -> tuple[int, np.ndarray, np.ndarray]:
    """The line that shows the error most: its index, the end (2,) and the move (2,) to make there."""
    h = item.hypothesis
    best = (h.members[0], np.zeros(2), np.zeros(2), -1.0)
    for k, end, move in moves(item, compared):
        chord = compared[k].reference[-1] - compared[k].reference[0]
        across = abs(move[0] * chord[1] - move[1] * chord[0]) / max(float(np.hypot(*chord)), 1e-9)
        if across > best[3]:
            best = (k, end, move, across)
    return best[:3]


def moves(item: Item, compared: tuple[Compared, ...]) -> list[tuple[int, np.ndarray, np.ndarray]]:
    """For each line: its index, the end (2,) nearest to its meeting point, and the move (2,) to make there."""
    h = item.hypothesis
    found = []
    for (_, lines), at in zip(h.extra["fans"], h.extra["at"], strict=True):
        for k in lines:
            ends = compared[k].reference[[0, -1]]
            far = np.hypot(*(ends - at).T)
            near, hinge = ends[far.argmin()], ends[far.argmax()]
            share = float((near - hinge) @ (at - hinge) / ((at - hinge) @ (at - hinge)))
            found.append((k, near, -share * item.amount * h.axis))
    return found


def _say_eye_level(item: Item, compared, speech: Speech) -> str:
    h = item.hypothesis
    high = item.amount < 0
    lines = _together([label for label, _ in h.extra["fans"]]) + _numbers(item, compared, speech)
    if _height_near(h, compared, speech):
        return f"{'lower' if high else 'raise'} the eye level {speech.length(item.amount)}; {lines} meet there"
    return f"{'lower' if high else 'raise'} the eye level: {_at_most(item, compared, speech, 'down' if high else 'up', lines)}"


def _together(labels: list[str]) -> str:
    """ "the lines that recede to the left and right": labels that differ in their last word only are told as one."""
    heads = {label.rpartition(" ")[0] for label in labels}
    if len(labels) > 1 and len(heads) == 1 and "" not in heads:
        return f"{the(heads.pop())} {join([label.rpartition(' ')[2] for label in labels])}"
    return join([the(label) for label in labels])


def _say_aim(item: Item, compared, speech: Speech) -> str:
    """The meeting point off along one of the subject's axes, square to the way to it."""
    h = item.hypothesis
    upright = abs(h.axis @ speech.frame.down) > 0.7
    way = ("lower" if item.amount < 0 else "higher") if upright else ("further right" if item.amount < 0 else "further left")
    lines = the(h.label) + _numbers(item, compared, speech)
    if _height_near(h, compared, speech) and upright:
        return f"make {lines} meet {speech.length(item.amount)} {way}"
    word = {"lower": "down", "higher": "up", "further right": "right", "further left": "left"}[way]
    return f"make {lines} meet {way}: {_at_most(item, compared, speech, word, 'they')}"


def _say_closing(item: Item, compared, speech: Speech) -> str:
    """The meeting point too near or too far: the lines close in too fast or too slowly."""
    k, _, move = reach(item, compared)
    chord = compared[k].reference[-1] - compared[k].reference[0]
    across = abs(move[0] * chord[1] - move[1] * chord[0]) / max(float(np.hypot(*chord)), 1e-9)
    far = item.amount > 0
    lines = the(item.hypothesis.label) + _numbers(item, compared, speech)
    way = "together" if far else "apart"
    return (
        f"make {lines} close in {'faster' if far else 'more slowly'}: bring their far ends {way}, "
        f"{_end_of(k, item, compared, speech)} by {speech.length(across)}"
    )


def _at_most(item: Item, compared, speech: Speech, word: str, lines: str) -> str:
    """ "turn the far ends of the lines ... down, the right end of the eaves by 3 mm"."""
    k, _, move = reach(item, compared)
    whose = "their far ends" if lines == "they" else f"the far ends of {lines}"
    return f"turn {whose} {word}, {_end_of(k, item, compared, speech)} by {speech.length(float(np.hypot(*move)))}"


def _end_of(k: int, item: Item, compared, speech: Speech) -> str:
    """ "the right end of the eaves (7)"."""
    each = compared[k]
    near = next(near for other, near, _ in moves(item, compared) if other == k)
    far = each.reference[np.hypot(*(each.reference - near).T).argmax()]
    way = near - far
    if abs(way[0]) >= 0.5 * abs(way[1]):
        side = "right end" if way[0] > 0 else "left end"
    else:
        side = "lower end" if way[1] > 0 else "upper end"
    return f"the {side} of {speech.called(each.feature)}"


def _height_near(h, compared: tuple[Compared, ...], speech: Speech) -> bool:
    """Whether the meeting points' height lies within what is drawn, or not far from it."""
    heights = np.concatenate([each.reference for each in compared]) @ speech.frame.down
    slack = _NEAR * speech.frame.size
    level = h.extra["at"] @ speech.frame.down
    return bool((level > heights.min() - slack).all() and (level < heights.max() + slack).all())


def _numbers(item: Item, compared, speech: Speech) -> str:
    """ " (3, 7 and 9)" where lines are known by numbers."""
    lines = item.hypothesis.extra["lines"]
    if not speech.subject.numbered:
        return ""
    names = {compared[k].feature.name for k in lines}
    found = [str(k + 1) for k, each in enumerate(speech.subject.features) if each.name in names]
    more = [f"{len(found) - _NAMED} more"] if len(found) > _NAMED + 1 else []
    return f" ({join(found[:_NAMED] + more if more else found)})"


SAY = {"eye level": _say_eye_level, "aim": _say_aim, "closing": _say_closing}
