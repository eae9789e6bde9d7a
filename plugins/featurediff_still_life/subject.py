"""Puts what was understood together into the `Subject` record: features, parts tree, groups, gaps, forms."""

from __future__ import annotations

import cv2
import numpy as np

from featurediff.api import Advice, Feature, Form, Gap, Group, NotJudged, Subject
from featurediff.geometry import normals
from featurediff_still_life import vocabulary
from featurediff_still_life.choices import HOW
from featurediff_still_life.contours import Piece
from featurediff_still_life.things import Understood
from featurediff_still_life.view import View

STEP = 0.008  # of the group's size between neighbouring points of a curve
WIDER = 2.2  # a group this many times wider than high is measured across
ROUND = 0.25  # mean square of the upright part of a side's normals; 0.5 for a half circle
SIGMA = 0.5  # working px: standard uncertainty of an outline across itself (tests/benchmark/still_life_reference.py)
SIGMA_RIM = 0.4
MANY = 4  # so many things, most of them of no regular form, may be pieces of fewer
LARGE = 0.5  # of the picture: a single thing larger than this may be several


def assemble(view: View, things: list[Understood], table_edge: np.ndarray | None, advice: tuple[Advice, ...]) -> Subject:
    """The subject record, in px of the reference."""
    low, high = np.min([each.low for each in things], axis=0), np.max([each.high for each in things], axis=0)
    width, height = (high - low) / view.scale
    across = width > WIDER * height
    standing = [vocabulary.Standing(each.low[0], each.high[0], each.high[1]) for each in things]
    names = vocabulary.names([each.kind for each in things], [each.thing.name for each in things], standing)
    features: list[Feature] = []
    groups: list[Group] = []
    forms: list[Form] = []
    missing: list[NotJudged] = []
    step = STEP * max(width, height) * view.scale
    for each, name in zip(things, names, strict=True):
        own = _features(view, each, name, step)
        features += own
        groups += _groups(own, name)
        if each.axis is not None and own:
            forms.append(_form(view, each, name, own))
        missing += [NotJudged(vocabulary.call(what, name), why) for what, why in each.missing]
    if table_edge is not None:
        features.append(_table_edge(view, table_edge))
    hull = cv2.convexHull(np.vstack([each.outline.points for each in things]).astype(np.float32)).reshape(-1, 2)
    what = "group" if len(things) > 1 else names[0]
    return Subject(
        features=tuple(features),
        size_px=float(width if across else height),
        size_label=f"{'width' if across else 'height'} of the {what}",
        region=view.to_picture(hull.astype(float)),
        groups=tuple(groups),
        gaps=_gaps(things, names, features),
        not_judged=tuple(missing),
        advice=advice + _doubts(view, things),
        forms=tuple(forms),
        numbered=any(each.axis is None and each.rim is None for each in things),
    )


def _features(view: View, each: Understood, name: str, step: float) -> list[Feature]:
    found = []
    if each.rim is not None:
        what = "dish" if each.kind == "dish" else "rim"
        points = each.rim.outline(step)
        own = vocabulary.judged(what)
        called = f"rim of the {name}"
        beside = () if each.inner is None else (view.to_picture(each.inner.outline(step)),)
        found.append(
            Feature(called, vocabulary.part_of(name, what), "ellipse", view.to_picture(points), True, own.measures, own.tolerance,
                    own.importance, own.stage, SIGMA_RIM / view.scale, beside=beside)
        )  # fmt: skip
    several = sum("handle" in piece.what and not piece.what.startswith("inside") for piece in each.pieces) > 1
    found += [_feature(view, piece, name, step, each.rim is not None, several) for piece in each.pieces]
    return found


