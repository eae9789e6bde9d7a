"""How far each feature of the drawing is from the lined-up reference, measure by measure, with its uncertainty.

Every measure is a *linear* function of the displacements (drawing minus lined-up reference) of a feature's points. So the
same functions tell what a supposed error - "the group moved 3 mm" - would do to each measure, which is how
`featurediff.corrections` explains them.

"across" and "down" run along the paper's axes; when the subject leans more than ``settings.corrections.lean_deg`` on the
paper, along its own. "width" and "height" always run along the subject's own axes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from featurediff import bends
from featurediff.aims import Aim, aims
from featurediff.doubt import cautious_factor, form_of, stated_factor
from featurediff.geometry import apply, normals
from featurediff.lineup import class_limit, matrix_of
from featurediff.records import Deviation, Feature, FeatureResult, LineUp, Located, Sheet, Subject, under
from featurediff.settings import Settings, Tolerances
from featurediff.sheet.trust import sigma_at

POSITION = ("across", "down", "normal")
LENGTHS = (*POSITION, "width", "height")
# A curve whose normals all lie within about 16 degrees says nothing about the move along itself.
_ONE_WAY = 0.08
# Points within this share of the extent belong to an end.
_END = 0.12
_ROBUST_ROUNDS = 8
# A lean is stated where its standard uncertainty is this many degrees at most.
_LEAN_KNOWN_DEG = 0.5
# Neighbouring points of a matched curve err together: no curve counts for more than this many independent points.
_INDEPENDENT = 8


# What a rim's outer and inner edge leave open about the length of an axis, as a share of the subject's size: located rims against
# true ones, clean to tonal hands (tests/benchmark/table.py, tables 3, 4 and 8).
_RIM_EDGE = 0.003
# Below this likeness, as under hatching, a rim is known by so much less per unit of likeness (tables 35, 42 and 45).
_RIM_ALIKE, _RIM_UNLIKE = 0.7, 4.0
# The same of a lip whose two edges are known, as a share of the distance between them (in hatching, tables 8 and 14); edges
# further apart than this share of the subject's size aren't taken for one another.
_LIP, _LIP_WIDE = 0.6, 0.015

# What is told by how a line bends is known better than its points' own errors, taken as unlike each other, would have it: the
# errors of perfect copies are this share of those (the same tables, 1 to 8).
_BENDS_SHARE = 0.7
_ENDS_SHARE, _TILT_SHARE = 0.4, 0.7
# A level moved by its limit must move the line across itself by this share of that limit; else no eye sees it.
_VISIBLE = 0.6

# Matching looks for the same patch of the reference in the drawing, so a curve misplaced on the reference is misplaced on both
# and the error all but cancels (tests/benchmark/portraits.py: stated against true errors); a share is kept for line work.
REFERENCE_SHARE = 0.25


@dataclass(frozen=True)
class Frame:
    """Axes on the sheet. ``lean_deg``: how far the subject's vertical leans clockwise on the paper.

    ``right`` and ``down`` (2,) are the subject's own axes; ``moves`` (2, 2) the two axes along which moves are told.
    ``size`` is the subject's size on the sheet in sheet units, ``to_sheet`` (3, 3) the similarity that lays it there.
    """

    lean_deg: float
    right: np.ndarray
    down: np.ndarray
    moves: np.ndarray
    along_subject: bool
    size: float
    to_sheet: np.ndarray = field(default_factory=lambda: np.eye(3))


@dataclass(frozen=True)
class Measure:
    """One measure of one feature as a linear function of displacements.

    ``weights`` (n, 2): value = sum(weights * displacement). ``sigma`` is the whole standard uncertainty as it is stated, ``own``
    the part that comes from the feature itself and not from the sheet. What is decided allows for ``cautious`` and
    ``cautious_own`` instead, never less (see `featurediff.doubt`). ``tolerance`` is the limit in the same unit, ``axis`` (2,) the
    direction of a position measure.
    """

    name: str
    weights: np.ndarray
    value: float
    unit: str
    sigma: float
    own: float
    cautious: float
    cautious_own: float
    tolerance: float
    axis: np.ndarray | None = None


@dataclass(frozen=True)
class Shape:
    """The largest departure along the normals that is left after the feature's own move, turn and sizes.

    ``value`` is positive outwards (away from ``inside``), at point ``index``; ``departures`` (n,) holds all of them.
    """

    value: float
    index: int
    outward: np.ndarray
    departures: np.ndarray
    sigma: float
    tolerance: float


@dataclass(frozen=True)
class Compared:
    """A found feature laid beside its lined-up reference: points (n, 2) and displacements (n, 2) in sheet units."""

    feature: Feature
    located: Located
    reference: np.ndarray
    off: np.ndarray
    sigma: np.ndarray
    sheet_sigma: float
    measures: tuple[Measure, ...]
    shape: Shape | None

    @property
    def centre(self) -> np.ndarray:
        """(2,) mean of the lined-up reference points."""
        return self.reference.mean(0)


# ---------------------------------------------------------------- entries


def deviations(
    subject: Subject, located: tuple[Located, ...], lineup: LineUp, sheet: Sheet, settings: Settings
) -> tuple[Deviation, ...]:
    """All measures of all found features as `Deviation` records (mm, deg, ratio; "%" on a sheet without mm)."""
    found = []
    everything = compare(subject, located, lineup, sheet, settings)
    for compared in everything:
        name = compared.feature.name
        for measure in compared.measures:
            found += [
                Deviation(name, shown, value, measure.unit, measure.sigma, measure.tolerance, measure.cautious)
                for shown, value in _shown(measure, compared.feature)
            ]
        if compared.shape is not None:
            shape = compared.shape
            found.append(Deviation(name, "shape", shape.value, sheet.unit, shape.sigma, shape.tolerance))
    frame = frame_of(subject, lineup, settings)
    return (
        *found,
        *_eye_level(subject, everything, frame, sheet, settings),
        *_leans(subject, everything, frame, sheet, settings),
    )


def feature_results(subject: Subject, located: tuple[Located, ...], lineup: LineUp, sheet: Sheet) -> tuple[FeatureResult, ...]:
    """What is known of every feature of the subject after line-up, along the paper's axes."""
    by_name = {each.feature: each for each in located}
    matrix = matrix_of(lineup)
    results = []
    for index, feature in enumerate(subject.features):
        each = by_name.get(feature.name)
        number = index + 1 if subject.numbered else 0
        if each is None or not each.found:
            why = each.why if each is not None else "not looked for"
            results.append(FeatureResult(feature.name, feature.part, False, why, None, None, None, number))
            continue
        reference = apply(matrix, feature.points)
        sigma = _point_sigma(each, reference)
        weights = _position_weights(feature, reference, sigma)
        off = np.array(each.points_mm, float) - reference
        off[~np.isfinite(sigma)] = 0.0
        moved = sum(axis * float((w * off).sum()) for axis, w in weights)
        at = np.asarray(each.points_mm, float)[np.isfinite(sigma)].mean(0)
        own = stated_factor(form_of(feature), "across") * _position_sigma(each, sigma, None)
        error = math.hypot(own, float(sigma_at(sheet, at[None])[0]))
        pair = (float(moved[0]), float(moved[1]))
        results.append(FeatureResult(feature.name, feature.part, True, "", (float(at[0]), float(at[1])), pair, error, number))
    return tuple(results)


