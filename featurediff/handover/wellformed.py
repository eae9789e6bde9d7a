"""Is what a detector handed over what the engine can work with? Every fault is told with the feature and the field it is in.

Numbers and points are made what the records promise (float, float64 arrays (n, 2)): a list of (x, y) pairs will do.
"""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from itertools import islice
from numbers import Real
from typing import Any

import numpy as np

from featurediff.records import (
    STAGES,
    Advice,
    Feature,
    Form,
    Gap,
    Group,
    Guess,
    Junction,
    Meeting,
    NotJudged,
    Pair,
    Picture,
    Row,
    Start,
    Subject,
    under,
)

# More than this is a mistake, not a drawing: shipped detectors find some dozens of features of some hundred points each.
MOST_FEATURES = 500
MOST_POINTS = 200_000
MOST_POINTS_IN_ALL = 1_000_000
MOST_OTHERS = 2_000
LONGEST_NAME = 120
LONGEST_TEXT = 1_000
# Points may lie outside the picture (what the frame cuts off), but not this many times its longer side away from it.
FARTHEST = 5.0
# A region may be so many times its subject's size, and the other way round; beyond that the size is no size of it.
LARGEST_REGION = 1000.0
SMALLEST_PX = 4.0
LEAST_IMPORTANCE = 0.01

# kind -> (fewest points, most points, in words)
KINDS = {
    "point": (1, 1, "one point"),
    "segment": (2, 2, "two points, its ends"),
    "curve": (2, MOST_POINTS, "two points at least"),
    "ellipse": (5, MOST_POINTS, "five points of its outline at least"),
}
MEASURES = ("across", "down", "width", "height", "tilt", "openness", "shape", "ends")
CLASSES = ("A", "B", "C")
# Unicode's general categories of control letters, halves of letters, line and paragraph breaks.
UNPRINTABLE = ("Cc", "Cs", "Zl", "Zp")
WHERE = ("middle", "left", "right", "top", "bottom")


Features = dict[str, Feature]


class Malformed(Exception):
    """What is wrong, as the end of a sentence."""


# ---------------------------------------------------------------- the three results


def picture(made: Any) -> Picture:
    """What `prepare` returned. Raises Malformed."""
    _is(made, Picture, "it")
    pixels = made.pixels
    if not isinstance(pixels, np.ndarray) or pixels.dtype != np.uint8 or pixels.ndim != 3 or pixels.shape[2] != 3:
        raise Malformed(f"pixels are {_form(pixels)}; an array (h, w, 3) of uint8 is wanted")
    if min(pixels.shape[:2]) < 1:
        raise Malformed("the picture has no pixels")
    return made


def subject(found: Any, shape: tuple[int, int]) -> Subject:
    """What `find` returned for a picture of ``shape`` (h, w). Raises Malformed."""
    _is(found, Subject, "it")
    features = tuple(feature(each, k, shape) for k, each in enumerate(_some(found.features, "features", MOST_FEATURES), 1))
    if not features:
        raise Malformed("there is no feature; what is not there is told by raising SubjectError")
    _refuse_twins([each.name for each in features])
    if sum(len(each.points) for each in features) > MOST_POINTS_IN_ALL:
        raise Malformed(f"its features have more than {MOST_POINTS_IN_ALL} points together; a point for each px is plenty")
    if sum(each.importance for each in features) < LEAST_IMPORTANCE:
        raise Malformed("no feature has any importance; one at least must have some, from 0 to 1")
    size = _number(found.size_px, "size_px", low=0.0)
    region = _points(found.region, "region", 3, MOST_POINTS, shape)
    if size < SMALLEST_PX:
        raise Malformed(f"size_px is {size:g}; a subject of less than {SMALLEST_PX:g} px can't be compared")
    extent = float(np.ptp(region, axis=0).max())
    if extent < SMALLEST_PX or float(np.ptp(region, axis=0).min()) < 1.0:
        raise Malformed("region has no extent; a polygon around all that belongs to the subject is wanted")
    if size > LARGEST_REGION * extent or extent > LARGEST_REGION * size:
        raise Malformed(f"size_px is {size:.4g}, but region is {extent:.4g} px long; size_px is the subject's own size in px")
    checked = replace(
        found,
        features=features,
        size_px=size,
        size_label=_text(found.size_label, "size_label"),
        region=region,
        axis_deg=_number(found.axis_deg, "axis_deg", -360.0, 360.0),
        near_deg=_number(found.near_deg, "near_deg", 0.0, 360.0),
        top_label=_text(found.top_label, "top_label", empty=True),
        bottom_label=_text(found.bottom_label, "bottom_label", empty=True),
    )
    named = {each.name: each for each in features}
    return replace(checked, **{name: _others(found, name, check, named) for name, check in _OTHERS.items()})


