"""Like things in a row: one of them misplaced, a gap too wide, a few that crowd, the whole row spread or turned.

The reference itself gives the target: in perspective its gaps shrink along the row, so equal errors are counted in shares of the
gaps there (projective to first order), not in equal mm.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from featurediff.corrections.builder import Builder, Hypothesis, quarter
from featurediff.records import Row, Subject, under

# Where two sentences say the same, the plainer one is cheaper.
_COST = {"move": 1.0, "run": 1.0, "inner run": 1.1, "ramp": 1.0, "spread": 1.1, "each width": 1.05, "each height": 1.05}
# In longer rows, only runs of up to `_SHORT` things are tried, and those that reach an end of the row.
_LONG, _SHORT = 8, 4


@dataclass(frozen=True)
class _Line:
    """A row as found: ``places`` are its items' positions in the row, ``items`` their features, ``centres`` (k, 2) their middles.

    ``way`` (2,): unit vector along the row.
    """

    row: Row
    places: tuple[int, ...]
    items: tuple[tuple[int, ...], ...]
    centres: np.ndarray
    way: np.ndarray

    @property
    def members(self) -> tuple[int, ...]:
        """All features of the row."""
        return tuple(k for item in self.items for k in item)


def add_rows(builder: Builder, subject: Subject) -> None:
    """Add what can be said about every row of ``subject``."""
    told = {(frozenset(h.members), h.kind) for h in builder.hypotheses if h.kind in ("move", "turn")}
    seen: set = set()
    lines = [line for row in subject.rows if (line := _line(builder, row)) is not None]
    for line in lines:
        _add_items(builder, line, told)
        _add_whole(builder, line, told)
        for kind, first, offsets in _patterns(line):
            _add_offsets(builder, line, kind, first, offsets, seen)
        _add_sizes(builder, line)
    # Where rows share their things (windows of a storey, columns), a gap that carries all is told of the largest row.
    for line in sorted(lines, key=lambda each: -len(each.members)):
        around = _around(builder, subject, line)
        for kind, first, offsets in _patterns(line):
            if kind == "run":
                _add_offsets(builder, line, kind, first, offsets, seen, _beyond(builder, line, around, first, len(offsets)))


def _line(builder: Builder, row: Row) -> _Line | None:
    found = [(place, builder.found(names)) for place, names in enumerate(row.items)]
    found = [(place, members) for place, members in found if members]
    if len(found) < 2:
        return None
    centres = np.array([builder.box(members)[0] for _, members in found])
    way = centres[-1] - centres[0]
    axis = builder.frame.right if row.direction == "across" else builder.frame.down
    length = float(np.hypot(*way))
    # A row that climbs more than 35 degrees is told by the axis it is named after.
    way = way / length if length > 0 and way @ axis > 0.82 * length else axis
    return _Line(row, tuple(place for place, _ in found), tuple(members for _, members in found), centres, way)


def _common(line: _Line, first: int, count: int) -> dict:
    """What the hypotheses about ``count`` items from ``first`` on have in common."""
    items = line.items[first : first + count]
    return {
        "members": tuple(k for item in items for k in item),
        "centre": line.centres[first : first + count].mean(0),
        "stage": line.row.stage,
        "extra": {"row": line.row, "places": line.places[first : first + count], "items": items, "first": first, "line": line},
    }


# ---------------------------------------------------------------- one item, and the row as one


def _add_items(builder: Builder, line: _Line, told: set) -> None:
    """Items made of several features; a single feature speaks for itself."""
    for first, (place, item) in enumerate(zip(line.places, line.items, strict=True)):
        if len(item) < 2 or (frozenset(item), "move") in told:
            continue
        told.add((frozenset(item), "move"))
        name = line.row.names[place]
        for axis in builder.frame.moves:
            hypothesis = Hypothesis("move", f"row {name}", name, axis=axis, cost=_COST["move"], **_common(line, first, 1))
            builder.add(hypothesis, lambda p, axis=axis: np.tile(axis, (len(p), 1)))


def _add_whole(builder: Builder, line: _Line, told: set) -> None:
    members = line.members
    if len(members) == len(builder.compared):
        return
    common = _common(line, 0, len(line.items)) | {"plural": True}
    if (frozenset(members), "move") not in told:
        for axis in builder.frame.moves:
            hypothesis = Hypothesis("move", f"row {line.row.label}", line.row.label, axis=axis, cost=_COST["move"], **common)
            builder.add(hypothesis, lambda p, axis=axis: np.tile(axis, (len(p), 1)))
    if (frozenset(members), "turn") not in told:
        centre, width, height = builder.box(members)
        reach = math.hypot(width, height) / 2
        more = common | {"centre": centre, "stage": "tilt"}
        hypothesis = Hypothesis(
            "turn", f"row {line.row.label}", line.row.label, extent=2 * reach, per_unit=math.degrees(1 / reach), **more
        )
        builder.add(hypothesis, lambda p: quarter(p - centre) / reach)
    told |= {(frozenset(members), "move"), (frozenset(members), "turn")}


# ---------------------------------------------------------------- gaps along the row


def _patterns(line: _Line):
    """(kind, first item, offsets along the row of it and those after it, 1 at the largest)."""
    count = len(line.items)
    gaps = np.abs(np.diff(line.centres @ line.way))
    for first in range(count):
        for last in range(first + 1, count):
            length = last - first + 1
            at_end = first == 0 or last == count - 1
            if length == count or (count > _LONG and length > _SHORT and not at_end):
                continue
            yield ("run" if at_end else "inner run"), first, np.ones(length)
            if first > 0:
                yield "ramp", first, _steps(gaps[first - 1 : last])
            if last < count - 1:
                yield "ramp", first, _steps(gaps[first : last + 1][::-1])[::-1]
    place = line.centres @ line.way
    middle = (place[0] + place[-1]) / 2
    if place[-1] > place[0]:
        yield "spread", 0, (place - middle) / (place[-1] - middle)


def _around(builder: Builder, subject: Subject, line: _Line) -> tuple[int, ...]:
    """The other features of the smallest group that holds the row and straight lines: what a gap of the row pushes away."""
    parts = [each.feature.part for each in builder.compared]
    blocks = [tuple(k for k, part in enumerate(parts) if under(part, group.part)) for group in subject.groups]
    straight = {k for k, each in enumerate(builder.compared) if each.feature.kind == "segment"}
    holding = [block for block in blocks if set(line.members) <= set(block) and straight & set(block)]
    return tuple(k for k in min(holding, key=len, default=()) if k not in line.members)


def _beyond(builder: Builder, line: _Line, around: tuple[int, ...], first: int, count: int) -> tuple[int, ...]:
    """Those of ``around`` that lie wholly beyond the gap at the inner end of a run of ``count`` things."""
    places = [builder.points[builder.of(item)] @ line.way for item in line.items]
    others = {k: builder.points[builder.of((k,))] @ line.way for k in around}
    if first > 0:
        edge = (places[first - 1].max() + places[first].min()) / 2
        return tuple(k for k, place in others.items() if place.min() > edge)
    edge = (places[count - 1].max() + places[count].min()) / 2
    return tuple(k for k, place in others.items() if place.max() < edge)


def _steps(gaps: np.ndarray) -> np.ndarray:
    """Each gap too wide by the same share: what adds up along the row, 1 at the end."""
    total = np.cumsum(gaps)
    return total / max(float(total[-1]), 1e-9)


def _add_offsets(
    builder: Builder, line: _Line, kind: str, first: int, offsets: np.ndarray, seen: set, beyond: tuple[int, ...] | None = None
) -> None:
    """``beyond``: what goes with a run (None: nothing is asked to, so that the things move by themselves)."""
    common = _common(line, first, len(offsets))
    common["members"] += beyond or ()
    key = (frozenset(common["members"]), tuple(np.round(offsets, 2)), kind)
    if key in seen or beyond == ():
        return
    seen.add(key)
    column = np.zeros_like(builder.points)
    for item, offset in zip(common["extra"]["items"], offsets, strict=True):
        column[builder.of(item)] = offset * line.way
    for k in beyond or ():
        column[builder.of((k,))] = line.way
    told = "run" if kind == "inner run" else kind
    name = f"row {line.row.label} {first} {len(offsets)}" + (" and beyond" if beyond else "")
    common["extra"] = common["extra"] | {"offsets": offsets, "beyond": beyond or ()}
    builder.add_field(Hypothesis(told, name, name, axis=line.way, cost=_COST[kind], plural=True, **common), column)


# ---------------------------------------------------------------- all of one size


def _add_sizes(builder: Builder, line: _Line) -> None:
    """Every item too wide or too tall by one share, each about its own middle."""
    for kind, axis in (("width", builder.frame.right), ("height", builder.frame.down)):
        shows = [k for k in line.members if any(m.name == kind for m in builder.compared[k].measures)]
        if len(shows) < 2:
            continue
        column, extents = np.zeros_like(builder.points), []
        for item in line.items:
            use = builder.of(item)
            place = builder.points[use] @ axis
            extents.append(float(np.ptp(place)))
            column[use] = np.outer(place - (place.min() + place.max()) / 2, axis)
        mean = float(np.mean(extents))
        if mean <= 0:
            continue
        common = _common(line, 0, len(line.items)) | {"stage": "shape"}
        hypothesis = Hypothesis(
            f"each {kind}",
            f"row {line.row.label}",
            line.row.label,
            axis=axis,
            extent=mean,
            cost=_COST[f"each {kind}"],
            plural=True,
            **common,
        )
        builder.add_field(hypothesis, column / mean)
