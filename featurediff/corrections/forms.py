"""What symmetric forms can have wrong: a leaning axis, bulging sides, a shoulder too high; and ellipses that come to points."""

from __future__ import annotations

import math

import numpy as np

from featurediff import bends
from featurediff.corrections.builder import Builder, Hypothesis, quarter
from featurediff.deviations import POSITION, Compared, ellipse_axes
from featurediff.geometry import apply
from featurediff.records import Form, Group, Subject, under

# A lean with level ellipses and a turn of all are one mistake; what moves less is tried as the plainer statement.
_COST = {"lean": 1.0, "belly": 1.05, "level": 1.0}
# An axis shorter than this share of the subject does not tell its lean.
_SHORTEST = 0.1
# Share of a lean's effect on the measures (squared) that no move or size could have; or it is known to so many degrees.
_TOLD = 0.05
_TOLD_DEG = 0.9
# What bounds an end of a form lies within this share of its height.
_END = 0.35
# A level drawn wrong on one side only is believed from so many times its limit on.
_ONE_SIDED = 2.0
# What a statement moves by less than this share of its amount, it does not move.
_TOUCHED = 0.05
# What holds nearly everything is the line-up.
_NEARLY_ALL = 0.9


def add_forms(builder: Builder, subject: Subject) -> None:
    """Add what can be said about every form of ``subject``, and about ellipses by themselves."""
    for form in subject.forms:
        members = tuple(k for k, each in enumerate(builder.compared) if under(each.feature.part, form.part))
        if members:
            _drop_heights(builder, members)
            _add_leans(builder, form, members)
            _add_sides(builder, form, members)
    for group in subject.groups:
        if group.apart:
            _add_grown(builder, group)
    for index, each in enumerate(builder.compared):
        if any(measure.name == "ends" for measure in each.measures):
            _add_points(builder, index, each)


def _add_grown(builder: Builder, group: Group) -> None:
    """A thing too large that still stands where it should."""
    members = tuple(k for k, each in enumerate(builder.compared) if under(each.feature.part, group.part))
    if len(members) < 2 or len(members) >= _NEARLY_ALL * len(builder.compared):
        return
    centre, width, height = builder.box(members)
    stands, reach = centre + height / 2 * builder.frame.down, math.hypot(width, height) / 2
    builder.add(
        Hypothesis(
            "scale",
            group.part,
            group.label,
            members,
            centre,
            extent=2 * reach,
            per_unit=1 / reach,
            span=max(width, height) / reach,
            stage="proportion",
            plural=group.plural,
            sitter_label=group.sitter_label,
            group=group,
        ),
        lambda p: (p - stands) / reach,
    )


def _drop_heights(builder: Builder, members: tuple[int, ...]) -> None:
    """What is made of sides alone has no height: they slide along themselves. An end must be seen for what moves with it."""
    kept = [
        index
        for index, h in enumerate(builder.hypotheses)
        if not (h.kind == "height" and len(h.members) > 1 and set(h.members) <= set(members)) or _has_ends(builder, h)
    ]
    builder.hypotheses[:] = [builder.hypotheses[index] for index in kept]
    builder.fields[:] = [builder.fields[index] for index in kept]


def _has_ends(builder: Builder, h: Hypothesis) -> bool:
    """Whether each end that a height moves is bounded by a feature whose place in height was measured."""
    level = {k: builder.compared[k].reference @ builder.frame.down for k in h.members}
    top, low = min(each.min() for each in level.values()), max(each.max() for each in level.values())
    seen = set()
    for k, each in level.items():
        told = any(m.axis is not None and abs(m.axis @ builder.frame.down) > 0.7 for m in builder.compared[k].measures)
        if told and each.max() < top + _END * (low - top):
            seen.add("top")
        if told and each.min() > low - _END * (low - top):
            seen.add("bottom")
    return ({h.side} if h.side else {"top", "bottom"}) <= seen


