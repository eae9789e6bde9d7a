"""Sentences: verb + what + which one + how much + which way.

Directions are the paper's, as you look at it; a subject that leans more than the setting is told along its own centre line.
All nouns come from the subject's records.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from featurediff.corrections.items import Item
from featurediff.deviations import Compared, Frame, ellipse_axes
from featurediff.records import Feature, Subject
from featurediff.settings import Settings

# Below this share of the larger part, the smaller part of a slanting move is not told.
_MINOR = 0.5


@dataclass(frozen=True)
class Speech:
    """What sentences need to know: whose sides, which unit, which axes."""

    subject: Subject
    frame: Frame
    sides: str = "picture"
    unit: str = "mm"

    def of(self, label: str, sitter_label: str) -> str:
        """The label in the artist's choice of sides."""
        return sitter_label if self.sides == "sitter" and sitter_label else label

    def name(self, feature: Feature) -> str:
        """A feature's name in the artist's choice of sides."""
        return self.of(feature.name, feature.sitter_name)

    def length(self, value: float) -> str:
        """ "3 mm", "1.5 mm", or "2 % of the head height" on a sheet without mm."""
        if self.unit != "mm":
            return f"{number(max(round_amount(abs(value)), 0.5))} % of {the(self.subject.size_label)}"
        return f"{number(max(round_amount(abs(value)), 0.5))} mm"


def speech(subject: Subject, frame: Frame, settings: Settings, unit: str) -> Speech:
    """The `Speech` of a run."""
    return Speech(subject, frame, settings.corrections.sides, unit)


# ---------------------------------------------------------------- numbers and small words


def round_amount(value: float) -> float:
    """To 0.5 below 5, to 1 above; keeps the sign."""
    step = 0.5 if abs(value) < 4.75 else 1.0
    return math.copysign(math.floor(abs(value) / step + 0.5) * step, value)


def number(value: float) -> str:
    """1.0 -> "1", 1.5 -> "1.5"."""
    return f"{value:.1f}".rstrip("0").rstrip(".")


def degrees(value: float) -> str:
    """Whole degrees, at least 1: "1 degree", "4 degrees"."""
    whole = max(math.floor(abs(value) + 0.5), 1)
    return f"{whole} degree" + ("" if whole == 1 else "s")


def percent(value: float) -> str:
    """Whole percent of a share, at least 1: 0.042 -> "4 %"."""
    return f"{max(math.floor(abs(value) * 100 + 0.5), 1)} %"


def the(label: str) -> str:
    """The label with its article, if it has none."""
    if label.lower().startswith(("the ", "a ", "an ", "both ", "each ", "all ", "its ", "your ")):
        return label
    return f"the {label}"


def join(names: list[str]) -> str:
    """ "a", "a and b", "a, b and c"."""
    return names[0] if len(names) == 1 else ", ".join(names[:-1]) + " and " + names[-1]


def several(label: str) -> bool:
    """Whether a label reads as a plural: "mouth and chin", "windows"."""
    head = label.split(" on ")[0].split(" of ")[0].strip()
    return " and " in label or "," in label or (head.endswith("s") and not head.endswith(("ss", "us", "is")))


# ---------------------------------------------------------------- directions


def direction(move: np.ndarray, speech: Speech) -> list[tuple[str, float]]:
    """A move (2,) on the paper as words and lengths, larger part first: [("left", 3.0), ("up", 2.0)].

    A small part (under half of the larger one) is left out, and the larger then carries the whole length.
    """
    across, down = (float(axis @ move) for axis in speech.frame.moves)
    parts = [("right" if across > 0 else "left", abs(across)), ("down" if down > 0 else "up", abs(down))]
    parts.sort(key=lambda part: -part[1])
    if parts[1][1] < _MINOR * parts[0][1] or parts[1][1] < 0.25:
        parts = parts[:1]
    return parts


def told(parts: list[tuple[str, float]], speech: Speech, what: str = "") -> str:
    """Lengths with their ways: "3 mm left", "2 mm left and 1 mm up"; along the centre line when the subject leans."""
    if not speech.frame.along_subject:
        return " and ".join(f"{speech.length(size)} {word}" for word, size in parts)
    text = " and ".join(f"{speech.length(size)} {_leaning(word, speech, what)}" for word, size in parts)
    if len(parts) > 1:
        return f"{text}, by the centre line"
    return f"{text}, {'along' if parts[0][0] in ('up', 'down') else 'square to'} the centre line"