def frame_of(subject: Subject, lineup: LineUp, settings: Settings) -> Frame:
    """The subject's axes as they lie on the sheet."""
    lean = (subject.axis_deg + lineup.turn_deg + 180.0) % 360.0 - 180.0
    right, down = _axes(lean)
    own = abs(lean) > settings.corrections.lean_deg
    moves = np.array([right, down]) if own else np.eye(2)
    return Frame(lean, right, down, moves, own, subject.size_px * lineup.scale, matrix_of(lineup))


def compare(
    subject: Subject, located: tuple[Located, ...], lineup: LineUp, sheet: Sheet, settings: Settings
) -> tuple[Compared, ...]:
    """Every found feature beside its lined-up reference, with its measures."""
    frame = frame_of(subject, lineup, settings)
    matrix = matrix_of(lineup)
    by_name = {each.feature: each for each in located}
    inside = apply(matrix, np.asarray(subject.region, float)).mean(0)
    sides = {name for form in subject.forms for name in (*form.left, *form.right)}
    found = []
    for feature in subject.features:
        each = by_name.get(feature.name)
        if each is not None and each.found and each.points_mm is not None:
            reference = apply(matrix, feature.points)
            side = feature.name in sides
            compared = _compare_one(feature, each, reference, frame, sheet, settings, lineup.scale, inside, side)
            if compared is not None:
                found.append(compared)
    return tuple(found)


# ---------------------------------------------------------------- one feature


