"""The few lengths to start with: the detector's own, or, where it names none, general ones."""

from __future__ import annotations

import math

import numpy as np

from featurediff.planning.records import BETWEEN, FROM_LEFT, FROM_TOP, Length, Placement
from featurediff.records import Feature, Start, Subject, under

MOST = 14
# Of lines alike, so many of each kind; nearer to each other than this share of the size they count as one.
_LINES, _APART = 3, 0.06
_PLUMB, _LEVEL = 15.0, 8.0
_THINGS = 4


def lengths(subject: Subject, placed: Placement) -> tuple[Length, ...]:
    """At most `MOST` lengths on the sheet, in the order to measure them."""
    starts = subject.starts or general(subject)
    found = [_measured(subject, start, placed) for start in starts]
    found = [each for each in found if each is not None]
    if not subject.starts:
        found += _eye_level(subject, placed)
    return tuple(found[:MOST])


def _measured(subject: Subject, start: Start, placed: Placement) -> Length | None:
    ends = [_end(subject, spots) for spots in start.ends]
    if any(end is None for end in ends) or not 1 <= len(ends) <= 2:
        return None
    points = placed.to_mm(np.array(ends))
    shown = tuple((float(x), float(y)) for x, y in points)
    if len(points) == 1:
        down = start.direction == "down"
        if not 0.5 <= shown[0][down] <= placed.sheet_mm[down] - 0.5:
            return None  # it lies on the sheet's edge or off it: nothing to measure
        return Length(start.label, shown[0][down], FROM_TOP if down else FROM_LEFT, start.direction, shown)
    step = np.abs(points[1] - points[0])
    amount = {"down": step[1], "across": step[0]}.get(start.direction, math.hypot(*step))
    return Length(start.label, float(amount), BETWEEN, start.direction, shown)


def _end(subject: Subject, spots) -> np.ndarray | None:
    """The mean (2,) of the spots that are there; None when none is."""
    by_name = {feature.name: feature for feature in subject.features}
    found = [spot_of(by_name[name], where) for name, where in spots if name in by_name]
    return np.mean(found, axis=0) if found else None


def spot_of(feature: Feature, where: str) -> np.ndarray:
    """A spot (2,) of a feature: an anchor, or the middle or a side of its extent."""
    points = feature.points
    if where in feature.anchors:
        return points[feature.anchors[where]]
    low, high = points.min(0), points.max(0)
    if where in ("left", "right"):
        return points[int((points[:, 0].argmin if where == "left" else points[:, 0].argmax)())]
    if where in ("top", "bottom"):
        return points[int((points[:, 1].argmin if where == "top" else points[:, 1].argmax)())]
    return (low + high) / 2


# ---------------------------------------------------------------- general ones


def general(subject: Subject) -> tuple[Start, ...]:
    """Starting lengths of any subject: the whole, its things or its main lines, the ends of its longest row."""
    whole = _whole(subject)
    things = [group for group in subject.groups if group.apart]
    inner = _things(subject, things) if things else (*_lines(subject), *_rows(subject))
    return (*whole, *inner)


def _whole(subject: Subject) -> tuple[Start, ...]:
    features = main_features(subject)

    def end(where: str, k: int, pick) -> tuple[tuple[str, str], ...]:
        feature = pick(features, key=lambda each: getattr(each.points[:, k], pick.__name__)())
        return ((feature.name, where),)

    top, foot = end("top", 1, min), end("bottom", 1, max)
    left, right = end("left", 0, min), end("right", 0, max)
    return (
        Start("top of the whole", "down", (top,)),
        Start("foot of the whole", "down", (foot,)),
        Start("left end of the whole", "across", (left,)),
        Start("right end of the whole", "across", (right,)),
        Start("width of the whole", "across", (left, right)),
    )


