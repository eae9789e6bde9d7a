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
from featurediff.stations import between, is_stretch, part_of, stations

# Half degrees are told when the turn is known to this standard uncertainty.
FINE_DEG = 0.25
# Between these angles to the level a straight line is a slope, told by both its angles.
SLOPE_DEG = (25.0, 75.0)
# Anchors within this share of a thing's length from its end lie at that side: several are no corner that could name it.
_AT_SIDE = 0.3
# Below this share of the larger part, the smaller part of a slanting move is not told.
_MINOR = 0.5
# A label that begins with one of these takes no article; what may follow a name, but no article.
_ARTICLES = ("the", "a", "an", "both", "each", "all", "its", "your")
_PREPOSITIONS = ("of", "on", "in", "at", "by", "from", "near", "under", "over", "above", "below", "beside", "and")


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
        """A feature's name in the artist's choice of sides, with its number where features are known by numbers."""
        return self.of(feature.name, feature.sitter_name) + self.numbers((feature,))

    def called(self, feature: Feature) -> str:
        """The name with its article, as in the middle of a sentence."""
        return self.name(feature) if self.bare(feature.name) else the(self.name(feature))

    def numbers(self, features) -> str:
        """ " (7)", or " (12-16)" for features in a row; "" when they have no numbers, or scattered ones."""
        if not self.subject.numbered:
            return ""
        names = {each.name for each in features}
        found = [k + 1 for k, each in enumerate(self.subject.features) if each.name in names]
        if not found or found[-1] - found[0] != len(found) - 1:
            return ""
        return f" ({found[0]})" if len(found) == 1 else f" ({found[0]}-{found[-1]})"

    def bare(self, label: str) -> bool:
        """Whether a label stands without an article: one of a row of like things, told by its number there."""
        return any(label in row.names for row in self.subject.rows) and any(letter.isdigit() for letter in label)

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


def degrees(value: float, fine: bool = False) -> str:
    """Whole degrees, at least 1: "1 degree", "4 degrees"; ``fine``: to half a degree below 5."""
    step = 0.5 if fine and abs(value) < 4.75 else 1.0
    amount = max(math.floor(abs(value) / step + 0.5) * step, 1.0)
    return f"{number(amount)} degree" + ("" if amount == 1 else "s")


def percent(value: float) -> str:
    """Whole percent of a share, at least 1: 0.042 -> "4 %"."""
    return f"{max(math.floor(abs(value) * 100 + 0.5), 1)} %"


def the(label: str) -> str:
    """The label with its article, if it has none."""
    first, _, rest = label.lower().partition(" ")
    if not rest or first not in _ARTICLES:
        return f"the {label}"
    # A letter has a name too: "A of BOAT". A noun follows an article, never a preposition.
    return f"the {label}" if first in ("a", "an") and rest.partition(" ")[0] in _PREPOSITIONS else label


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


def _it(item: Item) -> str:
    return "they are" if item.hypothesis.plural or _targets(item) > 1 else "it is"


def _targets(item: Item) -> int:
    return len({each.hypothesis.target for each in item.statements})


def about(item: Item, speech: Speech) -> str:
    """What an item is about, with articles and numbers: "the eye on the left", "windows 2 and 3"."""
    labels = list(dict.fromkeys(_label(each.hypothesis, speech) for each in item.statements))
    return join(labels[:3] + (["what lies between"] if len(labels) > 3 else []))


def _label(h, speech: Speech) -> str:
    """What a hypothesis is about, with its article and number."""
    text = speech.of(h.label, h.sitter_label)
    if h.feature is not None:
        text += speech.numbers((h.feature,))
    elif "features" in h.extra:
        text += speech.numbers(h.extra["features"])
    return text if speech.bare(h.label) else the(text)