def guesses(made: Any) -> tuple[Guess, ...]:
    """What `guess` returned. Raises Malformed."""
    out = []
    for k, each in enumerate(_some(made, "the guesses", MOST_OTHERS), 1):
        where = f"guess {k}"
        _is(each, Guess, where)
        here, there = (_points(p, f"{where}: {n}", 2) for n, p in (("reference", each.reference), ("drawing", each.drawing)))
        if len(here) != len(there):
            raise Malformed(f"{where} has {len(here)} points on the reference and {len(there)} on the drawing")
        if float(np.ptp(here, axis=0).max()) < 1e-6 or float(np.ptp(there, axis=0).max()) < 1e-6:
            raise Malformed(f"{where}: its points coincide")
        out.append(replace(each, reference=here, drawing=there, source=_text(each.source, f"{where}: source", empty=True)))
    return tuple(out)


# ---------------------------------------------------------------- a feature


def feature(each: Any, number: int, shape: tuple[int, int]) -> Feature:
    """One feature, the ``number``-th. Raises Malformed."""
    _is(each, Feature, f"feature {number}")
    name = _text(each.name, f"feature {number}: name", LONGEST_NAME)
    where = f"feature '{name}'"
    if each.kind not in KINDS:
        raise Malformed(f"{where}: kind is {_short(each.kind)}; {_any(KINDS)} is wanted")
    points = _points(each.points, f"{where}: points", 1, MOST_POINTS, shape)
    fewest, most, wanted = KINDS[each.kind]
    if not fewest <= len(points) <= most:
        raise Malformed(f"{where}: a {each.kind} has {wanted}, not {len(points)}")
    if len(points) > 1 and float(np.ptp(points, axis=0).max()) < 0.5:
        raise Malformed(f"{where}: all its points lie in one place; that is the kind 'point'")
    return replace(
        each,
        name=name,
        part=_part(each.part, f"{where}: part"),
        points=points,
        closed=bool(each.closed),
        measures=_words(each.measures, f"{where}: measures", MEASURES),
        tolerance=_one_of(each.tolerance, f"{where}: tolerance", CLASSES),
        importance=_number(each.importance, f"{where}: importance", 0.0, 1.0),
        stage=_one_of(each.stage, f"{where}: stage", STAGES),
        sigma_px=_number(each.sigma_px, f"{where}: sigma_px", 0.0),
        slides=bool(each.slides),
        estimated=bool(each.estimated),
        anchors=_anchors(each.anchors, where, len(points)),
        sitter_name=_text(each.sitter_name, f"{where}: sitter_name", LONGEST_NAME, empty=True),
        beside=tuple(_points(b, f"{where}: beside", 2, MOST_POINTS, shape) for b in _some(each.beside, f"{where}: beside", 100)),
    )


def _anchors(given: Any, where: str, count: int) -> dict[str, int]:
    if not isinstance(given, Mapping):
        raise Malformed(f"{where}: anchors is {_form(given)}; a dict from names to indices into points is wanted")
    out = {}
    for name, at in given.items():
        if isinstance(at, (bool, np.bool_)) or not isinstance(at, (int, np.integer)) or not -count <= int(at) < count:
            raise Malformed(f"{where}: anchor {_short(name)} is {_short(at)}; an index into its {count} points is wanted")
        out[_text(name, f"{where}: anchors", LONGEST_NAME)] = int(at)
    return out


def _part(part: Any, where: str) -> str:
    text = _text(part, where)
    if not all(piece.strip() for piece in text.split("/")):
        raise Malformed(f"{where} is '{text}'; a path such as 'head/eyes/left' is wanted, without a slash at its ends")
    return text


def _refuse_twins(names: list[str]) -> None:
    seen: set[str] = set()
    for name in names:
        if name in seen:
            raise Malformed(f"two features are called '{name}'; names tell them apart, so each must be its own")
        seen.add(name)