def _compare_one(feature, located, reference, frame, sheet, settings, scale, inside, side=False) -> Compared | None:
    sigma = _point_sigma(located, reference)
    seen = np.isfinite(sigma)
    if not seen.any():
        return None
    off = np.where(seen[:, None], np.nan_to_num(np.asarray(located.points_mm, float)) - reference, 0.0)
    from_sheet = float(np.mean(sigma_at(sheet, reference[seen])))
    own = math.hypot(_position_sigma(located, sigma, None), REFERENCE_SHARE * feature.sigma_px * scale)
    limit = class_limit(settings.tolerances, feature.tolerance, frame.size, sheet.unit)
    context = _Context(feature, located, reference, off, sigma, own, from_sheet, limit, frame, sheet.unit, settings)
    measures = (*_positions(context, scale), *_sizes(context), *_tilts(context), *_openness(context))
    if feature.kind == "ellipse":
        measures = (*_positions(context, scale), *_ellipse(context))
    bent = bends.side_fields(reference, feature.anchors, frame.right, frame.down) if side else {}
    measures = (*measures, *_bends(context, bent))
    # Where the outline can't be told from the pencil around it, a bulge may be another stroke's.
    told = "shape" in feature.measures and not located.partly
    shape = _shape(context, inside, list(bent.values())) if told else None
    return Compared(feature, located, reference, off, sigma, from_sheet, measures, shape)


@dataclass(frozen=True)
class _Context:
    feature: Feature
    located: Located
    reference: np.ndarray
    off: np.ndarray
    sigma: np.ndarray
    own: float
    from_sheet: float
    limit: float
    frame: Frame
    unit: str
    settings: Settings

    @property
    def point_sigma(self) -> float:
        return float(np.sqrt(np.mean(self.sigma[np.isfinite(self.sigma)] ** 2)))

    def local_sheet(self, extent: float) -> float:
        """The sheet's error is smooth: over a short stretch only its share counts."""
        return self.from_sheet * min(1.0, extent / max(self.frame.size, 1e-9))

    def measure(self, name, weights, unit, own, sheet, tolerance, axis=None, edge=0.0) -> Measure:
        """``own``: uncertainty of the feature by itself as matching has it. ``edge``: what the choice among its lines leaves
        open, which decisions take for common to all of it, as the ``sheet``'s."""
        value = float((weights * self.off).sum())
        form = form_of(self.feature)
        stated, cautious = stated_factor(form, name) * math.hypot(own, edge), cautious_factor(form, name) * own
        sigma = math.hypot(stated, sheet)
        whole = max(math.hypot(cautious, sheet, edge), sigma)
        return Measure(name, weights, value, unit, sigma, stated, whole, cautious, tolerance, axis)


def _positions(context: _Context, scale: float) -> list[Measure]:
    feature, frame = context.feature, context.frame
    wanted = [name in feature.measures for name in ("across", "down")]
    if not any(wanted):
        return []
    weights = _position_weights(feature, context.reference, context.sigma)
    fuzzy = REFERENCE_SHARE * feature.sigma_px * scale
    if len(weights) == 1:
        axis, along = weights[0]
        names = [
            name for name, on, part in zip(("across", "down"), wanted, frame.moves @ axis, strict=True) if on and abs(part) > 0.3
        ]
        if not names:
            return []
        own = math.hypot(_position_sigma(context.located, context.sigma, axis), fuzzy)
        return [context.measure("normal", along, context.unit, own, context.from_sheet, context.limit, axis)]
    both = np.stack([w for _, w in weights])
    # Along its long axis a rim is held by its two ends alone.
    rim = _rim_edge(context) * ellipse_axes(context.reference)[0] if _is_rim(feature) else np.zeros(2)
    found = []
    for name, on, axis in zip(("across", "down"), wanted, frame.moves, strict=True):
        if on:
            along = axis[0] * both[0] + axis[1] * both[1]
            own = math.hypot(_position_sigma(context.located, context.sigma, axis), fuzzy)
            edge = abs(float(axis @ rim))
            found.append(context.measure(name, along, context.unit, own, context.from_sheet, context.limit, axis, edge))
    return found


def _is_rim(feature: Feature) -> bool:
    return feature.kind == "ellipse" and "ends" in feature.measures


def _rim_edge(context: _Context, lip: bool = True) -> float:
    """Which of the lines that bound a rim was drawn is known no better than this, all the way round."""
    return math.hypot(_RIM_EDGE * context.frame.size, _lip(context) if lip else 0.0) * _unlike(context.located.quality)