def _things(subject: Subject, things) -> tuple[Start, ...]:
    """Width and height of the largest things that stand by themselves, from the left."""
    own_of = {group.label: [each for each in subject.features if under(each.part, group.part)] for group in things}
    area = {label: float(np.prod(np.ptp(_points(own), axis=0))) for label, own in own_of.items() if own}
    largest = sorted(area, key=lambda label: -area[label])[:_THINGS]
    found = []
    for group in things:
        own = own_of[group.label]
        if group.label in largest:
            spots = {w: ((_outmost(own, w).name, w),) for w in ("left", "right", "top", "bottom")}
            found.append(Start(f"width of the {group.label}", "across", (spots["left"], spots["right"])))
            found.append(Start(f"height of the {group.label}", "down", (spots["top"], spots["bottom"])))
    return tuple(found)


def main_features(subject: Subject) -> list[Feature]:
    """The features of the things that stand by themselves, where there are such; else all."""
    parts = [group.part for group in subject.groups if group.apart]
    own = [feature for feature in subject.features if any(under(feature.part, part) for part in parts)]
    return own or list(subject.features)


def _points(features: list[Feature]) -> np.ndarray:
    return np.vstack([feature.points for feature in features])


def _outmost(features: list[Feature], where: str) -> Feature:
    k = 0 if where in ("left", "right") else 1
    if where in ("left", "top"):
        return min(features, key=lambda each: each.points[:, k].min())
    return max(features, key=lambda each: each.points[:, k].max())


def _lines(subject: Subject) -> tuple[Start, ...]:
    """The weightiest uprights, from the left, and level lines, from the top."""
    straight = [feature for feature in subject.features if feature.kind == "segment" and len(feature.points) > 1]
    upright = [each for each in straight if _from_level(each) > 90 - _PLUMB]
    level = [each for each in straight if _from_level(each) < _LEVEL]
    across = [Start(_called(subject, each), "across", (((each.name, "middle"),),)) for each in _main(subject, upright, 0)]
    down = [Start(_called(subject, each), "down", (((each.name, "middle"),),)) for each in _main(subject, level, 1)]
    return (*across, *down)


def _main(subject: Subject, lines: list[Feature], k: int) -> list[Feature]:
    """The `_LINES` weightiest by importance and length, apart from each other along axis ``k``, in order of place."""
    weight = {each.name: each.importance * math.dist(each.points[0], each.points[-1]) for each in lines}
    chosen: list[Feature] = []
    for each in sorted(lines, key=lambda line: -weight[line.name]):
        place = each.points[:, k].mean()
        if len(chosen) < _LINES and all(abs(place - o.points[:, k].mean()) > _APART * subject.size_px for o in chosen):
            chosen.append(each)
    return sorted(chosen, key=lambda line: line.points[:, k].mean())


def _rows(subject: Subject) -> tuple[Start, ...]:
    """From the first to the last of the longest row across."""
    across = [row for row in subject.rows if row.direction == "across" and len(row.items) > 2]
    # Rows of rows (columns side by side) tell the same again.
    single = [row for row in across if all(len(item) == 1 for item in row.items)]
    if not single:
        return ()
    row = max(single, key=lambda each: len(each.items))
    ends = tuple(tuple((name, "middle") for name in row.items[k]) for k in (0, -1))
    return (Start(f"{row.label}, middle of the first to middle of the last", "across", ends),)


def _eye_level(subject: Subject, placed: Placement) -> list[Length]:
    """Where receding lines meet at the eye level, if that lies on the sheet."""
    levels = [meeting.at for meeting in subject.meetings if meeting.level]
    if not levels:
        return []
    x, y = placed.to_mm(np.mean(levels, axis=0)[None])[0]
    if not 0 < y < placed.sheet_mm[1]:
        return []
    return [Length("eye level", float(y), FROM_TOP, "down", ((float(x), float(y)),))]


def _from_level(feature: Feature) -> float:
    x, y = np.abs(feature.points[-1] - feature.points[0])
    return math.degrees(math.atan2(y, x))


def _called(subject: Subject, feature: Feature) -> str:
    if not subject.numbered:
        return feature.name
    return f"{feature.name} ({[each.name for each in subject.features].index(feature.name) + 1})"
