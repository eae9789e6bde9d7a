"""Find every feature of the reference in the drawing, from the reference's own appearance.

Coarse to fine: stretches of curves are searched as rigid things, neighbours agree on which peak is meant, then the pieces of
every curve are searched around that place with a narrower weight, and the curve settles between its pieces.
"""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np

from featurediff import geometry
from featurediff.matching.agree import Node, choose
from featurediff.matching.banks import Bank
from featurediff.matching.beside import edge_at, on_meant_edges
from featurediff.matching.candidates import INFLATION, Candidate, find_candidates
from featurediff.matching.closeup import CloseUps
from featurediff.matching.correlate import Curve, Field, cut_template, doubled_map, half_field, score_map
from featurediff.matching.doubles import without_doubles
from featurediff.matching.doubtful import without_doubtful, without_strayed
from featurediff.matching.ellipses import changes, fit_rim
from featurediff.matching.follow import followed, smoothed_for_edges, strokes_of
from featurediff.matching.found import Found
from featurediff.matching.frame import Frame
from featurediff.matching.ink import DRAWN, bare_along, ink_along, share_along
from featurediff.matching.junctions import settle_corners
from featurediff.matching.laid import Laid
from featurediff.matching.otheredge import without_other_edges
from featurediff.matching.rivals import find_rivals, rival_costs, without_rivals
from featurediff.matching.settle import settle_curve
from featurediff.matching.straight import fit_line, line_candidates, wide_look
from featurediff.matching.strips import Course, course_of
from featurediff.matching.strokes import on_strokes
from featurediff.matching.units import Stretch, arc_positions, blocks, split, whole_length
from featurediff.matching.whole import whole_shift
from featurediff.records import Feature, Subject, under

# All lengths as fractions of the subject's size.
SEARCH = 0.045
COARSE_SIGMA = 0.012
CONTEXT_WIDTH = 3.0
FINE_SEARCH = 0.012
FINE_SIGMA = 0.008
# An ellipse judged by its openness is looked for as a whole, with so much around it, unless its outline is shorter than this.
LEAST_RIM = 0.10
RIM_MARGIN = 0.06
LONGEST_STRETCH = 0.30
LARGEST_BLOCK = 0.40
LONGEST_PIECE = 0.075
# The sides of a form are judged by how they bend: they are measured in shorter pieces, which follow more freely.
SIDE_PIECE = 0.045
SIDE_STIFFNESS = 0.010
STEP = 0.006
# A stretch of an outline as long as this on bare paper was not drawn there; shorter gaps are how a hand draws.
BARE = 0.04
STIFFNESS = 0.006
# Shifts that the edges do not tell are taken to be this small.
UNMEASURED = 0.04
# A systematic part that no averaging removes: wobble of the pencil, thickness of the line.
FLOOR = 0.0016
# The same, squared, for a line fitted to many pieces.
LINE_FLOOR2 = 0.0008**2

WEAK_SCORE = 0.22
# How alike a straight line must look that has pencil along all of it, and one of which a good part is missing; which share must
# be there.
WHOLE_LINE = 0.28
BROKEN_LINE = 0.50
LEAST_SHARE = 0.45