def _add_leans(builder: Builder, form: Form, members: tuple[int, ...]) -> None:
    """About its foot: with level ellipses (a shear), and turned as a whole."""
    foot, top = apply(builder.frame.to_sheet, form.axis)
    right, down = builder.frame.right, builder.frame.down
    reach = float((foot - top) @ down)
    if reach < _SHORTEST * builder.frame.size or not _tells_lean(builder, members, foot, reach):
        return
    common = {
        "target": f"form {form.label}",
        "label": form.label,
        "members": members,
        "centre": top,
        "axis": right,
        "extent": reach,
        "per_unit": math.degrees(1 / reach),
        "cost": _COST["lean"],
        "stage": "tilt",
        "extra": {"form": form, "foot": foot, "top": top},
    }
    builder.add(Hypothesis("lean", **common), lambda p: bends.lean_field(p, foot, reach, right, down))
    builder.add(Hypothesis("lean", **common), lambda p: quarter(p - foot) / reach)


def _tells_lean(builder: Builder, members: tuple[int, ...], foot: np.ndarray, reach: float) -> bool:
    """Whether the measures of a form can tell its lean from a move or a change of its size."""
    right, down = builder.frame.right, builder.frame.down
    rows = []
    for each in (builder.compared[k] for k in members):
        arm = each.reference - foot
        fields = [
            bends.lean_field(each.reference, foot, reach, right, down),
            np.tile(right, (len(arm), 1)),
            np.tile(down, (len(arm), 1)),
            arm / reach,
        ]
        told = [m for m in each.measures if m.name in (*POSITION, "tilt")]
        rows += [[float((m.weights * field).sum()) / m.cautious for field in fields] for m in told]
    if not any(m.name == "tilt" for k in members for m in builder.compared[k].measures):
        return False
    effects = np.array(rows)
    lean, others = effects[:, 0], effects[:, 1:]
    left = lean - others @ np.linalg.lstsq(others, lean, rcond=1e-6)[0]
    if float(left @ left) > _TOLD * float(lean @ lean):
        return True
    told = [(builder.compared[k], m) for k in members for m in builder.compared[k].measures if m.name in (*POSITION, "tilt")]
    known = bends.lean_of(((each.reference, m.weights, m.value, m.cautious) for each, m in told), foot, reach, right, down)
    return known is not None and math.degrees(known[1] / reach) < _TOLD_DEG


def _add_sides(builder: Builder, form: Form, members: tuple[int, ...]) -> None:
    sides = {"left": builder.found(form.left), "right": builder.found(form.right)}
    fields = {k: _fields(builder, k) for side in sides.values() for k in side}
    both = all(any(fields[k] for k in side) for side in sides.values())
    for side, found in sides.items():
        for k in found:
            for name, moved in fields[k].items():
                _add_own(builder, form, members, k, side, name, moved, both)
    if not both:
        return
    left, right = ([k for k in side if fields[k]] for side in sides.values())
    for name in dict.fromkeys(name for k in (*left, *right) for name in fields[k]):
        # A level that only one side shows is on that height on the other, too.
        mine = [k for k in (*left, *right) if name in fields[k]]
        kind = "belly" if name == bends.BULGE else "level"
        for column in _with_what_hangs_on(builder, form, members, mine, name):
            for k in mine:
                # A belly is wider on both sides.
                sign = -1.0 if name == bends.BULGE and k in left else 1.0
                column[builder.belongs[k]] = sign * fields[k][name]
            builder.add_field(
                Hypothesis(
                    kind,
                    f"{form.label}: {name}",
                    form.label,
                    tuple(k for k in members if np.abs(column[builder.belongs[k]]).max(initial=0.0) > _TOUCHED),
                    np.mean([_at(builder.compared[k], name) for k in mine], 0),
                    axis=builder.frame.right if kind == "belly" else builder.frame.down,
                    cost=_COST[kind],
                    least=min(_limit(builder.compared[k], name) for k in mine) * (0.5 if kind == "belly" else 1.0),
                    stage="shape",
                    extra={"form": form, "level": name, "sides": tuple(mine)},
                ),
                column,
            )


