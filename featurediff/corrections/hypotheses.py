"""Everything that one sentence could say about the drawing, each as a field of displacements per unit of one amount.

A hypothesis is "this set of points was moved / stretched / turned like so, by an unknown amount". All of them are linear
in that amount, so `featurediff.corrections.explain` can try them all at once.

Kinds: "whole" (the line-up itself; never told), "grows" (larger towards one side), "aspect" (whole too wide or too tall),
"move", "scale", "turn", "width", "height", "gap", "spacing" (a pair), "each" (both of a pair, about their own centres),
"swing" (one end of a line), "openness" (short axis of an ellipse), "corner" (where lines meet; `corner_moves`); those of rows,
meeting points and forms are listed in their modules.
"""

from __future__ import annotations

import math

import numpy as np

from featurediff.corrections.builder import Block, Builder, Hypothesis, quarter
from featurediff.corrections.corner_moves import add_corners
from featurediff.corrections.forms import add_forms
from featurediff.corrections.meetings import add_meetings
from featurediff.corrections.pushes import add_pushes
from featurediff.corrections.rows import add_rows
from featurediff.deviations import LENGTHS, Compared, Frame, ellipse_axes, size_axes
from featurediff.records import Pair, Subject, under

# What one sentence costs, in units of "one plain statement".
COST = {"whole": 0.25, "grows": 1.2, "aspect": 2.0}
# A whole group's move, size or turn is the line-up when the group holds nearly everything.
NEARLY_ALL = 0.9
# What is to be stretched must be a thing, not two with a gap between: its features cover this share of its length.
_THING = 0.6
# A measure shows what happens along an axis up to 60 degrees off it (a cosine); a block's ends are measured at so much of its
# half length from its middle, or further out; the size of a block this much thinner one way (points in a line) need not be.
_SEEN, _ENDS, _THIN = 0.5, 0.4, 0.05
# Ends of two curves this near to each other (share of the subject's size) are one place.
_TOUCHES = 0.02
# A gap to which outlines are drawn on is plainer than all of them stretched, which says nearly the same.
_DRAWN_ON = 0.85


def hypotheses(subject: Subject, compared: tuple[Compared, ...], frame: Frame) -> tuple[list[Hypothesis], np.ndarray]:
    """All hypotheses and their fields (2 N, number of hypotheses)."""
    builder = Builder(compared, frame, subject.junctions)
    _whole(builder)
    blocks = _blocks(subject, compared)
    for block in blocks:
        _add_block(builder, block)
    groups = [each for each in blocks if each.group is not None]
    add_pushes(builder, groups, lambda m, axis: _covered(builder, m, axis) >= _THING and both_ends(builder, m, axis))
    for gap in subject.gaps:
        _add_gap(builder, gap)
    for pair in subject.pairs:
        _add_pair(builder, pair, blocks)
    add_meetings(builder, subject)
    add_corners(builder, subject.junctions)
    add_rows(builder, subject)
    add_forms(builder, subject)
    for index, each in enumerate(compared):
        _add_own(builder, index, each)
    return builder.hypotheses, np.column_stack(builder.fields)


# ---------------------------------------------------------------- the whole


def _whole(builder: Builder) -> None:
    everything = tuple(range(len(builder.compared)))
    centre, width, height = builder.box(everything)
    right, down, size = builder.frame.right, builder.frame.down, max(width, height, 1e-9)

    def base(kind: str, **more) -> Hypothesis:
        return Hypothesis(kind, "whole", "the whole", everything, centre, cost=COST[kind], stage="size", **more)

    builder.add(base("whole"), lambda p: np.tile(right, (len(p), 1)))
    builder.add(base("whole"), lambda p: np.tile(down, (len(p), 1)))
    builder.add(base("whole"), lambda p: (p - centre) / (size / 2))
    builder.add(base("whole"), lambda p: quarter(p - centre) / (size / 2))
    if len(everything) < 4:
        return
    for axis, extent, side in ((-down, height, "top"), (right, width, "right")):
        # Perspective to first order: everything is larger by the share g per unit of length along the axis,
        # p' = p (1 + g t), t = p . axis; the same factor in both directions (pinhole: 1 / (1 - g t)).
        if extent > 0.2 * size:
            # One unit moves the far end by 1 mm; the size there differs by 4 / extent from the size at the near end.
            builder.add(
                base("grows", axis=axis, side=side, extent=extent, per_unit=4.0 / extent),
                lambda p, axis=axis, extent=extent: (p - centre) * ((p - centre) @ axis)[:, None] / (extent / 2) ** 2,
            )
    if min(width, height) > 0.2 * size:
        builder.add(
            base("aspect", axis=right, extent=width, per_unit=2.0),
            lambda p: np.outer((p - centre) @ right / (width / 2), right),
        )


