"""Statements that belong in one sentence become one item: both directions of a move, equal moves, a feature to redraw."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from featurediff.corrections.explain import Explanation, Statement
from featurediff.deviations import Compared
from featurediff.settings import Settings
from featurediff.weights import weight_of


@dataclass(frozen=True)
class Item:
    """One entry of the list before it is worded.

    ``kind`` is the hypothesis's kind, or "shape" or "redraw". ``move`` (2,) is the correction to make in sheet units, or None.
    ``amount`` is drawing minus reference in the kind's unit. ``labels`` are what it is about (several after merging), ``failed``
    and ``survives`` are the words of a redraw.
    """

    kind: str
    statements: tuple[Statement, ...]
    stage: str
    size: float
    importance: float
    explains: tuple[int, ...]
    at: np.ndarray
    amount: float
    sigma: float
    move: np.ndarray | None = None
    index: int = -1
    place: int = -1
    failed: tuple[str, ...] = ()
    survives: tuple[str, ...] = ()

    @property
    def hypothesis(self):
        """The hypothesis of the first statement; None for a shape item."""
        return self.statements[0].hypothesis if self.statements else None


def to_items(explanation: Explanation, compared: tuple[Compared, ...], settings: Settings) -> list[Item]:
    """All items, unranked."""
    by_target: dict[tuple[str, str], list[Statement]] = {}
    for statement in explanation.statements:
        key = statement.hypothesis.kind
        by_target.setdefault((statement.hypothesis.target, key), []).append(statement)
    found = [_item(tuple(group), compared) for group in by_target.values()]
    found = _merge_moves(found, compared, settings)
    found += _shapes(compared, settings)
    return _redraws(found, compared)


def _item(group: tuple[Statement, ...], compared: tuple[Compared, ...]) -> Item:
    first = max(group, key=lambda each: each.size)
    group = (first, *(each for each in group if each is not first))
    h = first.hypothesis
    explains = tuple(sorted({k for each in group for k in each.explains}))
    move = None
    if h.kind in ("move", "gap", "run", "eye level", "aim", "corner"):
        move = -sum(each.amount * each.hypothesis.axis for each in group)
    size = math.hypot(*(each.size for each in group)) if len(group) > 1 else first.size
    return Item(
        h.kind,
        group,
        h.stage,
        size,
        max(each.importance for each in group),
        explains,
        _where(h, explains, compared),
        first.amount,
        first.sigma,
        move,
    )


def _where(h, explains: tuple[int, ...], compared: tuple[Compared, ...]) -> np.ndarray:
    """Where to point: at what is off. Of a block that moves only some parts may be."""
    if h.kind == "move" and not h.own and explains and len(explains) < len(h.members):
        return np.mean([compared[k].centre for k in explains], 0)
    return h.centre


# ---------------------------------------------------------------- merging


def _merge_moves(found: list[Item], compared: tuple[Compared, ...], settings: Settings) -> list[Item]:
    """Equal moves of neighbours are one item (the rule: within ``merge_mm`` or ``merge_percent``)."""
    moves = sorted((each for each in found if each.kind == "move"), key=lambda each: -each.size)
    rest = [each for each in found if each.kind != "move"]
    while moves:
        lead = moves.pop(0)
        joined = [each for each in moves if _same_move(lead, each, settings) and _kin(lead, each, compared)]
        moves = [each for each in moves if not any(each is other for other in joined)]
        rest.append(_joined(lead, joined) if joined else lead)
    return rest


def _same_move(a: Item, b: Item, settings: Settings) -> bool:
    if (a.stage == "detail") != (b.stage == "detail"):
        return False
    limit = max(settings.corrections.merge_mm, settings.corrections.merge_percent / 100 * float(np.hypot(*a.move)))
    return float(np.hypot(*(a.move - b.move))) <= limit and float(a.move @ b.move) > 0


def _kin(a: Item, b: Item, compared: tuple[Compared, ...]) -> bool:
    """Whether two items lie close to each other on the parts tree: they share more than half of their paths.

    A block and a part of it don't: the part's move comes on top of the block's.
    """
    if set(a.hypothesis.members) & set(b.hypothesis.members):
        return False
    paths = [compared[item.hypothesis.members[0]].feature.part.split("/") for item in (a, b)]
    shared = 0
    for first, second in zip(*paths, strict=False):
        if first != second:
            break
        shared += 1
    return shared > 0.5 * max(len(path) for path in paths)


def _joined(lead: Item, others: list[Item]) -> Item:
    everyone = [lead, *others]
    weight = np.array([1.0 / max(each.sigma, 1e-3) ** 2 for each in everyone])
    move = (weight[:, None] * np.array([each.move for each in everyone])).sum(0) / weight.sum()
    return replace(
        lead,
        statements=tuple(each.statements[0] for each in everyone),
        explains=tuple(sorted({k for each in everyone for k in each.explains})),
        importance=max(each.importance for each in everyone),
        at=np.mean([each.at for each in everyone], 0),
        move=move,
        sigma=float(1 / math.sqrt(weight.sum())),
    )


# ---------------------------------------------------------------- shape and redraw


def _shapes(compared: tuple[Compared, ...], settings: Settings) -> list[Item]:
    found = []
    count = max(sum(each.shape is not None for each in compared), 2)
    for index, each in enumerate(compared):
        shape = each.shape
        if shape is None:
            continue
        # The largest of many points is compared with what noise alone makes largest.
        points = max(len(each.reference) // 3, 1) * count
        times = max(settings.tolerances.certainty_times, math.sqrt(2 * math.log(points)))
        limit = max(shape.tolerance, times * shape.sigma)
        if abs(shape.value) <= limit:
            continue
        importance = weight_of(each.feature, settings.importance)
        stage = "detail" if each.feature.stage == "detail" else "shape"
        found.append(
            Item(
                "shape",
                (),
                stage,
                abs(shape.value) / shape.tolerance,
                importance,
                (index,),
                each.reference[shape.index],
                shape.value,
                shape.sigma,
                -shape.value * shape.outward[shape.index],
                index,
                shape.index,
            )
        )
    return found


_MEASURE_OF = {
    "move": "place",
    "width": "width",
    "height": "height",
    "scale": "size",
    "turn": "slant",
    "swing": "slant",
    "openness": "openness",
    "shape": "shape",
    "bulge": "outline",
    "level": "levels",
    "points": "ends",
}


def _redraws(found: list[Item], compared: tuple[Compared, ...]) -> list[Item]:
    """A feature of which three measures fail by themselves is better drawn anew."""
    by_feature: dict[int, list[Item]] = {}
    for item in found:
        own = item.kind == "shape" or item.hypothesis.own
        if own and len({s.hypothesis.target for s in item.statements}) <= 1:
            index = item.index if item.kind == "shape" else item.hypothesis.members[0]
            by_feature.setdefault(index, []).append(item)
    gone: list[Item] = []
    added = []
    for index, own in by_feature.items():
        failed = tuple(dict.fromkeys(_MEASURE_OF[item.kind] for item in own))
        if len(failed) < 3:
            continue
        feature = compared[index].feature
        judged = {_NAMES.get(name, name) for name in feature.measures}
        worst = max(own, key=lambda item: item.size)
        survives = tuple(name for name in ("place", "width", "height", "slant", "openness") if name in judged - set(failed))
        gone += own
        moves = [item.move for item in own if item.kind == "move"]
        statements = next((item.statements for item in own if item.statements), ())
        added.append(
            replace(
                worst,
                kind="redraw",
                statements=statements,
                index=index,
                stage=feature.stage,
                explains=(index,),
                at=compared[index].centre,
                move=moves[0] if moves else None,
                failed=failed,
                survives=survives,
            )
        )
    return [item for item in found if not any(item is other for other in gone)] + added


_NAMES = {"across": "place", "down": "place", "tilt": "slant"}