def _sizes(context: _Context) -> list[Measure]:
    found = []
    for name, axis in size_axes(context.feature, context.reference, context.frame):
        size = _size(context, axis) if name in context.feature.measures else None
        if size is not None:
            weights, own, extent = size
            limit = _size_limit(context, extent)
            found.append(context.measure(name, weights, context.unit, own, context.local_sheet(extent), limit))
    return found


def _size(context: _Context, axis: np.ndarray) -> tuple[np.ndarray, float, float] | None:
    """The weights (n, 2) of the extent along ``axis``, its standard uncertainty as matching has it, and the extent itself."""
    if len(context.reference) < 2:
        return None
    place = context.reference @ axis
    extent = float(np.ptp(place))
    low = _end_weights(context, place <= place.min() + _END * extent, axis)
    high = _end_weights(context, place >= place.max() - _END * extent, axis)
    if low is None or high is None or extent <= 0:
        return None
    # The points of an end lie a little short of it: a stretch must be read in full.
    full = extent / float((place * (high @ axis)).sum() - (place * (low @ axis)).sum())
    own = math.sqrt(2.0) * context.point_sigma * full
    if context.feature.kind == "segment" and context.located.covariance is not None:
        # Its ends lie where other lines cross it, each with an error of its own along it.
        own = max(own, 2.0 * _position_sigma(context.located, context.sigma, axis) * full)
    return full * (high - low), own, extent


def size_axes(feature: Feature, reference: np.ndarray, frame: Frame) -> list[tuple[str, np.ndarray]]:
    """Names and directions (2,) of a feature's sizes: the subject's axes; a straight line has but a length, along itself."""
    both = [("width", frame.right), ("height", frame.down)]
    if feature.kind != "segment" or len(reference) < 2:
        return both
    chord = reference[-1] - reference[0]
    name, axis = max(both, key=lambda each: abs(chord @ each[1]))
    return [(name, chord / max(float(np.hypot(*chord)), 1e-9) * (1.0 if chord @ axis >= 0 else -1.0))]


def _size_limit(context: _Context, extent: float) -> float:
    tolerances = context.settings.tolerances
    percent = tolerances.big_ratio_percent if context.feature.stage == "proportion" else tolerances.ratio_percent
    return max(context.limit, percent / 100.0 * extent)


def _end_weights(context: _Context, at_end: np.ndarray, axis: np.ndarray) -> np.ndarray | None:
    """(n, 2) weights that give the displacement along ``axis`` of the points at one end; None when it can't be seen."""
    use = at_end & np.isfinite(context.sigma)
    if not use.any():
        return None
    weights = np.zeros_like(context.reference)
    if not context.feature.slides:
        weights[use] = axis / use.sum()
        return weights
    across = normals(context.reference, context.feature.closed)
    part = across @ axis
    total = float((part[use] ** 2).sum())
    if total < 0.2 * use.sum():
        return None
    weights[use] = (part[use] / total)[:, None] * across[use]
    return weights


def _tilts(context: _Context) -> list[Measure]:
    if "tilt" not in context.feature.measures or len(context.reference) < 2:
        return []
    seen = np.isfinite(context.sigma)
    weight = np.where(seen, 1.0 / np.where(seen, context.sigma, 1.0) ** 2, 0.0)
    centre = (weight @ context.reference) / weight.sum()
    arm = context.reference - centre
    turned = np.column_stack([-arm[:, 1], arm[:, 0]])
    if context.feature.slides:
        solved = _solve_along_normals(context, [turned], with_move=True)
        if solved is None:
            return []
        weights = solved[0][-1]
    else:
        spread = float((weight * (arm**2).sum(1)).sum())
        if spread <= 0:
            return []
        weights = weight[:, None] * turned / spread
    length = 2.0 * float(np.sqrt((arm**2).sum(1)).max())
    reach = math.sqrt(float((weight * (arm**2).sum(1)).sum() / weight.sum()))
    own = context.point_sigma / (reach * math.sqrt(min(seen.sum(), 4)))
    if context.feature.kind == "segment":
        own = _turn_sigma(context, turned, reach, own)
    tolerance = angle_limit(context.settings.tolerances, context.limit, length)
    degrees = math.degrees(1.0)
    return [context.measure("tilt", weights * degrees, "deg", own * degrees, 0.0, tolerance)]