def locate_features(subject: Subject, frame: Frame, reference: np.ndarray, banks: list[Bank], laid: Laid) -> list[Found]:
    """Locate all features of ``subject``.

    ``reference`` (h, w) or (h, w, 3) is the picture in the frame, ``laid`` the drawing laid into it by the registration.
    """
    size, drawing = frame.size, laid.field
    curves = [geometry.apply(frame.from_reference, f.points) for f in subject.features]
    straight = [k for k, f in enumerate(subject.features) if f.kind == "segment"]
    courses = {k: course_of(curves[k]) for k in straight}
    stretches = [
        s
        for k, f in enumerate(subject.features)
        if k not in courses
        for s in split(k, f, curves[k], LONGEST_STRETCH * size, STEP * size)
    ]
    looks = [[(s.points, s.closed)] for s in stretches]
    nodes = [Node((s.feature,), s.centre, s.arc) for s in stretches]
    for block in blocks(subject, curves, LARGEST_BLOCK * size):
        looks.append([(curves[k], subject.features[k].closed) for k in block.members])
        nodes.append(Node(block.members, np.vstack([curves[k] for k in block.members]).mean(0)))
    nodes += [Node((k,), courses[k].middle, (0.0, 2 * courses[k].half)) for k in straight]
    radius = round(SEARCH * size)
    bank, contexts, beside = _wide_looks(looks, list(courses.values()), banks, drawing, size, radius)
    candidates = [_search(look, bank, drawing, size, radius, around) for look, around in zip(looks, contexts, strict=True)]
    candidates += [
        line_candidates(bank, drawing, courses[k], COARSE_SIGMA * size, size, radius, around)
        for k, around in zip(straight, beside, strict=True)
    ]
    pairs = find_rivals(courses, size)
    of_line = dict(zip(straight, range(len(looks), len(nodes)), strict=True))
    rivals = {
        (of_line[p.one], of_line[p.other]): rival_costs(p, candidates[of_line[p.one]], candidates[of_line[p.other]], courses)
        for p in pairs
        if candidates[of_line[p.one]] and candidates[of_line[p.other]]
    }
    picked = choose(nodes, candidates, size, rivals=rivals)
    own: list[list[int]] = [[] for _ in subject.features]
    for i, stretch in enumerate(stretches):
        own[stretch.feature].append(i)
    sides = {name for form in subject.forms for name in (*form.left, *form.right)}
    strokes, smooth = strokes_of(laid.grey, size), smoothed_for_edges(reference, size)
    found = []
    for k, feature in enumerate(subject.features):
        if k in courses:
            options, pick = candidates[of_line[k]], picked[of_line[k]]
            place = _line(courses[k], options[pick] if pick >= 0 else None, bank, drawing, size)
            found.append(_if_line_drawn(place, courses[k], laid.ink, size))
        else:
            options = [(stretches[i], candidates[i], picked[i]) for i in own[k]]
            place = _feature(k, feature, curves[k], options, bank, drawing, frame, laid.closeups, feature.name in sides)
            if place.shifts is not None and _may_leave(subject, feature):
                place = followed(curves[k], feature.closed, place, strokes, smooth, size)
            found.append(_if_drawn(place, feature, curves[k], laid.ink, size))
    outlines = {k: curves[k] for k, f in enumerate(subject.features) if f.closed and k not in courses}
    base = whole_shift(courses, curves, found, size)
    on_edge = partial(edge_at, reference, base, size)
    found = on_strokes(courses, outlines, found, laid.grey, drawing, on_edge, size)
    found = without_rivals(pairs, found, size)
    base = whole_shift(courses, curves, found, size)
    # Lines on other edges blur what the features agree on: once these are told, it is clearer.
    told = on_meant_edges(courses, outlines, found, base, reference, size)
    base = whole_shift(courses, curves, told, size)
    found = on_meant_edges(courses, outlines, found, base, reference, size)
    found = without_doubles(courses, found, base, bank, reference, size)
    found = without_doubtful(subject, curves, found, size)
    found = without_strayed(outlines, found, base, size)
    found = without_other_edges(subject, curves, found, base, reference, size)
    return settle_corners(subject, courses, found, size)


def _may_leave(subject: Subject, feature: Feature) -> bool:
    """Whether a feature is a smooth outline, judged by its shape, of a thing that stands by itself: it may have a dent. Within a
    face or a body other lines run beside it too often."""
    if feature.kind != "curve" or not feature.slides or "shape" not in feature.measures:
        return False
    groups = [group for group in subject.groups if under(feature.part, group.part)]
    return not groups or any(group.apart for group in groups)


def _line(course: Course, chosen: Candidate | None, bank: Bank, drawing: Field, size: float) -> Found:
    """A straight feature; along itself it stays where the line-up has it."""
    if chosen is None or chosen.score < WEAK_SCORE:
        return Found(why="nothing like it is drawn near its place", score=chosen.score if chosen else 0.0)
    fit = fit_line(bank, drawing, course, chosen, FINE_SIGMA * size, size)
    if fit is None:
        return Found(why="nothing like it is drawn near its place", score=chosen.score)
    shifts = np.stack([(fit.offset + fit.turn * at) * course.across for at in (-course.half, course.half)])
    along = (UNMEASURED * size) ** 2 * np.outer(course.along, course.along)
    across = np.outer(course.across, course.across)
    covariances = np.stack([(fit.variance_at(at) + LINE_FLOOR2 * size**2) * across + along for at in (-course.half, course.half)])
    return Found("", shifts, covariances, (fit.variance_at(0.0) + LINE_FLOOR2 * size**2) * across + along, chosen.score, fit)