def _say_move(item: Item, compared, speech: Speech) -> str:
    what = about(item, speech)
    together = " together" if (item.hypothesis.group is not None and " and " in what) or _targets(item) > 1 else ""
    parts = _parts(item, speech)
    word, length = parts[0]
    # Two figures side by side are misread.
    by = " by" if speech.bare(item.hypothesis.label) and (what + together)[-1].isdigit() else ""
    if len(parts) == 1 and word in ("up", "down") and not speech.frame.along_subject:
        return f"{'raise' if word == 'up' else 'lower'} {what}{together}{by} {speech.length(length)}"
    if by and len(parts) == 1 and not speech.frame.along_subject:
        return f"move {what} {word} {speech.length(length)}"
    return f"move {what}{together}{by} {told(parts, speech, what)}"


_FURTHER = {"up": "higher", "down": "lower", "left": "further left", "right": "further right"}


def say_far_move(item: Item, speech: Speech) -> str:
    """A move too long to be made by adjusting."""
    parts = _parts(item, speech)
    what = about(item, speech)
    if speech.frame.along_subject:
        return f"redraw {what} {told(parts, speech, what)}; {_it(item)} too far off to adjust"
    further = " and ".join(f"{speech.length(size)} {_FURTHER[word]}" for word, size in parts)
    return f"redraw {what} {further}; {_it(item)} too far off to adjust"


def _parts(item: Item, speech: Speech) -> list[tuple[str, float]]:
    parts = direction(item.move, speech)
    return [(parts[0][0], float(np.hypot(*item.move)))] if len(parts) == 1 else parts


def _say_corner(item: Item, compared, speech: Speech) -> str:
    """A corner moved, with what stays: the far ends of the lines that meet there."""
    h = item.hypothesis
    what = the(corner_name(h.label))
    parts = _parts(item, speech)
    word, length = parts[0]
    if len(parts) == 1 and word in ("up", "down") and not speech.frame.along_subject:
        text = f"{'raise' if word == 'up' else 'lower'} {what} {speech.length(length)}"
    else:
        text = f"move {what} {told(parts, speech, what)}"
    others = {plain_end(compared[k], 0 if end else -1) for k, end in h.extra["ends"]}
    heights = [float((compared[k].reference[end] - compared[k].reference[0 if end else -1])[1]) for k, end in h.extra["ends"]]
    which = "far"
    if len(others) == 1:
        which = others.pop().removesuffix(" end")
    elif all(each < 0 for each in heights) or all(each > 0 for each in heights):
        which = "lower" if heights[0] < 0 else "upper"
    ends = {"foot": "feet", "top": "tops"}.get(which, f"{which} ends")
    order = np.argsort([float((compared[k].reference @ speech.frame.right).mean()) for k, _ in h.extra["ends"]])
    lines = join([speech.called(h.extra["features"][k]) for k in order])
    return f"{text}; the {ends} of {lines} stay"


def corner_name(label: str) -> str:
    """ "eaves, left end" is called "left end of the eaves"; a name of its own stays."""
    name, _, end = label.rpartition(", ")
    return f"{end} of {the(name)}" if name else label


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
        # What lies beyond the far end comes nearer when the gap is shortened.
        onward = float(h.axis @ (speech.frame.down if down else speech.frame.right)) > 0
        ways = ("down", "up") if down else ("right", "left")
        verb = f"{'come' if longer else 'go'} {ways[longer == onward]}"
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
    return f"{verb} {about(item, speech)} {percent(1 - factor)}"


def _say_each(item: Item, compared, speech: Speech) -> str:
    return f"{_say_scale(item, compared, speech)}, each about its own middle"


def _say_turn(item: Item, compared, speech: Speech) -> str:
    h = item.hypothesis
    amount = degrees(item.amount, _fine(item))
    turned = "anticlockwise" if item.amount > 0 else "clockwise"
    if not (h.own and h.feature and h.feature.kind in ("curve", "segment") and not h.feature.closed):
        return f"turn {about(item, speech)} {amount} {turned}"
    each = compared[h.members[0]]
    chord = each.reference[-1] - each.reference[0]
    if np.hypot(*chord) < 1e-9:
        return f"turn {about(item, speech)} {amount} {turned}"
    return _say_line(item, each, speech)