def _turn_sigma(context: _Context, turned: np.ndarray, reach: float, own: float) -> float:
    """What a straight line's ends are less known than its middle is the turn: var(end) = var(middle) + reach^2 var(turn)."""
    across = turned.sum(0) if len(turned) == 1 else turned[-1] - turned[0]
    middle = _position_sigma(context.located, context.sigma, across / max(float(np.hypot(*across)), 1e-9))
    return max(math.sqrt(max(context.point_sigma**2 - middle**2, 0.0)) / reach, 0.5 * own)


def angle_limit(tolerances: Tolerances, limit: float, length: float) -> float:
    """max(1 degree, atan(limit / length)), in degrees."""
    return max(tolerances.angle_floor_deg, math.degrees(math.atan2(limit, length)))


def ellipse_axes(points: np.ndarray) -> tuple[np.ndarray, np.ndarray, float, float]:
    """Long axis (2,), short axis (2,), long and short extents of a sampled ellipse outline (n, 2)."""
    arm = points - points.mean(0)
    _, _, axes = np.linalg.svd(arm, full_matrices=False)
    long, short = axes[0], axes[1]
    return long, short, float(np.ptp(arm @ long)), float(np.ptp(arm @ short))


def _ellipse(context: _Context) -> list[Measure]:
    """Sizes, tilt and openness of an outline that is known only across itself: five unknowns along its normals."""
    long, short, long_extent, short_extent = ellipse_axes(context.reference)
    arm = context.reference - context.reference.mean(0)
    turned = np.column_stack([-arm[:, 1], arm[:, 0]])
    grow = [np.outer(arm @ axis, axis) for axis in (long, short)]
    solved = _solve_along_normals(context, [*grow, turned], with_move=True)
    if solved is None:
        return []
    edge = _rim_edge(context) if _is_rim(context.feature) else 0.0
    # The two edges of a lip lie level with one another.
    level = _rim_edge(context, lip=False) if _is_rim(context.feature) else 0.0
    rim = np.array([edge / long_extent, edge / short_extent, level / long_extent])
    rows, errors = solved[0][-3:], solved[1][-3:]
    lies = abs(long @ context.frame.right) >= abs(long @ context.frame.down)
    names = ("width", "height") if lies else ("height", "width")
    found = []
    for name, extent, row, error in zip(names, (long_extent, short_extent), rows, errors, strict=False):
        if name in context.feature.measures:
            limit, sheet = _size_limit(context, extent), context.local_sheet(extent)
            found.append(context.measure(name, row * extent, context.unit, error * extent, sheet, limit, edge=edge))
    if "tilt" in context.feature.measures:
        degrees = math.degrees(1.0)
        # Turned by some angle, an ellipse's line moves as far as a straight line's so long; a circle's does not move at all.
        shown = max(long_extent - short_extent, 0.02 * long_extent)
        limit = angle_limit(context.settings.tolerances, context.limit, shown)
        own = errors[2] * degrees * (_TILT_SHARE if edge else 1.0)
        found.append(context.measure("tilt", rows[2] * degrees, "deg", own, 0.0, limit, edge=rim[2] * degrees))
    if "openness" in context.feature.measures:
        ratio = short_extent / long_extent
        own, common = ratio * math.hypot(errors[0], errors[1]), ratio * math.hypot(rim[0], rim[1])
        weights, limit = ratio * (rows[1] - rows[0]), _openness_limit(context, long_extent)
        found.append(context.measure("openness", weights, "ratio", own, 0.0, limit, edge=common))
    if "ends" in context.feature.measures:
        pointed = bends.pointed_field(context.reference, long, short)
        solved = _solve_along_normals(context, [*grow, turned, pointed], with_move=True)
        if solved is not None:
            limit = context.settings.tolerances.pointed
            found.append(context.measure("ends", solved[0][-1], "ratio", _ENDS_SHARE * float(solved[1][-1]), 0.0, limit))
    return found


def _unlike(quality: float) -> float:
    """By how much less a rim is known that looks little like the reference's: other strokes were taken for parts of it."""
    return 1.0 + _RIM_UNLIKE * max(_RIM_ALIKE - quality, 0.0)


def _lip(context: _Context) -> float:
    """What is left in doubt of a rim with a lip: where only one of its two edges is drawn, as in hatching, it may be either."""
    if not context.feature.beside:
        return 0.0
    other = apply(context.frame.to_sheet, context.feature.beside[0])
    apart = float(np.sqrt(((context.reference[:, None] - other[None]) ** 2).sum(2)).min(1).mean())
    return _LIP * apart if apart < _LIP_WIDE * context.frame.size else 0.0