# ---------------------------------------------------------------- what a subject may hold besides
# Each returns its record with points and names made sound, or None when what it names is not on this picture: a hairline that a
# picture does not show may still be named by a start. `unknown_names` tells an author about names that are nowhere.


def _group(each: Group, where: str, features: Features) -> Group:
    _part(each.part, f"{where}: part"), _text(each.label, f"{where}: label"), _one_of(each.stage, f"{where}: stage", STAGES)
    return each


def _gap(each: Gap, where: str, features: Features) -> Gap | None:
    _text(each.label, f"{where}: label"), _one_of(each.direction, f"{where}: direction", ("down", "across"))
    _text(each.follow, f"{where}: follow", empty=True), _one_of(each.stage, f"{where}: stage", STAGES)
    beyond = _known(each.beyond, f"{where}: beyond", features)
    return replace(each, beyond=beyond) if beyond else None


def _pair(each: Pair, where: str, features: Features) -> Pair | None:
    _text(each.label, f"{where}: label"), _one_of(each.stage, f"{where}: stage", STAGES)
    for side in ("left", "right"):
        part = _part(getattr(each, side), f"{where}: {side}")
        if not any(under(f.part, part) for f in features.values()):
            return None
    return each


def _junction(each: Junction, where: str, features: Features) -> Junction | None:
    _text(each.label, f"{where}: label")
    ends = []
    for end in _some(each.ends, f"{where}: ends", MOST_OTHERS):
        name, at = _two(end, f"{where}: ends")
        if isinstance(at, bool) or at not in (0, -1):
            raise Malformed(f"{where}: the end of {_short(name)} is {_short(at)}; 0 (its first point) or -1 (its last) is wanted")
        ends += [(known, int(at)) for known in _straight((name,), f"{where}: ends", features)]
    return replace(each, ends=tuple(ends)) if len(ends) > 1 else None


def _meeting(each: Meeting, where: str, features: Features) -> Meeting | None:
    _text(each.label, f"{where}: label"), _one_of(each.stage, f"{where}: stage", STAGES)
    at = _array(each.at, f"{where}: at")
    if at.shape != (2,) or not np.isfinite(at).all() or np.abs(at).max() > 1e9:
        raise Malformed(f"{where}: at is {_form(each.at)}; a point (x, y) in px is wanted")
    members = _straight(each.members, f"{where}: members", features)
    carried = _known(each.carried, f"{where}: carried", features)
    return replace(each, at=at, members=members, carried=carried) if members else None


def _row(each: Row, where: str, features: Features) -> Row | None:
    _text(each.label, f"{where}: label"), _one_of(each.direction, f"{where}: direction", ("down", "across"))
    _one_of(each.stage, f"{where}: stage", STAGES)
    names = [_text(n, f"{where}: names", LONGEST_NAME) for n in _some(each.names, f"{where}: names", MOST_OTHERS)]
    items = [_known(i, f"{where}: items", features) for i in _some(each.items, f"{where}: items", MOST_OTHERS)]
    if len(names) != len(items):
        raise Malformed(f"{where} has {len(names)} names for {len(items)} items; each item wants one")
    there = [(name, item) for name, item in zip(names, items, strict=True) if item]
    return replace(each, names=tuple(n for n, _ in there), items=tuple(i for _, i in there)) if there else None


def _form_of(each: Form, where: str, features: Features) -> Form:
    _text(each.label, f"{where}: label"), _part(each.part, f"{where}: part")
    axis = _points(each.axis, f"{where}: axis", 2, 2)
    if float(np.hypot(*(axis[1] - axis[0]))) < 1.0:
        raise Malformed(f"{where}: its axis has no length")
    left, right = (_known(getattr(each, side), f"{where}: {side}", features) for side in ("left", "right"))
    return replace(each, axis=axis, left=left, right=right)


def _start(each: Start, where: str, features: Features) -> Start | None:
    _text(each.label, f"{where}: label"), _one_of(each.direction, f"{where}: direction", ("down", "across", "apart"))
    ends = []
    for end in _some(each.ends, f"{where}: ends", 3):
        spots = [_spot(spot, where, features) for spot in _some(end, f"{where}: ends", 100)]
        ends.append(tuple(spot for spot in spots if spot is not None))
    if not 1 <= len(ends) <= 2 or (each.direction == "apart" and len(ends) != 2):
        raise Malformed(f"{where} has {len(ends)} ends; one or two are wanted, two for 'apart'")
    return replace(each, ends=tuple(ends)) if all(ends) else None