def _if_line_drawn(place: Found, course: Course, ink: np.ndarray, size: float) -> Found:
    """A line may stop short or be broken, but the more of it is missing the more like it the rest must look: a row of other
    things, with gaps between them, is no line."""
    if place.shifts is None:
        return place
    ends = course.shifted(place.fit.offset, place.fit.turn).ends
    share = share_along(ink, ends + 0.03 * (ends[::-1] - ends), STEP * size)
    if share < LEAST_SHARE:
        return Found(why="it is not drawn yet, or too faint to see in this picture", score=place.score)
    if place.fit.score < min(WHOLE_LINE + 2.0 * max(0.98 - share, 0.0), BROKEN_LINE):
        return Found(why="nothing like it is drawn near its place", score=place.score)
    return place


def _if_drawn(place: Found, feature: Feature, curve: np.ndarray, ink: np.ndarray, size: float) -> Found:
    at = curve if place.shifts is None else curve + place.shifts
    if ink_along(ink, at, feature.closed, STEP * size) >= DRAWN:
        return _without_bare(place, feature, at, ink, size)
    return Found(why="it is not drawn yet, or too faint to see in this picture", score=place.score)


def _without_bare(place: Found, feature: Feature, at: np.ndarray, ink: np.ndarray, size: float) -> Found:
    """``place`` with the stretches marked as not seen that lie on bare paper: an outline may be drawn in part, or open."""
    if not feature.slides or place.shifts is None or place.covariances is None:
        return place
    bare = bare_along(ink, at, feature.closed, BARE * size)
    if not bare.any() or bare.all():
        return place
    return place.without(bare)


def _wide_looks(
    looks: list[list[Curve]], courses: list[Course], banks: list[Bank], drawing: Field, size: float, radius: int
) -> tuple[Bank, list[np.ndarray | None], list[np.ndarray | None]]:
    """Score maps of templates that see the surroundings too, at half resolution; and the bank that explains the sheet best."""
    half_drawing = half_field(drawing)
    best, most, maps, beside = banks[0], -np.inf, [None] * len(looks), [None] * len(courses)
    for bank in banks:
        field = half_field(bank.field)
        found = [_wide_look(look, field, half_drawing, bank.grain, size, radius) for look in looks]
        lines = [wide_look(bank.field, drawing, course, CONTEXT_WIDTH * COARSE_SIGMA * size, size, radius) for course in courses]
        mean = float(np.mean([0.0 if scores is None else scores.max() for scores in [*found, *lines]]))
        if mean > most:
            best, most, maps, beside = bank, mean, found, lines
    return best, maps, beside