def _fine(item: Item) -> bool:
    """Whether half degrees can be told: of a straight line, long enough to be sure of them."""
    h = item.hypothesis
    return h.feature is not None and h.feature.kind == "segment" and item.sigma <= FINE_DEG


def _say_line(item: Item, each: Compared, speech: Speech, stays: str = "") -> str:
    """Steepen, ease, level or plumb, with the end that goes up or the side the top goes to; ``stays`` names an end that is right.

    A clear slope of a straight line is told by both angles, seen on the picture as it is held.
    """
    chord = each.reference[-1] - each.reference[0]
    off, what = item.amount, about(item, speech)
    amount = degrees(off, _fine(item))
    turned = "anticlockwise" if off > 0 else "clockwise"
    kept = f"; its {stays} stays" if stays else ""
    if chord[0] < 0:
        chord = -chord
    true = math.degrees(math.atan2(chord[1], chord[0]))
    drawn = true + off
    # What is plumb and level in the picture is so on the paper, unless the whole is drawn tilted.
    lean = speech.frame.lean_deg - speech.subject.axis_deg
    upright = true - lean if abs(lean) <= 1.5 else true
    if abs(true) <= SLOPE_DEG[1] and each.feature.kind == "segment" and min(abs(true), abs(drawn)) >= SLOPE_DEG[0]:
        verb = "steepen" if abs(true) > abs(drawn) else "ease"
        return f"{verb} {what}: {_angle(true - lean)} degrees in the picture, {_angle(drawn - lean)} drawn{kept}"
    if abs(true) <= 45:
        up_end = 0 if off < 0 else 1  # drawn anticlockwise: the right end is too high, so the left end goes up
        end = f"{_end_name(each, ('left', 'right')[up_end])} up"
        if stays:
            end = _moving_end(each, item, stays)
        if abs(upright) < 1.0:
            return f"level {what}: {end} {amount}"
        verb = "turn"
        if true * drawn > 0:
            verb = "steepen" if abs(true) > abs(drawn) else "ease"
        return f"{verb} {what} {amount}, {end}"
    side = "right" if off > 0 else "left"
    if abs(abs(upright) - 90) < 1.0:
        return f"plumb {what}: it leans {amount} to the {side}{kept}"
    return f"turn {what} {amount} {turned}, top to the {'left' if off > 0 else 'right'}{kept}"


def _angle(value: float) -> str:
    return str(math.floor(abs(value) + 0.5))


def _moving_end(each: Compared, item: Item, stays: str) -> str:
    """ "right end down; its left end stays"."""
    move = swing_move(item, each)
    end = plain_end(each, item.hypothesis.extra["end"])
    return f"{end} {'down' if move[1] > 0 else 'up'}"


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
    if h.feature.kind == "segment":
        return _say_line(item, each, speech, plain_end(each, 0 if end else len(each.reference) - 1))
    name = plain_end(each, end)
    word, _ = direction(move, speech)[0]
    what, length = about(item, speech), float(np.hypot(*move))
    if speech.frame.along_subject:
        return f"swing the {name} of {what} {told([(word, length)], speech, what)}"
    return f"swing the {name} of {what} {word} {speech.length(length)}"


def plain_end(each: Compared, end: int) -> str:
    """The name of the end of an open line at index ``end``: an anchor's, or "left end", "upper end"."""
    left = each.reference[end, 0] < each.reference[0 if end else -1, 0]
    upper = each.reference[end, 1] < each.reference[0 if end else -1, 1]
    flat = abs(np.diff(each.reference[[0, -1]], axis=0)[0])
    plain = ("left end" if left else "right end") if flat[0] >= flat[1] else ("upper end" if upper else "lower end")
    return anchor_at(each.feature, end) or plain


def swing_move(item: Item, each: Compared) -> np.ndarray:
    """(2,) the move of the swinging end that corrects it."""
    end = item.hypothesis.extra["end"]
    arm = each.reference[end] - each.reference[0 if end else -1]
    return -math.radians(item.amount) * np.array([-arm[1], arm[0]])