# ---------------------------------------------------------------- blocks of the parts tree


def _blocks(subject: Subject, compared: tuple[Compared, ...]) -> list[Block]:
    parts = [each.feature.part for each in compared]
    blocks = []
    for group in subject.groups:
        members = tuple(k for k, part in enumerate(parts) if under(part, group.part))
        if len(members) > 1:
            blocks.append(Block(group.part, group.label, members, group.stage, group.plural, group.sitter_label, None, group))
    named = {block.members for block in blocks}
    for each in compared:
        # A feature carries what hangs below it on the parts tree: an iris moves with its eye.
        feature = each.feature
        members = tuple(k for k, part in enumerate(parts) if under(part, feature.part))
        if len(members) > 1 and members not in named:
            named.add(members)
            blocks.append(Block(feature.part, feature.name, members, feature.stage, False, feature.sitter_name, feature, None))
    for pair in subject.pairs:
        members = tuple(k for k, part in enumerate(parts) if under(part, pair.left) or under(part, pair.right))
        if not pair.width and len(members) > 1 and members not in named:
            named.add(members)
            blocks.append(Block(pair.left + "+" + pair.right, pair.label, members, "placement", True))
    return blocks


def _add_block(builder: Builder, block: Block) -> None:
    if len(block.members) > 3 and len(block.members) >= NEARLY_ALL * len(builder.compared):
        return
    centre, width, height = builder.box(block.members)
    # "The whole head is too high" and "the neck is too low" say the same: the smaller block is named.
    most = len(block.members) > 0.5 * len(builder.compared)
    common = {
        "target": block.target,
        "label": block.label,
        "members": block.members,
        "centre": centre,
        "cost": 1.1 if most else 1.0,
        "plural": block.plural,
        "sitter_label": block.sitter_label,
        "feature": block.feature,
        "group": block.group,
    }
    for axis in builder.frame.moves:
        # What is judged this way in one feature only is that feature's own move.
        if len(judged_along(builder, block.members, axis)) > 1:
            move = Hypothesis("move", axis=axis, stage=block.stage, **common)
            builder.add(move, lambda p, axis=axis: np.tile(axis, (len(p), 1)))
    reach = math.hypot(width, height) / 2
    if reach <= 0:
        return
    stage = "proportion" if block.stage == "placement" else block.stage
    ways = [(builder.frame.right, width), (builder.frame.down, height)]
    if all(both_ends(builder, block.members, axis) for axis, extent in ways if extent > _THIN * max(width, height)):
        scale = Hypothesis("scale", extent=2 * reach, per_unit=1 / reach, stage=stage, **common)
        builder.add(scale, lambda p: (p - centre) / reach)
    builder.add(
        Hypothesis("turn", extent=2 * reach, per_unit=math.degrees(1 / reach), stage="tilt", **common),
        lambda p: quarter(p - centre) / reach,
    )
    _add_stretches(builder, common, stage, width, height)


