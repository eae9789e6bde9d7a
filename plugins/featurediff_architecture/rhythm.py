"""Openings as the engine's records: storeys, window columns, rows, groups and names."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from featurediff.api import Feature, Group, NotJudged, Row
from featurediff_architecture.spacing import equal_steps
from featurediff_architecture.windows import Opening

FLOORS = ("ground", "first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth", "tenth")
COUNTED = ("first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth", "tenth", "eleventh", "twelfth")
# A sketcher's list, and the artist's eye, take in no more.
MOST = 24
# A window of another storey stands at a place of a row within this share of the row's step.
AT_PLACE = 0.25
MEASURES = ("across", "down", "width", "height")


@dataclass(frozen=True)
class Facade:
    """One facade's openings. ``part``: its place on the parts tree, "building/front". ``on``: words that tell it from others,
    "on the left front", or "" when it is the only one. ``doubt``: why windows of it are left out, or ""."""

    part: str
    openings: tuple[Opening, ...]
    on: str = ""
    doubt: str = ""


@dataclass(frozen=True)
class Rhythm:
    """What the openings give to a subject."""

    features: tuple[Feature, ...] = ()
    rows: tuple[Row, ...] = ()
    groups: tuple[Group, ...] = ()
    not_judged: tuple[NotJudged, ...] = ()


def storeys(boxes: np.ndarray) -> list[list[int]]:
    """Numbers of boxes (n, 4) by storey, from the lowest storey up, each from left to right."""
    if len(boxes) == 0:
        return []
    return _lines(boxes[:, [1, 3]], boxes[:, 0])[::-1]


def columns(boxes: np.ndarray) -> list[list[int]]:
    """Numbers of boxes (n, 4) by column, from left to right, each from top to bottom."""
    if len(boxes) == 0:
        return []
    return _lines(boxes[:, [0, 2]], boxes[:, 1])


def _lines(spans: np.ndarray, order: np.ndarray) -> list[list[int]]:
    """Numbers of ``spans`` (n, 2) that share a line, lines in rising order; within a line by ``order`` (n,).

    Two share a line when the middle of each lies within the other.
    """
    lines: list[list[int]] = []
    for index in np.argsort(spans.sum(1)):
        low, high = spans[index]
        for line in lines:
            first, last = np.median(spans[line], axis=0)
            if first < (low + high) / 2 < last and low < (first + last) / 2 < high:
                line.append(int(index))
                break
        else:
            lines.append([int(index)])
    return [sorted(line, key=lambda k: order[k]) for line in lines]


def rhythm_of(facades: Sequence[Facade], most: int = MOST) -> Rhythm:
    """Features, rows, groups and what is left out, of all facades' openings; about ``most`` features in all."""
    total = sum(len(facade.openings) for facade in facades)
    parts = [
        _facade(facade, max(int(most * len(facade.openings) / max(total, 1)), 2))
        for facade in facades
        if facade.openings or facade.doubt
    ]
    return Rhythm(
        *(
            tuple(item for part in parts for item in getattr(part, field))
            for field in ("features", "rows", "groups", "not_judged")
        )
    )


@dataclass(frozen=True, eq=False)
class _Named:
    """An opening with its name, the name of its storey ("first floor") and its part path."""

    opening: Opening
    name: str
    part: str
    storey: int


def _facade(facade: Facade, most: int) -> Rhythm:
    doors = [o for o in facade.openings if o.kind == "door"]
    others = [o for o in facade.openings if o.kind != "door"]
    named = _named(facade, others)
    kept, left_out = _thinned(named, max(most - len(doors), 2), facade.on)
    features = [_feature(n, 0.5) for n in kept] + [_feature(d, 0.6) for d in _doors(facade, doors)]
    if facade.doubt:
        left_out += (NotJudged(_with("windows" if not kept else "further windows", facade.on), facade.doubt),)
    return Rhythm(tuple(features), tuple(_rows(kept, facade.on)), tuple(_groups(kept, facade)), left_out)


def _with(words: str, on: str) -> str:
    return f"{words} {on}".strip()