def _with_what_hangs_on(builder: Builder, form: Form, members: tuple[int, ...], sides: list[int], name: str) -> list[np.ndarray]:
    """Displacements (N, 2) of the rest of the form when ``sides`` bend: none, and as the wall goes that it hangs on."""
    still = np.zeros_like(builder.points)
    going = _attached(builder, form, members, sides, name)
    return [still, going] if np.abs(going).max(initial=0.0) > _TOUCHED else [still]


def _attached(builder: Builder, form: Form, members: tuple[int, ...], sides: list[int], name: str) -> np.ndarray:
    """(N, 2): what a bend of ``sides`` does to the rest of the form: a handle goes with the wall that it grows from, and a level
    that only one side shows runs all round."""
    down = builder.frame.down
    column = np.zeros_like(builder.points)
    rest = tuple(k for k in members if k not in sides)
    if not rest:
        return column
    levels = [builder.compared[k].reference @ down for k in sides]
    top, low = min(each.min() for each in levels), max(each.max() for each in levels)
    at = np.mean([_at(builder.compared[k], name) @ down for k in sides])
    use = builder.of(rest)
    points = builder.points[use]
    share = bends.bump(points @ down, top, 0.5 * (top + low) if name == bends.BULGE else at, low)
    if name != bends.BULGE:
        column[use] = share[:, None] * down
        return column
    foot = apply(builder.frame.to_sheet, form.axis)[0]
    outer = np.sign((points - foot) @ builder.frame.right)
    if len(sides) == 1:
        # One side takes along what hangs on it, told in the direction in which the side is.
        own = np.sign(float((builder.compared[sides[0]].reference.mean(0) - foot) @ builder.frame.right))
        outer = (outer == own).astype(float)
    column[use] = (outer * share)[:, None] * builder.frame.right
    return column


def _fields(builder: Builder, index: int) -> dict[str, np.ndarray]:
    """The displacements that this side has measures for."""
    each = builder.compared[index]
    names = {measure.name for measure in each.measures}
    moved = bends.side_fields(each.reference, each.feature.anchors, builder.frame.right, builder.frame.down)
    return {name: one for name, one in moved.items() if name in names}


def _add_own(
    builder: Builder, form: Form, members: tuple[int, ...], index: int, side: str, name: str, moved: np.ndarray, both: bool
) -> None:
    each = builder.compared[index]
    bulge = name == bends.BULGE
    # A shoulder is drawn too low on both sides, or hardly ever.
    times = _ONE_SIDED if both and not bulge else 1.0
    columns = _with_what_hangs_on(builder, form, members, [index], name) if bulge else [np.zeros_like(builder.points)]
    for column in columns:
        column[builder.belongs[index]] = moved
        builder.add_field(
            Hypothesis(
                "bulge" if bulge else "level",
                each.feature.name,
                each.feature.name,
                (index,),
                _at(each, name),
                axis=builder.frame.right if bulge else builder.frame.down,
                least=times * _limit(each, name),
                stage="shape",
                feature=each.feature,
                own=True,
                extra={"form": form, "side": side, "level": name, "sides": (index,)},
            ),
            column,
        )


def _limit(each: Compared, name: str) -> float:
    """The tolerance of a side's measure."""
    return next(measure.tolerance for measure in each.measures if measure.name == name)


def _at(each: Compared, name: str) -> np.ndarray:
    """(2,) where a level lies on a side; its middle for a bulge."""
    return each.reference[each.feature.anchors.get(name, len(each.reference) // 2)]


def _add_points(builder: Builder, index: int, each: Compared) -> None:
    long, short, extent, _ = ellipse_axes(each.reference)
    builder.add(
        Hypothesis(
            "points",
            each.feature.name,
            each.feature.name,
            (index,),
            each.centre,
            axis=short,
            extent=extent,
            stage="shape",
            feature=each.feature,
            own=True,
        ),
        lambda p: bends.pointed_field(p, long, short),
    )