def _bends(context: _Context, fields: dict[str, np.ndarray]) -> list[Measure]:
    """How far a form's side bulges, and how much lower each of its levels lies, whatever its own place across, turn and bulge.

    Its height is not set free: a curved side that is lower looks wider, and how high it stands, the form's ends tell better.
    """
    arm = context.reference - context.reference.mean(0)
    turned = np.column_stack([-arm[:, 1], arm[:, 0]])
    aside = np.tile(context.frame.right, (len(arm), 1))
    across = normals(context.reference, context.feature.closed)
    found = []
    for name, moved in fields.items():
        others = [] if name == bends.BULGE else [fields[bends.BULGE]]
        if not bends.shows(moved, across):
            continue
        solved = _solve_along_normals(context, [aside, turned, *others, moved], with_move=False)
        if solved is not None:
            weights, own = solved[0][-1], (1.0 if name == bends.BULGE else _BENDS_SHARE) * float(solved[1][-1])
            sheet = context.local_sheet(float(np.ptp(arm @ context.frame.down)))
            limit = context.limit if name == bends.BULGE else context.limit * max(_VISIBLE / _seen_across(moved, across), 1.0)
            found.append(context.measure(name, weights, context.unit, own, sheet, limit))
    return found


def _seen_across(moved: np.ndarray, across: np.ndarray) -> float:
    """How far a line moves across itself at most when ``moved`` (n, 2) by one unit."""
    return max(float(np.abs((moved * across).sum(1)).max()), 1e-9)


def _openness(context: _Context) -> list[Measure]:
    """Height over width of a curve that is no ellipse."""
    if "openness" not in context.feature.measures:
        return []
    across, down = _size(context, context.frame.right), _size(context, context.frame.down)
    if across is None or down is None:
        return []
    width, height = across[2], down[2]
    weights = down[0] / width - across[0] * height / width**2
    own = down[1] / width * math.hypot(1.0, height / width)
    return [context.measure("openness", weights, "ratio", own, 0.0, _openness_limit(context, width))]


def _openness_limit(context: _Context, long_extent: float) -> float:
    tolerances = context.settings.tolerances
    return max(tolerances.openness, tolerances.openness_floor_mm / long_extent if context.unit == "mm" else 0.0)


def _solve_along_normals(context: _Context, fields: list[np.ndarray], with_move: bool):
    """Least squares for the amounts of some displacement ``fields`` (n, 2) from the displacements along the normals.

    Returns the weights (n, 2) that give each amount and its standard error, moves first, or None when undetermined.
    """
    across = normals(context.reference, context.feature.closed)
    seen = np.isfinite(context.sigma)
    columns = [np.sum(across * each, 1) for each in fields]
    if with_move:
        moves = [axis for axis, _ in _position_weights(context.feature, context.reference, context.sigma)]
        columns = [across @ axis for axis in moves] + columns
    matrix = np.column_stack(columns)[seen]
    size = np.maximum(np.sqrt((matrix**2).mean(0)), 1e-9)
    weight = 1.0 / context.sigma[seen] ** 2
    if len(matrix) < matrix.shape[1] or np.linalg.cond(matrix / size) > 1e3:
        return None
    inverse = np.linalg.inv((matrix * weight[:, None]).T @ matrix)
    solve = inverse @ (matrix * weight[:, None]).T
    rows = np.zeros((len(solve), *context.reference.shape))
    rows[:, seen] = solve[:, :, None] * across[seen][None]
    share = max(len(matrix) / _INDEPENDENT, 1.0)
    return rows, np.sqrt(np.diag(inverse) * share)


# ---------------------------------------------------------------- positions


def _position_weights(feature: Feature, reference: np.ndarray, sigma: np.ndarray):
    """[(axis, weights (n, 2)), ...]: two axes x and y, or only the mean normal of a curve that slides along itself."""
    seen = np.isfinite(sigma)
    weight = np.where(seen, 1.0 / np.where(seen, np.maximum(sigma, 1e-6), 1.0) ** 2, 0.0)
    weight = weight / weight.sum()
    # A straight line's place is known across it; how long it is, its corners tell.
    if not (feature.slides or feature.kind in ("ellipse", "segment")) or len(reference) < 2:
        return [(axis, weight[:, None] * axis) for axis in np.eye(2)]
    across = normals(reference, feature.closed)
    spread = (weight[:, None] * across).T @ across
    values, vectors = np.linalg.eigh(spread)
    if values[0] < _ONE_WAY * values.sum():
        axis = vectors[:, 1]
        part = across @ axis
        return [(axis, (weight * part / (weight @ part**2))[:, None] * across)]
    solve = np.linalg.inv(spread) @ (weight[:, None] * across).T
    return [(axis, row[:, None] * across) for axis, row in zip(np.eye(2), solve, strict=True)]