def floor_name(storey: int) -> str:
    """ "ground floor", "first floor" ... counted from the bottom."""
    return f"{FLOORS[storey]} floor" if storey < len(FLOORS) else f"floor {storey}"


def noun_of(openings: Sequence[Opening]) -> str:
    """What a storey's openings are called: "arch" where most are arches, else "window"."""
    return "arch" if 2 * sum(o.kind == "arch" for o in openings) > len(openings) else "window"


def _named(facade: Facade, openings: list[Opening]) -> list[_Named]:
    named = []
    boxes = np.array([o.box for o in openings]).reshape(-1, 4)
    doors = np.array([o.box for o in facade.openings if o.kind == "door"]).reshape(-1, 4)
    for storey, line in enumerate(storeys(boxes)):
        noun = noun_of([openings[k] for k in line])
        others = np.delete(boxes, line, axis=0)
        for number, k in zip(numbers_in_row(boxes[line], others, doors), line, strict=True):
            which = f"{noun} {number}" if len(line) > 1 else noun
            name = _with(f"{which} of the {floor_name(storey)}", facade.on)
            named.append(_Named(openings[k], name, f"{facade.part}/windows/floor {storey}/{noun} {number}", storey))
    return named


def numbers_in_row(row: np.ndarray, others: np.ndarray, doors: np.ndarray) -> list[int]:
    """The numbers, from 1 on, of the boxes ``row`` (n, 4) of a storey, from left to right.

    A window that something hides is counted where the row's equal steps leave a place empty that has windows (``others`` (m, 4))
    above or below it, and no door (``doors`` (k, 4)): so the artist's own count is the list's.
    """
    middles = (row[:, 0] + row[:, 2]) / 2
    steps = equal_steps(middles)
    if steps is None or not steps.missing:
        return list(range(1, len(row) + 1))
    columns_there = (others[:, 0] + others[:, 2]) / 2
    hidden = []
    for number in steps.missing:
        place = steps.start + number * steps.step
        windows = (np.abs(columns_there - place) < AT_PLACE * steps.step).any()
        door = ((doors[:, 0] < place) & (doors[:, 2] > place)).any()
        hidden += [number] if windows and not door else []
    return [k + 1 + sum(number < own for number in hidden) for k, own in enumerate(steps.number)]


def _doors(facade: Facade, doors: list[Opening]) -> list[_Named]:
    in_order = sorted(doors, key=lambda o: o.box[0])
    words = ["door"] if len(doors) == 1 else [f"door {k}" for k in range(1, len(doors) + 1)]
    pairs = zip(in_order, words, strict=True)
    return [_Named(o, _with(word, facade.on), f"{facade.part}/doors/{word}", 0) for o, word in pairs]