def _spot(spot: Any, where: str, features: Features) -> tuple[str, str] | None:
    name, place = _two(spot, f"{where}: ends")
    if not _known((name,), f"{where}: ends", features):
        return None
    anchors = features[name].anchors
    if place not in WHERE and place not in anchors:
        raise Malformed(f"{where}: '{name}' has no anchor {_short(place)}; {_any((*WHERE, *anchors))} is wanted")
    return name, place


def _not_judged(each: NotJudged, where: str, features: Features) -> NotJudged:
    _text(each.feature, f"{where}: feature"), _text(each.why, f"{where}: why")
    return each


def _advice(each: Advice, where: str, features: Features) -> Advice:
    _one_of(each.level, f"{where}: level", ("note", "warning", "stop")), _text(each.text, f"{where}: text")
    return each


_OTHERS: dict[str, tuple[type, Callable]] = {
    "groups": (Group, _group),
    "gaps": (Gap, _gap),
    "pairs": (Pair, _pair),
    "junctions": (Junction, _junction),
    "meetings": (Meeting, _meeting),
    "rows": (Row, _row),
    "forms": (Form, _form_of),
    "starts": (Start, _start),
    "not_judged": (NotJudged, _not_judged),
    "advice": (Advice, _advice),
}


def _others(found: Subject, name: str, check: tuple[type, Callable], features: Features) -> tuple:
    kind, look = check
    out = []
    for k, each in enumerate(_some(getattr(found, name), name, MOST_OTHERS), 1):
        _is(each, kind, f"number {k} of {name}")
        label = getattr(each, "label", None)
        where = f"{kind.__name__} '{label}'" if isinstance(label, str) and 0 < len(label) < LONGEST_NAME else f"{name} {k}"
        out.append(look(each, where, features))
    return tuple(each for each in out if each is not None)


def unknown_names(found: Subject) -> tuple[str, ...]:
    """Names by which gaps, junctions, meetings, rows, forms and starts call features that are not there."""
    known = {f.name for f in found.features}
    named = [n for gap in found.gaps for n in gap.beyond]
    named += [n for junction in found.junctions for n, _ in junction.ends]
    named += [n for meeting in found.meetings for n in (*meeting.members, *meeting.carried)]
    named += [n for row in found.rows for item in row.items for n in item]
    named += [n for form in found.forms for n in (*form.left, *form.right)]
    named += [n for start in found.starts for end in start.ends for n, _ in end]
    return tuple(n for n in dict.fromkeys(named) if n not in known)


# ---------------------------------------------------------------- values


def _is(value: Any, kind: type, where: str) -> None:
    if not isinstance(value, kind):
        raise Malformed(f"{where} is {_form(value)}; a {kind.__name__} record is wanted")


def _some(values: Any, where: str, most: int) -> tuple:
    """A list or tuple, or anything that can be gone through, of at most ``most``; never gone through further."""
    if isinstance(values, (str, bytes, Mapping)) or not isinstance(values, Iterable):
        raise Malformed(f"{where} is {_form(values)}; a tuple is wanted")
    out = tuple(islice(values, most + 1))
    if len(out) > most:
        many = f"{len(values)}" if hasattr(values, "__len__") else f"more than {most}"
        raise Malformed(f"{where}: {many} of them; {most} at most can be worked with")
    return out


def _two(value: Any, where: str) -> tuple:
    pair = _some(value, where, 2)
    if len(pair) != 2:
        raise Malformed(f"{where} holds {_short(value)}; pairs are wanted")
    return pair


def _text(value: Any, where: str, longest: int = LONGEST_TEXT, empty: bool = False) -> str:
    if not isinstance(value, str):
        raise Malformed(f"{where} is {_form(value)}; words are wanted")
    if not value.strip() and not (empty and not value):
        raise Malformed(f"{where} is empty; words are wanted")
    if len(value) > longest:
        raise Malformed(f"{where} is {len(value)} letters long; {longest} at most are wanted")
    if any(unicodedata.category(letter) in UNPRINTABLE for letter in value):
        raise Malformed(f"{where} is {_short(value)}; letters that can be printed in one line are wanted")
    return str(value)