def _leaning(word: str, speech: Speech, what: str) -> str:
    if word in ("left", "right"):
        return f"to the {word}"
    end = end_labels(speech)[0 if word == "up" else 1]
    # "Move the chin towards the chin" would say nothing.
    return word if end.removeprefix("the ") in what else f"towards {end}"


def end_labels(speech: Speech) -> tuple[str, str]:
    """What the upper and the lower end of the subject are called."""
    return the(speech.subject.top_label or "top"), the(speech.subject.bottom_label or "bottom")


# ---------------------------------------------------------------- sentences


def sentence(item: Item, compared: tuple[Compared, ...], speech: Speech, redraw_times: float) -> str:
    """The sentence of an item, with its full stop."""
    far = item.size > redraw_times
    if far and item.kind == "move":
        text = _say_far_move(item, speech)
    else:
        text = _SAY[item.kind](item, compared, speech)
        if item.kind != "redraw" and far:
            text += "; that is too far off to adjust: redraw it"
        elif item.kind != "redraw" and item.size < 2.0:
            text += " (small: if you are there anyway)"
    return text[0].upper() + text[1:] + "."


def _it(item: Item) -> str:
    return "they are" if item.hypothesis.plural or _targets(item) > 1 else "it is"


def _targets(item: Item) -> int:
    return len({each.hypothesis.target for each in item.statements})


def _what(item: Item, speech: Speech) -> str:
    labels = list(dict.fromkeys(speech.of(s.hypothesis.label, s.hypothesis.sitter_label) for s in item.statements))
    return join([the(label) for label in labels[:3]] + (["what lies between"] if len(labels) > 3 else []))


def _say_move(item: Item, compared, speech: Speech) -> str:
    what = _what(item, speech)
    together = " together" if (item.hypothesis.group is not None and " and " in what) or _targets(item) > 1 else ""
    parts = _parts(item, speech)
    word, length = parts[0]
    if len(parts) == 1 and word in ("up", "down") and not speech.frame.along_subject:
        return f"{'raise' if word == 'up' else 'lower'} {what}{together} {speech.length(length)}"
    return f"move {what}{together} {told(parts, speech, what)}"


_FURTHER = {"up": "higher", "down": "lower", "left": "further left", "right": "further right"}


def _say_far_move(item: Item, speech: Speech) -> str:
    """A move too long to be made by adjusting."""
    parts = _parts(item, speech)
    what = _what(item, speech)
    if speech.frame.along_subject:
        return f"redraw {what} {told(parts, speech, what)}; {_it(item)} too far off to adjust"
    further = " and ".join(f"{speech.length(size)} {_FURTHER[word]}" for word, size in parts)
    return f"redraw {what} {further}; {_it(item)} too far off to adjust"


def _parts(item: Item, speech: Speech) -> list[tuple[str, float]]:
    parts = direction(item.move, speech)
    return [(parts[0][0], float(np.hypot(*item.move)))] if len(parts) == 1 else parts


def _say_gap(item: Item, compared, speech: Speech) -> str:
    h = item.hypothesis
    down = abs(h.axis @ speech.frame.down) > 0.7
    longer = item.amount > 0
    verbs = ("shorten", "lengthen") if down else ("narrow", "widen")
    text = f"{verbs[0] if longer else verbs[1]} {the(h.label)} {speech.length(item.amount)}"
    if h.follow.endswith((" stay", " stays")):
        text += f"; {h.follow}"
    elif h.follow:
        follow = h.follow.removesuffix(" with it").removesuffix(" moves").removesuffix(" move")
        goes = {(True, True): "come up", (True, False): "go down", (False, True): "come left", (False, False): "go right"}
        verb = goes[down, longer]
        if not several(follow):
            first, rest = verb.split(" ", 1)
            verb = f"{first}{'es' if first == 'go' else 's'} {rest}"
        text += f"; {follow} {verb} with it"
    return text


def _say_spacing(item: Item, compared, speech: Speech) -> str:
    pair = item.hypothesis.pair
    wide = item.amount > 0
    each = speech.length(item.amount)
    if pair.width:
        verb = "narrow" if wide else "widen"
        both = speech.length(2 * item.amount)
        return f"{verb} {the(pair.label)} {both}: {'bring' if wide else 'move'} each side {'in' if wide else 'out'} {each}"
    if wide:
        return f"bring {the(pair.label)} closer: move each in {each}"
    return f"set {the(pair.label)} further apart: move each out {each}"