def _add_stretches(builder: Builder, common: dict, stage: str, width: float, height: float, own: bool = False) -> None:
    centre, size = common["centre"], max(width, height)
    ways = [
        ("width", builder.frame.right, width, ("right", "left")),
        ("height", builder.frame.down, height, ("bottom", "top")),
    ]
    if own and common["feature"].kind == "segment":
        # A straight line is longer or shorter along itself.
        points = builder.points[builder.of(common["members"])]
        [(kind, axis)] = size_axes(common["feature"], points, builder.frame)
        size = float(np.ptp(points @ axis))
        ways = [(name, axis, size, sides) for name, _, _, sides in ways if name == kind]
    for kind, axis, extent, (far, near) in ways:
        if extent < 0.15 * size or extent <= 0 or _covered(builder, common["members"], axis) < _THING:
            continue
        if not own and not both_ends(builder, common["members"], axis):
            continue
        # About the middle (both ends move), or with one end fixed.
        for side, fixed in (("", 0.0), (far, -extent / 2), (near, extent / 2)):
            builder.add(
                Hypothesis(kind, axis=axis, side=side, extent=extent, stage=stage, own=own, **common),
                lambda p, axis=axis, extent=extent, fixed=fixed: np.outer(((p - centre) @ axis - fixed) / extent, axis),
            )


def judged_along(builder: Builder, members: tuple[int, ...], axis: np.ndarray) -> dict[int, list[float]]:
    """Feature -> the places along ``axis`` at which it is judged in that direction; features that aren't are left out.

    A feature's place is judged at its middle, its width or height at both its ends.
    """
    found: dict[int, list[float]] = {}
    for k in members:
        place = builder.compared[k].reference @ axis
        for measure in builder.compared[k].measures:
            along = measure.weights @ axis
            if measure.name not in (*LENGTHS, "openness") or np.abs(along).sum() < _SEEN * np.hypot(*measure.weights.T).sum():
                continue
            for side in (along > 1e-9, along < -1e-9):
                if side.any():
                    found.setdefault(k, []).append(float(np.average(place[side], weights=np.abs(along[side]))))
    return found


def both_ends(builder: Builder, members: tuple[int, ...], axis: np.ndarray) -> bool:
    """Whether a block's length along ``axis`` is measured: judged that way on both sides of its middle, well apart.

    Else a change of its size would take one end from nowhere.
    """
    places = [place for each in judged_along(builder, members, axis).values() for place in each]
    ends = builder.points[builder.of(members)] @ axis
    middle, half = (ends.max() + ends.min()) / 2, np.ptp(ends) / 2
    return bool(places) and min(places) < middle - _ENDS * half and max(places) > middle + _ENDS * half


def _covered(builder: Builder, members: tuple[int, ...], axis: np.ndarray) -> float:
    """The share of a block's extent along ``axis`` that its features cover."""
    places = [builder.compared[k].reference @ axis for k in members]
    spans = sorted((float(place.min()), float(place.max())) for place in places)
    covered, reached = 0.0, spans[0][0]
    for low, high in spans:
        covered += max(high - max(low, reached), 0.0)
        reached = max(reached, high)
    return covered / max(reached - spans[0][0], 1e-9)


# ---------------------------------------------------------------- gaps and pairs


def _add_gap(builder: Builder, gap) -> None:
    axis = builder.frame.down if gap.direction == "down" else builder.frame.right
    names = set(gap.beyond)
    members = tuple(k for k, each in enumerate(builder.compared) if each.feature.name in names)
    if not members or len(members) == len(builder.compared):
        return
    axis = axis * _way_beyond(builder, members, axis)
    place = builder.points @ axis
    beyond = builder.of(members)
    starts = [place[builder.owner == k].min() for k in members]
    edge, slack, cost = min(starts), 0.1 * builder.frame.size, 1.0
    amount = beyond.astype(float)
    carried = list(members)
    side = _square_to(builder, axis)
    aside = builder.points @ side
    near = np.concatenate([aside[builder.owner == k] for k, start in zip(members, starts, strict=True) if start < edge + slack])
    for k, each in enumerate(builder.compared):
        # A feature that is not beyond but spans the gap (the bridge of the stretched thing) is stretched with it.
        mine = builder.owner == k
        if k in members or each.feature.kind == "point" or place[mine].max() < edge - 0.2 * slack:
            continue
        first, in_line = place[mine].min(), near.min() < aside[mine].mean() < near.max()
        if in_line and first < edge - 0.5 * slack:
            amount[mine] = np.clip((place[mine] - first) / (edge - first), 0.0, 1.0)
            carried.append(k)
            continue
        share = _drawn_on(builder, k, members)
        if share is not None:
            amount[mine] = share
            carried.append(k)
            cost = _DRAWN_ON
    centre = builder.points[builder.of(members) & (place <= edge + 0.1 * builder.frame.size)].mean(0)
    hypothesis = Hypothesis(
        "gap",
        f"gap {gap.label}",
        gap.label,
        tuple(carried),
        centre,
        axis=axis,
        cost=cost,
        stage=gap.stage,
        follow=gap.follow,
        extra={"beyond": members},
    )
    builder.add_field(hypothesis, amount[:, None] * axis)