def _feature(named: _Named, importance: float) -> Feature:
    outline = named.opening.outline
    n = len(outline)
    if n == 4:
        anchors = {"top left corner": 0, "top right corner": 1, "bottom right corner": 2, "bottom left corner": 3}
    else:
        # An arched outline runs over its head, then down to the two lower corners.
        head = n - 2
        anchors = {"left springing": 0, "crown": (head - 1) // 2, "right springing": head - 1}
        anchors |= {"bottom right corner": n - 2, "bottom left corner": n - 1}
    return Feature(
        named.name, named.part, "curve", np.asarray(outline, float), closed=True, measures=MEASURES, tolerance="B",
        importance=importance, stage="placement", slides=False, anchors=anchors,
    )  # fmt: skip


def _rows(named: list[_Named], on: str) -> list[Row]:
    by_storey = _by_storey(named)
    rows = []
    for storey, line in by_storey.items():
        if len(line) > 1:
            label = _with(f"{_plural(line)} of the {floor_name(storey)}", on)
            rows.append(Row(label, tuple(n.name for n in line), tuple((n.name,) for n in line), "across"))
    windows = [n for n in named if n.opening.kind != "arch"] or named
    boxes = np.array([n.opening.box for n in windows]).reshape(-1, 4)
    stacks = [[windows[k] for k in line] for line in columns(boxes) if len({windows[k].storey for k in line}) > 1]
    for number, stack in enumerate(stacks):
        if len(stack) > 1:
            names = tuple(n.name for n in stack)
            label = _with(f"{COUNTED[min(number, len(COUNTED) - 1)]} window column", on)
            rows.append(Row(label, names, tuple((name,) for name in names), "down"))
    if len(stacks) > 1:
        names = tuple(_with(f"window column {k}", on) for k in range(1, len(stacks) + 1))
        rows.append(Row(_with("window columns", on), names, tuple(tuple(n.name for n in stack) for stack in stacks), "across"))
    if len(by_storey) > 1:
        lines = [by_storey[storey] for storey in sorted(by_storey, reverse=True)]
        names = tuple(_with(f"{_plural(line)} of the {floor_name(line[0].storey)}", on) for line in lines)
        rows.append(Row(_with("storeys", on), names, tuple(tuple(n.name for n in line) for line in lines), "down"))
    return rows


def _plural(line: list[_Named]) -> str:
    noun = noun_of([n.opening for n in line])
    return {"arch": "arches", "window": "windows"}[noun] if len(line) > 1 else noun


def _by_storey(named: list[_Named]) -> dict[int, list[_Named]]:
    found: dict[int, list[_Named]] = {}
    for n in named:
        found.setdefault(n.storey, []).append(n)
    return found


def _groups(named: list[_Named], facade: Facade) -> list[Group]:
    by_storey = _by_storey(named)
    groups = [
        Group(
            f"{facade.part}/windows/floor {storey}", _with(f"{_plural(line)} of the {floor_name(storey)}", facade.on), plural=True
        )
        for storey, line in by_storey.items()
        if len(line) > 1
    ]
    if len(named) > 1 and len(by_storey) > 1:
        groups.insert(0, Group(f"{facade.part}/windows", _with("windows", facade.on), plural=True))
    return groups


def _thinned(named: list[_Named], most: int, on: str) -> tuple[list[_Named], tuple[NotJudged, ...]]:
    """At most ``most`` of the openings, and what is left out: of storeys of small ones every second goes, ends stay; when that is
    not enough, whole storeys of the smallest."""
    lines = _by_storey(named)
    kept = {storey: list(line) for storey, line in lines.items()}

    def area(storey: int) -> float:
        boxes = np.array([n.opening.box for n in lines[storey]])
        return float(np.median((boxes[:, 2] - boxes[:, 0]) * (boxes[:, 3] - boxes[:, 1])))

    smallest_first = sorted(kept, key=area)
    thin = iter(smallest_first)
    while sum(map(len, kept.values())) > most:
        storey = next((s for s in thin if len(kept[s]) > 3), None)
        if storey is None:
            wide = [s for s in smallest_first if len(kept[s]) > 3]
            if not wide:
                break
            thin = iter(wide)
            storey = next(thin)
        kept[storey] = _every_second(kept[storey])
    for storey in smallest_first:
        if sum(map(len, kept.values())) <= most:
            break
        kept[storey] = []
    return [n for storey in kept for n in kept[storey]], tuple(_left_out(lines, kept, on))


def _every_second(line: list[_Named]) -> list[_Named]:
    return [n for k, n in enumerate(line) if k % 2 == 0 or k == len(line) - 1]


def _left_out(lines: dict[int, list[_Named]], kept: dict[int, list[_Named]], on: str) -> list[NotJudged]:
    notes = []
    for storey, line in lines.items():
        numbers = [n.part.rsplit(" ", 1)[-1] for n in line if n not in kept[storey]]
        if not numbers:
            continue
        where = f"of the {floor_name(storey)}"
        if kept[storey]:
            words = (
                f"{_plural(line)} {', '.join(numbers)} {where}"
                if len(numbers) > 1
                else f"{noun_of([line[0].opening])} {numbers[0]} {where}"
            )
            notes.append(NotJudged(_with(words, on), "there are many alike; the row is judged by the others"))
        else:
            notes.append(NotJudged(_with(f"{_plural(line)} {where}", on), "there are many windows; the larger ones are judged"))
    return notes