def _say_scale(item: Item, compared, speech: Speech) -> str:
    verb = "reduce" if item.amount > 0 else "enlarge"
    factor = 1.0 / (1.0 + item.amount)
    return f"{verb} {_what(item, speech)} {percent(1 - factor)}"


def _say_each(item: Item, compared, speech: Speech) -> str:
    return f"{_say_scale(item, compared, speech)}, each about its own middle"


def _say_turn(item: Item, compared, speech: Speech) -> str:
    h = item.hypothesis
    amount = degrees(item.amount)
    turned = "anticlockwise" if item.amount > 0 else "clockwise"
    if not (h.own and h.feature and h.feature.kind in ("curve", "segment") and not h.feature.closed):
        return f"turn {_what(item, speech)} {amount} {turned}"
    each = compared[h.members[0]]
    chord = each.reference[-1] - each.reference[0]
    if np.hypot(*chord) < 1e-9:
        return f"turn {_what(item, speech)} {amount} {turned}"
    return _say_line(each, chord, item.amount, _what(item, speech), amount, turned)


def _say_line(each: Compared, chord: np.ndarray, off: float, what: str, amount: str, turned: str) -> str:
    """Steepen, ease, level or plumb, with the end that goes up or the side the top goes to. Slopes are the paper's."""
    if chord[0] < 0:
        chord = -chord
    true = math.degrees(math.atan2(chord[1], chord[0]))
    drawn = true + off
    if abs(true) <= 45:
        up_end = 0 if off < 0 else 1  # drawn anticlockwise: the right end is too high, so the left end goes up
        end = _end_name(each, ("left", "right")[up_end])
        if abs(true) < 1.0:
            return f"level {what}: {end} up {amount}"
        verb = "turn"
        if true * drawn > 0:
            verb = "steepen" if abs(true) > abs(drawn) else "ease"
        return f"{verb} {what} {amount}, {end} up"
    lean = "right" if off > 0 else "left"
    if abs(abs(true) - 90) < 1.0:
        return f"plumb {what}: it leans {amount} to the {lean}"
    return f"turn {what} {amount} {turned}, top to the {'left' if off > 0 else 'right'}"


def _end_name(each: Compared, side: str) -> str:
    """The name of a curve's left or right end: an anchor's, if one lies there."""
    first_left = each.reference[0, 0] <= each.reference[-1, 0]
    index = 0 if (side == "left") == first_left else len(each.reference) - 1
    return anchor_at(each.feature, index) or f"{side} end"


def anchor_at(feature: Feature, index: int) -> str:
    """The name of the anchor at ``index`` of a feature's points, or ""."""
    count = len(feature.points)
    return next((name for name, at in feature.anchors.items() if at % count == index % count), "")


def _say_swing(item: Item, compared, speech: Speech) -> str:
    h = item.hypothesis
    each = compared[h.members[0]]
    move = swing_move(item, each)
    end = h.extra["end"]
    left = each.reference[end, 0] < each.reference[0 if end else -1, 0]
    upper = each.reference[end, 1] < each.reference[0 if end else -1, 1]
    flat = abs(np.diff(each.reference[[0, -1]], axis=0)[0])
    plain = ("left end" if left else "right end") if flat[0] >= flat[1] else ("upper end" if upper else "lower end")
    name = anchor_at(h.feature, end) or plain
    word, _ = direction(move, speech)[0]
    what, length = _what(item, speech), float(np.hypot(*move))
    if speech.frame.along_subject:
        return f"swing the {name} of {what} {told([(word, length)], speech, what)}"
    return f"swing the {name} of {what} {word} {speech.length(length)}"


def swing_move(item: Item, each: Compared) -> np.ndarray:
    """(2,) the move of the swinging end that corrects it."""
    end = item.hypothesis.extra["end"]
    arm = each.reference[end] - each.reference[0 if end else -1]
    return -math.radians(item.amount) * np.array([-arm[1], arm[0]])