def _point_sigma(located: Located, reference: np.ndarray) -> np.ndarray:
    """(n,) standard uncertainty of each point; infinite where it was not seen."""
    if located.point_sigma_mm is not None:
        sigma = np.array(located.point_sigma_mm, float)
    elif located.covariance is not None:
        sigma = np.full(len(reference), math.sqrt(max(np.trace(located.covariance) / 2.0, 0.0)))
    else:
        sigma = np.full(len(reference), 0.5)
    lost = ~np.isfinite(np.asarray(located.points_mm, float)).all(1)
    return np.where(lost | ~np.isfinite(sigma), np.inf, np.maximum(sigma, 1e-3))


def _position_sigma(located: Located, sigma: np.ndarray, axis: np.ndarray | None) -> float:
    """Standard uncertainty of the feature's place along ``axis``, or of the better known direction."""
    if located.covariance is not None and np.isfinite(located.covariance).all():
        covariance = np.asarray(located.covariance, float)
        variance = axis @ covariance @ axis if axis is not None else np.linalg.eigvalsh(covariance)[0]
        return math.sqrt(max(float(variance), 0.0))
    seen = sigma[np.isfinite(sigma)]
    return float(np.sqrt(np.mean(seen**2) / min(len(seen), 4)))


# ---------------------------------------------------------------- where lines meet


def _eye_level(
    subject: Subject, compared: tuple[Compared, ...], frame: Frame, sheet: Sheet, settings: Settings
) -> list[Deviation]:
    """How far the drawn lines' eye level lies below the reference's: from the tilts of all lines that aim at points on it.

    Each point may lie off along the eye level as well; weighted least squares. A line turns by cross(way, d) / |way|^2 when its
    meeting point moves by d and it keeps its far end.
    """
    by_name = {each.feature.name: each for each in compared}
    fans = [aim for aim in aims(subject, frame.to_sheet, by_name) if aim.meeting.level]
    rows, values, limits = [], [], []
    for place, aim in enumerate(fans):
        for row, value, limit in _aim_rows(aim, by_name, frame):
            rows.append([row[0], *(row[1] if other == place else 0.0 for other in range(len(fans)))])
            values.append(value)
            limits.append(limit)
    if len(rows) <= len(fans):
        return []
    design = np.array(rows)
    if np.linalg.cond(design / np.maximum(np.abs(design).max(0), 1e-12)) > 1e3:
        return []
    inverse = np.linalg.inv(design.T @ design)
    amount = float((inverse @ design.T @ np.array(values))[0])
    return [Deviation("eye level", "down", amount, sheet.unit, math.sqrt(inverse[0, 0]), min(limits))]


def _aim_rows(aim: Aim, by_name: dict[str, Compared], frame: Frame):
    """For each line that has a tilt: (effect of the point's move down and right, tilt) in the tilt's sigmas, and the move down
    that would turn it by its limit."""
    for name, hinge in zip(aim.names, aim.hinges, strict=True):
        tilt = next((each for each in by_name[name].measures if each.name == "tilt"), None)
        if tilt is None:
            continue
        way = aim.at - hinge
        effect = [math.degrees((way[0] * axis[1] - way[1] * axis[0]) / (way @ way)) for axis in (frame.down, frame.right)]
        yield [each / tilt.cautious for each in effect], tilt.value / tilt.cautious, tilt.tolerance / max(abs(effect[0]), 1e-9)


def _leans(subject: Subject, compared: tuple[Compared, ...], frame: Frame, sheet: Sheet, settings: Settings) -> list[Deviation]:
    """How far each form leans clockwise of what it does in the reference, about its foot; its own move and size set aside."""
    found = []
    for form in subject.forms:
        foot, top = apply(frame.to_sheet, form.axis)
        reach = max(float((foot - top) @ frame.down), 1e-9)
        members = [each for each in compared if under(each.feature.part, form.part)]
        rows = [
            (each.reference, m.weights, m.value, m.cautious)
            for each in members
            for m in each.measures
            if m.name in (*POSITION, "tilt")
        ]
        told = bends.lean_of(rows, foot, reach, frame.right, frame.down)
        if told is not None:
            amount, error = (math.degrees(value / reach) for value in told)
            if error > _LEAN_KNOWN_DEG:
                # Of what is low and round, or mostly hidden, no one can say how it leans.
                continue
            limit = class_limit(settings.tolerances, "B", frame.size, sheet.unit)
            found.append(Deviation(form.label, "lean", amount, "deg", error, angle_limit(settings.tolerances, limit, reach)))
    return found


