"""Marks as the `Subject` that the engine compares."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from featurediff import geometry
from featurediff.errors import SubjectError
from featurediff.marking.edges import edges_of, splits
from featurediff.marking.records import Mark, Marks
from featurediff.marking.shapes import line_of
from featurediff.records import Feature, Gap, Group, Junction, Pair, Subject

STEP = 0.008  # of the subject's size between neighbouring points of a curve
WIDER = 2.2  # what is this many times wider than high is measured across
CLICK = 0.004  # of the subject's size: standard uncertainty of a place clicked by hand
SAME_PLACE = 0.004  # of the subject's size: ends of lines as near as this are one corner
SHORT = 0.04  # of the subject's size: a straight line shorter than this is looked for as a curve is, by its surroundings
FEWEST = 3
STAGES = {"point": "placement", "line": "placement", "curve": "shape", "ellipse": "shape"}
JUDGED = {
    "point": ("across", "down"),
    "line": ("across", "down", "tilt"),
    "curve": ("across", "down", "shape"),
    "closed": ("across", "down", "width", "height", "shape"),
    "ellipse": ("across", "down", "width", "height", "tilt", "openness"),
}


def subject_of(marks: Marks, width: int, height: int, name: str) -> Subject:
    """The subject on a picture of ``width`` x ``height`` px called ``name``.

    The picture may be the marked one at another size, not another cut of it. Raises SubjectError.
    """
    scale = _scale(marks, width, height, name)
    if len(marks.marks) < FEWEST:
        raise SubjectError(
            f"{len(marks.marks)} marks are too few: the drawing is laid on the reference by them.",
            f"Mark {FEWEST} or more, spread over all that is drawn.",
        )
    coarse = [line_of(mark, 0.01 * max(marks.width, marks.height))[0] for mark in marks.marks]
    low, high = np.vstack(coarse).min(0), np.vstack(coarse).max(0)
    extent = high - low
    across = marks.size == "width" or (not marks.size and extent[0] > WIDER * extent[1])
    size = float(extent[0 if across else 1])
    if size < 0.02 * max(marks.width, marks.height):
        raise SubjectError(
            f"All marks lie within {size:.0f} px of each other's {'width' if across else 'height'}.",
            "Spread them over all that is drawn, or set 'size' in the marks file to the other extent.",
        )
    single, met = _apart(marks.marks)
    corners = (*met, *_corners(marks, [mark for mark in single if mark in marks.marks], SAME_PLACE * size))
    held = {end for corner in corners for end in corner.ends}
    features = tuple(_feature(mark, size, scale, held) for mark in single)
    return Subject(
        features=features,
        size_px=size * float(scale[0 if across else 1]),
        size_label=f"{'width' if across else 'height'} of {_the(marks.subject)}",
        region=geometry.rescale_points(_box(low, high, 0.02 * size), tuple(scale)),
        groups=_groups(marks, single),
        gaps=tuple(Gap(each.name, each.direction, each.beyond, each.follows) for each in marks.gaps),
        pairs=tuple(Pair(each.name, "/".join(each.left), "/".join(each.right)) for each in marks.pairs),
        junctions=corners,
    )


def resized(marks: Marks, width: int, height: int) -> Marks:
    """The same marks in px of a picture that shows the same at another size. Raises SubjectError."""
    scale = tuple(_scale(marks, width, height, "this picture"))

    def moved(mark: Mark) -> Mark:
        own = mark.round
        if own is not None:
            middle = tuple(geometry.rescale_points(np.array([own.middle]), scale)[0].tolist())
            own = replace(own, middle=middle, width=own.width * scale[0], height=own.height * scale[1])
        points = geometry.rescale_points(np.array(mark.points).reshape(-1, 2), scale)
        return replace(mark, points=tuple(map(tuple, points.tolist())), round=own)

    return replace(marks, width=width, height=height, marks=tuple(map(moved, marks.marks)))


def _scale(marks: Marks, width: int, height: int, name: str) -> np.ndarray:
    scale = np.array([width / marks.width, height / marks.height])
    # Sides are whole px: a picture exported smaller keeps its shape to within half a px of either size.
    slack = 1.0 / min(marks.width, marks.height) + 1.0 / min(width, height)
    if abs(scale[0] / scale[1] - 1.0) > slack:
        raise SubjectError(
            f"The marks were made on a picture of {marks.width} x {marks.height} px; {name} has another shape: "
            f"{width} x {height} px.",
            "Name the picture they were made on, or mark this one: featurediff mark REFERENCE.",
        )
    return scale


def _apart(marks: tuple[Mark, ...]) -> tuple[list[Mark], list[Junction]]:
    """The marks with those that have corners taken apart into their edges, and the corners where straight ones meet."""
    taken = {mark.name.lower() for mark in marks}
    single, met = [], []
    for mark in marks:
        if not splits(mark):
            single.append(mark)
            continue
        edges = edges_of(mark, taken)
        single += [edge.mark for edge in edges]
        for before, after in zip(edges, (*edges[1:], edges[0]), strict=True):
            if before.ends[1] == after.ends[0] and before.mark.kind == after.mark.kind == "line":
                spot = next((name for name, at in mark.spots.items() if at == after.ends[0]), "")
                label = f"{spot or 'corner'} of the {mark.name}" if spot else f"corner of {_the(before.mark.name)}"
                met.append(Junction(label, ((before.mark.name, -1), (after.mark.name, 0))))
    return single, met


def _feature(mark: Mark, size: float, scale: np.ndarray, held: set[tuple[str, int]]) -> Feature:
    points, spots = line_of(mark, STEP * size)
    kind = "segment" if mark.kind == "line" else mark.kind
    if mark.kind == "line" and np.hypot(*(points[1] - points[0])) < SHORT * size:
        kind, points = "curve", geometry.resample(points, STEP * size)
        spots = {name: 0 if at == 0 else len(points) - 1 for name, at in spots.items()}
    both_ends = (mark.name, 0) in held and (mark.name, -1) in held
    smooth = mark.kind == "curve" and not mark.closed
    return Feature(
        name=mark.name,
        part=part_of(mark),
        kind=kind,
        points=geometry.rescale_points(points, tuple(scale)),
        closed=mark.closed or mark.kind == "ellipse",
        measures=mark.judge or _judged(mark, points, both_ends),
        tolerance=mark.grade,
        importance=mark.importance,
        stage="proportion" if mark.closed else STAGES[mark.kind],
        sigma_px=CLICK * size * float(scale.mean()),
        slides=smooth or (mark.kind == "line" and not both_ends),
        anchors=spots,
    )


def _judged(mark: Mark, points: np.ndarray, both_ends: bool) -> tuple[str, ...]:
    if mark.kind == "line" and both_ends:
        across, down = abs(points[-1] - points[0])
        return (*JUDGED["line"], "width" if across > down else "height")
    return JUDGED["closed" if mark.closed else mark.kind]


def part_of(mark: Mark) -> str:
    """Its place on the parts tree."""
    return "/".join((*mark.part, mark.name))


def _groups(marks: Marks, single: list[Mark]) -> tuple[Group, ...]:
    """What the artist grouped; besides, every part with two marks or more that is not the whole."""
    told = {each.part: each for each in marks.groups}
    parts = {mark.part[:depth]: None for mark in single for depth in range(1, len(mark.part) + 1)}
    groups = []
    for part in {**told, **parts}:
        if part in told:
            groups.append(Group("/".join(part), told[part].name, plural=told[part].several))
            continue
        members = sum((*mark.part, mark.name)[: len(part)] == part for mark in single)
        if 1 < members < len(single):
            groups.append(Group("/".join(part), part[-1]))
    return tuple(groups)


def _corners(marks: Marks, single: list[Mark], near: float) -> tuple[Junction, ...]:
    """The artist's corners, with the ends that lie nearest to each other; then ends of lines that lie on one spot."""
    lines = {mark.name: np.array(mark.points) for mark in single if mark.kind == "line"}
    found = []
    for corner in marks.corners:
        ends = _meeting(corner.lines, lines)
        found.append(Junction(corner.name, ends))
    taken = {end for junction in found for end in junction.ends}
    free = [(name, end) for name in lines for end in (0, -1) if (name, end) not in taken]
    while free:
        at = lines[free[0][0]][free[0][1]]
        here = [each for each in free if np.hypot(*(lines[each[0]][each[1]] - at)) <= near]
        names = list(dict.fromkeys(name for name, _ in here))
        if len(names) > 1:
            label = f"corner of {_the(names[0])} and {_the(names[1])}"
            found.append(Junction(label, tuple({name: (name, end) for name, end in here}.values())))
        free = [each for each in free if each not in here]
    return tuple(found)


def _meeting(names: tuple[str, ...], lines: dict[str, np.ndarray]) -> tuple[tuple[str, int], ...]:
    """For each line the end that is nearest to the others."""
    ends = []
    for name in names:
        others = np.vstack([lines[other] for other in names if other != name])
        reach = [np.hypot(*(others - lines[name][end]).T).min() for end in (0, -1)]
        ends.append((name, 0 if reach[0] <= reach[1] else -1))
    return tuple(ends)


def _box(low: np.ndarray, high: np.ndarray, margin: float) -> np.ndarray:
    (left, top), (right, bottom) = low - margin, high + margin
    return np.array([[left, top], [right, top], [right, bottom], [left, bottom]])


def _the(label: str) -> str:
    return label if label.lower().startswith(("the ", "a ", "an ")) else f"the {label}"