def _say_stretch(item: Item, compared, speech: Speech) -> str:
    h = item.hypothesis
    big = item.amount > 0
    amount = speech.length(item.amount)
    what = _what(item, speech)
    tall = _is_tall(h, compared, speech)
    if h.kind == "width":
        text = f"{'narrow' if big else 'widen'} {what} {amount}"
    elif tall:
        text = f"{'shorten' if big else 'lengthen'} {what} {amount}"
    else:
        text = f"make {what} {amount} {'less tall' if big else 'taller'}"
    if h.side:
        side = _side_name(h, compared, speech)
        return f"{text}, from {side}"
    ends = "both sides" if h.kind == "width" else "top and bottom"
    return f"{text}: {ends} {'in' if big else 'out'} {speech.length(item.amount / 2)} each"


def _is_tall(h, compared, speech: Speech) -> bool:
    points = np.concatenate([compared[k].reference for k in h.members])
    return np.ptp(points @ speech.frame.down) > np.ptp(points @ speech.frame.right)


def _side_name(h, compared, speech: Speech) -> str:
    """ "its outer corner" if an anchor lies at the side that moves, else "the left"."""
    if h.feature is not None:
        for each in (compared[k] for k in h.members):
            if each.feature is h.feature:
                place = each.reference @ h.axis
                index = int(place.argmax() if h.side in ("right", "bottom") else place.argmin())
                name = anchor_at(h.feature, index)
                if name:
                    return f"its {name}"
    return {"top": "the top", "bottom": "the bottom"}.get(h.side, f"the {h.side}")


def _say_openness(item: Item, compared, speech: Speech) -> str:
    h = item.hypothesis
    _, _, _, short = ellipse_axes(compared[h.members[0]].reference)
    verb = "flatten" if item.amount > 0 else "open"
    if speech.unit != "mm":
        return f"{verb} {_what(item, speech)}: short axis by {speech.length(item.amount)}"
    drawn, true = round_amount(short + item.amount), round_amount(short)
    if drawn == true:
        return f"{verb} {_what(item, speech)}: short axis by {speech.length(item.amount)}"
    return f"{verb} {_what(item, speech)}: short axis {number(drawn)} mm to {number(true)} mm"


def _say_grows(item: Item, compared, speech: Speech) -> str:
    h = item.hypothesis
    top, bottom = end_labels(speech)
    ends = {"top": (top, bottom), "right": ("the right side", "the left side")}[h.side]
    large, small = ends if item.amount > 0 else ends[::-1]
    return f"reduce the drawing by degrees towards {large}: it grows {percent(item.amount)} between {small} and {large}"


def _say_aspect(item: Item, compared, speech: Speech) -> str:
    wide = item.amount > 0
    verb = "narrow" if wide else "widen"
    return f"{verb} the whole drawing {speech.length(item.amount)}: it is too {'wide' if wide else 'narrow'} for its height"


def _say_shape(item: Item, compared, speech: Speech) -> str:
    each = compared[item.index]
    way_out = "in" if item.amount > 0 else "out"
    return f"move the outline of {the(speech.name(each.feature))} {way_out} {speech.length(item.amount)} {_spot(item, each)}"


def _spot(item: Item, each: Compared) -> str:
    """Where on a curve: at an anchor, or at its upper, lower, left or right part."""
    name = anchor_at(each.feature, item.place)
    if name:
        return f"at its {name}"
    points = each.reference
    low, high = points.min(0), points.max(0)
    share = (points[item.place] - low) / np.maximum(high - low, 1e-9)
    size = high - low
    words = []
    if size[1] > 0.3 * size.max():
        words += ["upper"] if share[1] < 1 / 3 else ["lower"] if share[1] > 2 / 3 else []
    if size[0] > 0.3 * size.max():
        words += ["left"] if share[0] < 1 / 3 else ["right"] if share[0] > 2 / 3 else []
    return f"in its {' '.join(words)} part" if words else "in its middle"


def _say_redraw(item: Item, compared, speech: Speech) -> str:
    feature = compared[item.index].feature
    text = f"redraw {the(speech.name(feature))}: its {join(list(item.failed))} all disagree"
    if item.survives:
        text += f"; its {join(list(item.survives))} {'is' if len(item.survives) == 1 else 'are'} right"
    return text


_SAY = {
    "move": _say_move,
    "gap": _say_gap,
    "spacing": _say_spacing,
    "scale": _say_scale,
    "each": _say_each,
    "turn": _say_turn,
    "swing": _say_swing,
    "width": _say_stretch,
    "height": _say_stretch,
    "openness": _say_openness,
    "grows": _say_grows,
    "aspect": _say_aspect,
    "shape": _say_shape,
    "redraw": _say_redraw,
}