# ---------------------------------------------------------------- shape


def _shape(context: _Context, inside: np.ndarray, more: list[np.ndarray]) -> Shape | None:
    reference, feature = context.reference, context.feature
    seen = np.isfinite(context.sigma)
    if seen.sum() < 6:
        return None
    arm = reference - reference[seen].mean(0)
    fields = [np.tile(axis, (len(arm), 1)) for axis in np.eye(2)] + [np.column_stack([-arm[:, 1], arm[:, 0]])]
    if {"width", "height"} & set(feature.measures) or feature.kind == "ellipse":
        fields += [np.outer(arm @ axis, axis) for axis in (context.frame.right, context.frame.down)]
    else:
        fields.append(arm)
    fields += more
    across = normals(reference, feature.closed)
    if feature.slides or feature.kind == "ellipse":
        matrix = np.column_stack([np.sum(across * each, 1) for each in fields])
        target = np.sum(across * context.off, 1)
        weight = np.where(seen, 1.0 / context.sigma, 0.0)
    else:
        matrix = np.column_stack([each.ravel() for each in fields])
        target = context.off.ravel()
        weight = np.repeat(np.where(seen, 1.0 / context.sigma, 0.0), 2)
    amounts = _robust(matrix, target, weight, context.limit)
    fitted = sum(amount * each for amount, each in zip(amounts, fields, strict=True))
    left = np.where(seen, np.sum(across * (context.off - fitted), 1), 0.0)
    centre = reference.mean(0) if feature.closed or feature.kind == "ellipse" else inside
    outward = np.sign(np.sum(across * (reference - centre), 1))
    outward[outward == 0] = 1.0
    # One curve has one outer side: the majority decides for an open curve.
    if not feature.closed:
        outward[:] = 1.0 if outward.sum() >= 0 else -1.0
    left = _smooth(left * outward, seen, feature.closed)
    index = int(np.abs(left).argmax())
    sigma = math.hypot(context.sigma[index] if seen[index] else context.point_sigma, context.local_sheet(float(np.ptp(arm))))
    return Shape(float(left[index]), index, across * outward[:, None], left, sigma, context.limit)


def _robust(matrix: np.ndarray, target: np.ndarray, weight: np.ndarray, limit: float) -> np.ndarray:
    """Least squares in which what lies beyond ``limit`` loses its say (Cauchy weights): a dent is no move of all the rest."""
    say = np.ones(len(target))
    for _ in range(_ROBUST_ROUNDS):
        amounts = np.linalg.lstsq(matrix * (weight * say)[:, None], target * weight * say, rcond=1e-6)[0]
        say = 1.0 / np.sqrt(1.0 + ((target - matrix @ amounts) / limit) ** 2)
    return amounts


def _smooth(values: np.ndarray, seen: np.ndarray, closed: bool) -> np.ndarray:
    """Mean of each value and its two neighbours, over seen points only."""
    mode = "wrap" if closed else "edge"
    padded, mask = np.pad(values * seen, 1, mode=mode), np.pad(seen.astype(float), 1, mode=mode)
    total = padded[:-2] + padded[1:-1] + padded[2:]
    count = mask[:-2] + mask[1:-1] + mask[2:]
    return np.where(seen, total / np.maximum(count, 1.0), 0.0)


def _shown(measure: Measure, feature: Feature) -> list[tuple[str, float]]:
    """A measure along a slanting normal is told by its parts across and down."""
    if measure.name != "normal":
        return [(measure.name, measure.value)]
    parts = zip(("across", "down"), measure.axis, strict=True)
    return [(name, measure.value * float(part)) for name, part in parts if name in feature.measures and abs(part) > 0.3]


def _axes(lean_deg: float) -> tuple[np.ndarray, np.ndarray]:
    angle = math.radians(lean_deg)
    return np.array([math.cos(angle), math.sin(angle)]), np.array([-math.sin(angle), math.cos(angle)])