def _square_to(builder: Builder, axis: np.ndarray) -> np.ndarray:
    """The other of the subject's two axes."""
    return builder.frame.right if abs(axis @ builder.frame.down) > 0.5 else builder.frame.down


def _way_beyond(builder: Builder, members: tuple[int, ...], axis: np.ndarray) -> float:
    """1 when ``members`` lie further along ``axis`` than the rest of the subject does, -1 when they lie before it.

    Of the rest counts what lies in line with them, where anything does.
    """
    beyond = builder.of(members)
    aside = builder.points @ _square_to(builder, axis)
    slack = 0.05 * builder.frame.size
    in_line = ~beyond & (aside > aside[beyond].min() - slack) & (aside < aside[beyond].max() + slack)
    rest = in_line if in_line.any() else ~beyond
    place = builder.points @ axis
    return 1.0 if place[beyond].mean() >= place[rest].mean() else -1.0


def _drawn_on(builder: Builder, index: int, members: tuple[int, ...]) -> np.ndarray | None:
    """(n,) how much an open curve goes with ``members`` where it ends on one of them: 1 there, 0 at its other end.

    An artist draws the one outline on to the other: it bends. None where its ends touch none of them, or both do.
    """
    if not _open_curve(builder, index):
        return None
    points = builder.points[builder.of((index,))]
    ends = [builder.points[builder.of((k,))][[0, -1]] for k in members if _open_curve(builder, k)]
    if not ends:
        return None
    near = np.hypot(*np.moveaxis(points[[0, -1], None] - np.concatenate(ends), -1, 0)).min(1) < _TOUCHES * builder.frame.size
    if near.all() or not near.any():
        return None
    length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    share = length / max(float(length[-1]), 1e-9)
    return 1.0 - share if near[0] else share


def _open_curve(builder: Builder, index: int) -> bool:
    each = builder.compared[index]
    return each.feature.kind == "curve" and not each.feature.closed and len(each.reference) > 1


def _add_pair(builder: Builder, pair: Pair, blocks: list[Block]) -> None:
    parts = [each.feature.part for each in builder.compared]
    left = tuple(k for k, part in enumerate(parts) if under(part, pair.left))
    right = tuple(k for k, part in enumerate(parts) if under(part, pair.right))
    if not left or not right:
        return
    axis = builder.frame.right
    is_left, is_right = builder.of(left), builder.of(right)
    middles = [builder.points[use].mean(0) for use in (is_left, is_right)]
    common = {"target": f"pair {pair.label}", "label": pair.label, "members": left + right, "pair": pair, "plural": True}
    # A unit sets both sides 1 mm further out.
    builder.add_field(
        Hypothesis(
            "spacing",
            centre=(middles[0] + middles[1]) / 2,
            axis=axis,
            stage=pair.stage,
            extent=float((middles[1] - middles[0]) @ axis),
            extra={"left": left, "right": right},
            **common,
        ),
        (is_right.astype(float) - is_left.astype(float))[:, None] * axis,
    )
    sizes = [builder.box(side) for side in (left, right)]
    reach = max(math.hypot(w, h) / 2 for _, w, h in sizes)
    if pair.width or reach <= 0 or not all(_has_size(builder, side) for side in (left, right)):
        return
    column = np.zeros_like(builder.points)
    for use, (centre, _, _) in zip((is_left, is_right), sizes, strict=True):
        column[use] = (builder.points[use] - centre) / reach
    builder.add_field(
        Hypothesis(
            "each",
            centre=(middles[0] + middles[1]) / 2,
            extent=2 * reach,
            per_unit=1 / reach,
            stage="proportion",
            extra={"left": left, "right": right},
            **common,
        ),
        column,
    )