def _wide_look(look: list[Curve], field: Field, drawing: Field, grain: float, size: float, radius: int) -> np.ndarray | None:
    halved = [(geometry.rescale_points(points, 0.5), closed) for points, closed in look]
    sigma = 0.5 * CONTEXT_WIDTH * sigma_for(look, size, COARSE_SIGMA)
    template = cut_template(field, halved, sigma, 0.5 * grain)
    if template is None:
        return None
    return doubled_map(score_map(template, drawing, (0.0, 0.0), (radius + 1) // 2), radius)


def sigma_for(curves: list[Curve], size: float, narrow: float) -> float:
    """Width of the weight around ``curves``: ``narrow``, but wider around something short, which would else see too little."""
    length = sum(float(np.hypot(*np.diff(points, axis=0).T).sum()) for points, _ in curves)
    return size * narrow * (1.0 + 1.0 * np.exp(-length / (0.08 * size)))


def _search(
    look: list[Curve], bank: Bank, drawing: Field, size: float, radius: int, around: np.ndarray | None
) -> list[Candidate]:
    template = cut_template(bank.field, look, sigma_for(look, size, COARSE_SIGMA), bank.grain)
    if template is None:
        return []
    return find_candidates(template, drawing, np.zeros(2), radius, 0.6 * radius, context=around)


def _feature(
    index: int,
    feature: Feature,
    curve: np.ndarray,
    own: list[tuple[Stretch, list[Candidate], int]],
    bank: Bank,
    drawing: Field,
    frame: Frame,
    closeups: CloseUps,
    side: bool = False,
) -> Found:
    chosen = [(stretch, _steadied(options[pick], frame.size)) for stretch, options, pick in own if pick >= 0]
    if not chosen:
        return Found(why="nothing like it is drawn near its place")
    score = float(np.mean([c.score for _, c in chosen]))
    if score < WEAK_SCORE:
        return Found(why="nothing like it is drawn near its place", score=score)
    floor = (FLOOR * frame.size) ** 2 * np.eye(2)
    whole = _combine([c for _, c in chosen])
    if feature.kind == "point" or len(curve) < 2:
        shift, covariance = whole
        shifts = np.repeat(shift[None], len(curve), 0)
        covariances = np.repeat((covariance + floor)[None], len(curve), 0)
        return Found("", shifts, covariances, covariance + floor, score)
    length = whole_length(feature, curve)
    if feature.kind == "ellipse" and "openness" in feature.measures and length > LEAST_RIM * frame.size:
        beside = [geometry.apply(frame.from_reference, line) for line in feature.beside]
        return _rim(curve, beside, whole[0], closeups, frame.size)
    longest, stiffness = (SIDE_PIECE, SIDE_STIFFNESS) if side else (LONGEST_PIECE, STIFFNESS)
    pieces = split(index, feature, curve, longest * frame.size, STEP * frame.size, overlap=0.25)
    measured = [_fine(piece, _nearest(piece, chosen), bank, drawing, frame.size, FINE_SIGMA) for piece in pieces]
    at = arc_positions(curve)
    piece_at = np.array([(p.arc[0] + p.arc[1]) / 2 for p in pieces])
    shifts, covariances = settle_curve(
        at,
        piece_at,
        np.array([m.shift for m in measured]),
        np.array([m.covariance for m in measured]),
        whole[0],
        stiffness * frame.size,
        length if feature.closed else None,
    )
    return Found("", shifts, covariances + floor, whole[1] + floor, score)


def _steadied(candidate: Candidate, size: float) -> Candidate:
    """The candidate without the part of its shift that nothing measures: a smooth edge does not tell how far along it one is."""
    measured = np.linalg.inv(candidate.covariance / INFLATION)
    prior = np.eye(2) / (UNMEASURED * size) ** 2
    return replace(candidate, shift=np.linalg.solve(measured + prior, measured @ candidate.shift))


def _nearest(piece: Stretch, chosen: list[tuple[Stretch, Candidate]]) -> Candidate:
    middle = (piece.arc[0] + piece.arc[1]) / 2
    return min(chosen, key=lambda sc: max(sc[0].arc[0] - middle, middle - sc[0].arc[1], 0.0))[1]


def _fine(piece: Stretch, start: Candidate, bank: Bank, drawing: Field, size: float, narrow: float) -> Candidate:
    """The piece's own place near where its stretch was found; the stretch's place when it has none of its own."""
    look = [(piece.points, False)]
    template = cut_template(bank.field, look, sigma_for(look, size, narrow), bank.grain)
    loose = Candidate(start.shift, 0.0, (0.03 * size) ** 2 * np.eye(2))
    if template is None:
        return loose
    radius = round(FINE_SEARCH * size)
    options = find_candidates(template, drawing, start.shift, radius, 0.5 * radius, most=1)
    if not options or options[0].score < 0.6 * WEAK_SCORE:
        return loose
    return options[0]


def _rim(curve: np.ndarray, beside: list[np.ndarray], start: np.ndarray, closeups: CloseUps, size: float) -> Found:
    """A closed ellipse, searched for as a whole; what departs from an ellipse in its line is the pencil's."""
    fit = fit_rim(closeups.look([curve, *beside], RIM_MARGIN * size), curve, start)
    if fit is None or fit.score < WEAK_SCORE:
        return Found(why="nothing like it is drawn near its place", score=fit.score if fit else 0.0)
    fields = changes(curve, curve)
    floor = (FLOOR * size) ** 2 * np.eye(2)
    covariances = np.einsum("knd,kl,lne->nde", fields, fit.covariance, fields) + floor
    return Found("", np.tensordot(fit.amounts, fields, 1), covariances, fit.covariance[:2, :2] + floor, fit.score)


def _combine(candidates: list[Candidate]) -> tuple[np.ndarray, np.ndarray]:
    """Information-weighted mean of shifts, and its covariance."""
    information = [np.linalg.inv(c.covariance) for c in candidates]
    covariance = np.linalg.inv(np.sum(information, 0))
    shift = covariance @ np.sum([i @ c.shift for i, c in zip(information, candidates, strict=True)], 0)
    return shift, covariance