def _say_stretch(item: Item, compared, speech: Speech) -> str:
    h = item.hypothesis
    big = item.amount > 0
    amount = speech.length(item.amount)
    what = about(item, speech)
    tall = _is_tall(h, compared, speech)
    if h.own and h.feature.kind == "segment":
        text = f"{'shorten' if big else 'lengthen'} {what} {amount}"
    elif h.kind == "width":
        text = f"{'narrow' if big else 'widen'} {what} {amount}"
    elif tall:
        text = f"{'shorten' if big else 'lengthen'} {what} {amount}"
    else:
        text = f"make {what} {amount} {'less tall' if big else 'taller'}"
    if h.side:
        whose = "their" if h.plural else "its"
        return f"{text}: {whose} {_side_name(h, compared)} {_side_goes(h.side, big)}" + (f"; {h.follow}" if h.follow else "")
    ends = "both sides" if h.kind == "width" else "top and bottom"
    return f"{text}: {ends} {'in' if big else 'out'} {speech.length(item.amount / 2)} each"


def _is_tall(h, compared, speech: Speech) -> bool:
    points = np.concatenate([compared[k].reference for k in h.extra.get("block", h.members)])
    return np.ptp(points @ speech.frame.down) > np.ptp(points @ speech.frame.right)


def _side_name(h, compared) -> str:
    """ "outer corner" if an anchor of its own lies at the side that moves, else "left side", "top"."""
    if h.feature is not None:
        for each in (compared[k] for k in h.members):
            if each.feature is h.feature:
                place = each.reference @ h.axis
                place = place if h.side in ("right", "bottom") else -place
                name = anchor_at(h.feature, int(place.argmax()))
                near = [at for at in h.feature.anchors.values() if place[at] > place.max() - _AT_SIDE * np.ptp(place)]
                if name and len(near) == 1:
                    return name
    return h.side if h.side in ("top", "bottom") else f"{h.side} side"


def _side_goes(side: str, big: bool) -> str:
    """Which way a side is to be moved: in or out, or up or down."""
    if side in ("top", "bottom"):
        return "down" if big == (side == "top") else "up"
    return "in" if big else "out"


def _say_openness(item: Item, compared, speech: Speech) -> str:
    h = item.hypothesis
    _, _, _, short = ellipse_axes(compared[h.members[0]].reference)
    verb = "flatten" if item.amount > 0 else "open"
    if speech.unit != "mm":
        return f"{verb} {about(item, speech)}: short axis by {speech.length(item.amount)}"
    drawn, true = round_amount(short + item.amount), round_amount(short)
    if drawn == true:
        return f"{verb} {about(item, speech)}: short axis by {speech.length(item.amount)}"
    return f"{verb} {about(item, speech)}: short axis {number(drawn)} mm to {number(true)} mm"


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
    what = speech.called(each.feature)
    # A stretch of an outline is one already.
    line = what if is_stretch(each.feature) else f"the outline of {what}"
    return f"move {line} {way_out} {speech.length(item.amount)} {_between(item, each, speech) or _spot(item, each)}"


def _between(item: Item, each: Compared, speech: Speech) -> str:
    """Between which marks of the numbered picture, where a stretch of an outline carries some."""
    number = next(k for k, feature in enumerate(speech.subject.features, start=1) if feature.name == each.feature.name)
    marks = stations(speech.subject, number)
    ends = between(marks, each.shape.departures, item.place, each.feature.closed) if marks and each.shape else None
    return f"between {ends[0]} and {ends[1]} on the picture" if ends else ""


def _spot(item: Item, each: Compared) -> str:
    """Where on a curve: at an anchor, or at its upper, lower, left or right part."""
    name = anchor_at(each.feature, item.place)
    if name:
        return f"at its {name}"
    return part_of(each.reference, item.place)


def _say_redraw(item: Item, compared, speech: Speech) -> str:
    feature = compared[item.index].feature
    text = f"redraw {speech.called(feature)}: its {join(list(item.failed))} all disagree"
    if item.survives:
        text += f"; its {join(list(item.survives))} {'is' if len(item.survives) == 1 else 'are'} right"
    return text


SAY = {
    "move": _say_move,
    "corner": _say_corner,
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