def _number(value: Any, where: str, low: float = -math.inf, high: float = math.inf) -> float:
    if isinstance(value, (bool, np.bool_)) or not isinstance(value, (Real, np.number)):
        raise Malformed(f"{where} is {_form(value)}; a number is wanted")
    number = float(value)
    if not math.isfinite(number) or not low <= number <= high:
        span = f" from {low:g} to {high:g}" if math.isfinite(high) else " of 0 or more" if low == 0 else ""
        raise Malformed(f"{where} is {number:g}; a number{span} is wanted")
    return number


def _one_of(value: Any, where: str, known: Iterable[str]) -> str:
    if not isinstance(value, str) or value not in known:
        raise Malformed(f"{where} is {_short(value)}; {_any(known)} is wanted")
    return value


def _words(values: Any, where: str, known: Iterable[str]) -> tuple[str, ...]:
    if isinstance(values, str):
        raise Malformed(f"{where} is the word '{values[:40]}'; a tuple is wanted: ('{values[:40]}',)")
    return tuple(_one_of(value, where, known) for value in _some(values, where, 100))


def _known(names: Any, where: str, features: Features) -> tuple[str, ...]:
    """Those of the names that are features of this picture."""
    found = _some(names, where, MOST_OTHERS)
    for name in found:
        if not isinstance(name, str):
            raise Malformed(f"{where} holds {_form(name)}; names of features are wanted")
    return tuple(name for name in found if name in features)


def _straight(names: Any, where: str, features: Features) -> tuple[str, ...]:
    """`_known`, all of them straight."""
    known = _known(names, where, features)
    for name in known:
        if features[name].kind != "segment":
            raise Malformed(f"{where}: '{name}' is a {features[name].kind}; only segments meet or aim anywhere")
    return known


def _points(given: Any, where: str, fewest: int, most: int = MOST_POINTS, shape: tuple[int, int] | None = None) -> np.ndarray:
    """float64 (n, 2), finite, and not far off a picture of ``shape``."""
    points = _array(given, where)
    if points.ndim != 2 or points.shape[1] != 2:
        raise Malformed(f"{where} is an array of shape {points.shape}; (n, 2) is wanted: one row (x, y) for each point")
    if not fewest <= len(points) <= most:
        raise Malformed(f"{where} holds {len(points)} points; {fewest} to {most} are wanted")
    if not np.isfinite(points).all():
        bad = int(np.flatnonzero(~np.isfinite(points).all(1))[0])
        raise Malformed(f"{where}: number {bad} is ({points[bad, 0]:g}, {points[bad, 1]:g}); finite numbers are wanted")
    if shape is not None:
        reach = FARTHEST * max(shape)
        if points.min() < -reach or points[:, 0].max() > shape[1] + reach or points[:, 1].max() > shape[0] + reach:
            far = points[int(np.abs(points - [shape[1] / 2, shape[0] / 2]).max(1).argmax())]
            raise Malformed(f"{where}: ({far[0]:.4g}, {far[1]:.4g}) is far off a picture of {shape[1]} x {shape[0]} px")
    return np.ascontiguousarray(points)


def _array(given: Any, where: str) -> np.ndarray:
    if isinstance(given, (str, bytes)) or given is None:
        raise Malformed(f"{where} is {_form(given)}; an array of points (n, 2) is wanted")
    if isinstance(given, np.ndarray) and given.dtype.kind not in "iuf":
        raise Malformed(f"{where} is of the type {given.dtype}; numbers are wanted")
    try:
        return np.array(given, dtype=np.float64)
    except (TypeError, ValueError, OverflowError):
        raise Malformed(f"{where} is no array of points (n, 2)") from None


def _form(value: Any) -> str:
    if isinstance(value, np.ndarray):
        return f"an array of shape {value.shape} and type {value.dtype}"
    return "None" if value is None else f"a {type(value).__name__}"


def _short(value: Any) -> str:
    try:
        text = repr(value)
    except Exception:
        text = f"a {type(value).__name__}"
    return text if len(text) <= 60 else text[:57] + "..."


def _any(known: Iterable[str]) -> str:
    *first, last = (f"'{word}'" for word in known)
    return f"{', '.join(first)} or {last}" if first else last