def _has_size(builder: Builder, members: tuple[int, ...]) -> bool:
    """Whether a change of size about the middle could be seen at all."""
    names = {measure.name for k in members for measure in builder.compared[k].measures}
    return len(members) > 1 or bool(names & {"width", "height"})


# ---------------------------------------------------------------- one feature by itself


def _add_own(builder: Builder, index: int, each: Compared) -> None:
    feature = each.feature
    members = (index,)
    centre, width, height = builder.box(members)
    common = {
        "target": feature.name,
        "label": feature.name,
        "members": members,
        "centre": each.centre,
        "sitter_label": feature.sitter_name,
        "feature": feature,
    }
    normal = [m.axis for m in each.measures if m.name == "normal"]
    for axis in normal or builder.frame.moves:
        builder.add(
            Hypothesis("move", axis=axis, stage=feature.stage, own=True, **common),
            lambda p, axis=axis: np.tile(axis, (len(p), 1)),
        )
    if len(each.reference) < 2:
        return
    names = {m.name for m in each.measures}
    detail = feature.stage == "detail"
    if {"width", "height"} & names:
        _add_stretches(builder, common | {"centre": centre}, feature.stage, width, height, own=True)
    if "openness" in names and feature.kind == "ellipse":
        # The short axis of an ellipse is told as its openness, not as a height.
        _drop_short_way(builder, each)
        _add_openness(builder, common, each)
    if {"width", "height"} <= names:
        reach = math.hypot(width, height) / 2
        builder.add(
            Hypothesis("scale", extent=2 * reach, per_unit=1 / reach, stage=feature.stage, own=True, **common),
            lambda p: (p - each.centre) / reach,
        )
    if "tilt" in names:
        _add_tilts(builder, common, each, "detail" if detail else "tilt")


def _drop_short_way(builder: Builder, each: Compared) -> None:
    long, _, _, _ = ellipse_axes(each.reference)
    name = each.feature.name
    keep = [
        k
        for k, h in enumerate(builder.hypotheses)
        if h.target != name or h.kind not in ("width", "height") or abs(h.axis @ long) > 0.7
    ]
    builder.hypotheses = [builder.hypotheses[k] for k in keep]
    builder.fields = [builder.fields[k] for k in keep]


def _add_openness(builder: Builder, common: dict, each: Compared) -> None:
    _, short, _, short_extent = ellipse_axes(each.reference)
    middle = each.reference.mean(0)
    builder.add(
        Hypothesis("openness", axis=short, extent=short_extent, stage="shape", own=True, **common),
        lambda p: np.outer((p - middle) @ short / short_extent, short),
    )


def _add_tilts(builder: Builder, common: dict, each: Compared, stage: str) -> None:
    points = each.reference
    arm = points - each.centre
    reach = float(np.sqrt((arm**2).sum(1)).max())
    if reach <= 0:
        return
    builder.add(
        Hypothesis("turn", extent=2 * reach, per_unit=math.degrees(1 / reach), stage=stage, own=True, **common),
        lambda p: quarter(p - each.centre) / reach,
    )
    if each.feature.closed or each.feature.kind == "ellipse":
        return
    for fixed, moving in ((0, -1), (-1, 0)):
        length = float(np.hypot(*(points[moving] - points[fixed])))
        if length > 1e-9:
            builder.add(
                Hypothesis(
                    "swing",
                    extent=length,
                    per_unit=math.degrees(1 / length),
                    stage=stage,
                    own=True,
                    extra={"end": moving % len(points)},
                    **common,
                ),
                lambda p, fixed=fixed, length=length: quarter(p - points[fixed]) / length,
            )