def _feature(view: View, piece: Piece, name: str, step: float, vessel: bool, several: bool) -> Feature:
    own = vocabulary.judged(piece.what)
    points, anchors = _thinned(piece, step)
    measures = own.measures
    if piece.what.endswith("side") and (normals(points)[:, 1] ** 2).mean() > ROUND:
        # Only a well rounded side shows its height too; a steep one may slide along itself unseen.
        # And what is nearly round has no slant to tell.
        measures = ("across", "down", "shape")
    elif piece.what.endswith("side") and not vessel:
        measures = ("across", "shape")
    called = vocabulary.call(piece.what, name, several)
    return Feature(
        called, vocabulary.part_of(name, piece.what), "curve", view.to_picture(points), piece.closed, measures, own.tolerance,
        own.importance, own.stage, piece.sigma / view.scale, piece.slides, anchors=anchors,
    )  # fmt: skip


def _thinned(piece: Piece, step: float) -> tuple[np.ndarray, dict[str, int]]:
    """The piece at even distances of about ``step``, its anchors with it."""
    line = np.vstack([piece.points, piece.points[:1]]) if piece.closed else piece.points
    arc = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    count = max(round(arc[-1] / step), 8)
    at = np.linspace(0, arc[-1], count + 1)
    if piece.closed:
        at = at[:-1]
    points = np.column_stack([np.interp(at, arc, line[:, i]) for i in (0, 1)])
    return points, {label: int(np.abs(at - arc[k]).argmin()) for label, k in piece.anchors.items()}


def _groups(features: list[Feature], name: str) -> list[Group]:
    if len(features) < 2:
        return []
    part = f"{vocabulary.TABLE}/{name}"
    body = [feature for feature in features if feature.part.startswith(f"{part}/body/")]
    groups = [Group(part, name, "placement", apart=True)]
    if 2 <= len(body) < len(features):
        groups.append(Group(f"{part}/body", f"body of the {name}", "proportion"))
    handle = [feature for feature in features if feature.part.startswith(f"{part}/handle/")]
    if len(handle) == 2:
        groups.append(Group(f"{part}/handle", f"whole handle of the {name}", "placement"))
    return groups


def _form(view: View, each: Understood, name: str, features: list[Feature]) -> Form:
    levels = each.profile.levels
    ends = each.axis.picture(np.array([[0.0, levels[-1]], [0.0, levels[0]]]))
    own = [feature.name for feature in features]
    sides = [tuple(n for n in own if n == vocabulary.call(f"{side} side", name)) for side in ("left", "right")]
    return Form(name, f"{vocabulary.TABLE}/{name}", view.to_picture(ends), *sides)


def _table_edge(view: View, ends: np.ndarray) -> Feature:
    own = vocabulary.judged(vocabulary.TABLE_EDGE)
    return Feature(
        vocabulary.TABLE_EDGE, vocabulary.TABLE_EDGE, "segment", view.to_picture(ends), False, own.measures, own.tolerance,
        own.importance, own.stage, SIGMA / view.scale, slides=True,
    )  # fmt: skip


def _gaps(things: list[Understood], names: list[str], features: list[Feature]) -> tuple[Gap, ...]:
    """Free spaces between neighbours beyond which more than one thing follows: those move together when the space is wrong."""
    gaps = []
    for k in range(len(things) - 2):
        if max(each.high[0] for each in things[: k + 1]) >= min(each.low[0] for each in things[k + 1 :]):
            continue
        parts = tuple(f"{vocabulary.TABLE}/{name}/" for name in names[k + 1 :])
        beyond = tuple(feature.name for feature in features if feature.part.startswith(parts))
        label = f"gap between the {names[k]} and the {names[k + 1]}"
        gaps.append(Gap(label, "across", beyond, "what stands on its right moves with it", "placement"))
    return tuple(gaps)


def _doubts(view: View, things: list[Understood]) -> tuple[Advice, ...]:
    """What the artist should look at before trusting the separation."""
    if any(each.thing.name for each in things):
        return ()
    area = view.size[0] * view.size[1]
    large = [each for each in things if cv2.contourArea(each.outline.points.astype(np.float32)) > LARGE * area]
    cut = [each for each in things if each.outline.hidden.mean() > 0.5]
    shapeless = [each for each in things if each.axis is None and each.rim is None]
    if large or cut or (len(things) >= MANY and len(shapeless) > 0.5 * len(things)):
        return (Advice("warning", f"The things in the reference may not have been told apart well. {HOW}"),)
    return ()
