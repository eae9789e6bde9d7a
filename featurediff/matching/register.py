"""Registration: where the reference's subject lies on the sheet, as a similarity, before any feature is measured.

Ideas come from the detector's guesses and, when none of them convinces, from a search over the whole sheet. Every idea is
confirmed or rejected in the same way: the drawing is laid into the reference's frame, every stretch of every feature looks for
itself nearby, a similarity is fitted to what they find, and the agreement of all is the score.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from featurediff import geometry
from featurediff.errors import RegistrationError
from featurediff.matching.banks import line_bank, tone_bank
from featurediff.matching.candidates import find_candidates
from featurediff.matching.correlate import Template, cut_template
from featurediff.matching.frame import Frame, make_frame, warp_into, working_size
from featurediff.matching.search import TURNS, search_sheet
from featurediff.matching.tuning import COARSE
from featurediff.matching.units import split
from featurediff.records import Guess, Subject, under

SIZE = 150.0
RADII = (0.11, 0.075, 0.05)
LONGEST = 0.35
SIGMA = 0.022
# Agreement below which the reference and the drawing are not the same picture.
ENOUGH = 0.39
CONVINCING = 0.55
# Below this a drawing of one part may still be what the whole was taken for.
SETTLED = 0.47
MIRRORED_MARGIN = 0.06
# Scores rose by 0.05 at most while an idea was refined: one this far behind will not catch up.
HOPE = 0.12
# The share of the probes' weight that a half-done drawing must show.
BEST_PART = 0.3


@dataclass(frozen=True)
class Registration:
    """``matrix`` (3, 3): reference px -> px of the drawing's picture. ``score``: agreement 0..1. ``source``: whose idea it is."""

    matrix: np.ndarray
    score: float
    source: str


@dataclass(frozen=True)
class _Probe:
    template: Template
    centre: np.ndarray
    weight: float


@dataclass(frozen=True)
class _Coarse:
    frame: Frame
    probes: dict[str, list[_Probe]]


def register(subject: Subject, reference: np.ndarray, drawing: np.ndarray, guesses: tuple[Guess, ...]) -> Registration:
    """Find ``subject`` of the grey ``reference`` (h, w) in the grey ``drawing`` (h, w), both float32 in 0..1.

    Raises RegistrationError when nothing on the drawing looks like the reference, or when it is the reference's mirror image.
    """
    best = _best(subject, reference, drawing, [(_from_guess(g), g.source) for g in guesses])
    flipped = _best_mirrored(subject, reference, drawing, best)
    if flipped is not None and flipped.score >= max(ENOUGH, (best.score if best else 0.0) + MIRRORED_MARGIN):
        raise RegistrationError(
            "The drawing agrees with the mirror image of the reference, not with the reference itself.",
            "Flip the reference picture left to right (or undo the flip), then compare again.",
        )
    if best is None or best.score < CONVINCING:
        _refuse_upside_down(subject, reference, drawing, best)
    if best is None or best.score < ENOUGH:
        raise unlike()
    return best


def _refuse_upside_down(subject: Subject, reference: np.ndarray, drawing: np.ndarray, best: Registration | None) -> None:
    """Raise RegistrationError when the drawing fits better upside down; asked only when it fits poorly as it is."""
    turned = _best_seen_at_once(subject, reference, np.ascontiguousarray(drawing[::-1, ::-1]))
    if turned is not None and turned.score >= max(ENOUGH, (best.score if best else 0.0) + MIRRORED_MARGIN):
        raise RegistrationError(
            "The drawing lies upside down in its photograph.", "Turn the photograph by 180 degrees, then compare again."
        )


def unlike() -> RegistrationError:
    """The failure of a drawing that shows nothing of the reference."""
    return RegistrationError(
        "The drawing does not look like the reference: no place on the sheet agrees with it.",
        "Check that both pictures show the same subject, that the drawing is upright, and that the pencil can be seen: light a "
        "faint drawing from the side, or go closer.",
    )


def _best(
    subject: Subject, reference: np.ndarray, drawing: np.ndarray, ideas: list[tuple[np.ndarray, str]]
) -> Registration | None:
    """The best confirmed idea; the whole sheet is searched when none of ``ideas`` convinces."""
    coarse = _prepare(subject, reference)
    best = None
    for matrix, source in ideas:
        best = _better(best, _confirm(coarse, drawing, matrix, source, _to_beat(best)))
    if best is not None and best.score >= CONVINCING:
        return best
    for part in [subject, *parts_to_search(subject)]:
        for turns in TURNS:
            best = _best_found(coarse, search_sheet(part, reference, drawing, turns), drawing, best)
            if best is not None and best.score >= CONVINCING:
                return best
        if best is not None and best.score >= SETTLED:
            break
    return best


def _best_seen_at_once(subject: Subject, reference: np.ndarray, drawing: np.ndarray) -> Registration | None:
    """The same for what only explains why nothing was found: the whole subject about upright, which takes a fifth of the time."""
    return _best_found(_prepare(subject, reference), search_sheet(subject, reference, drawing, TURNS[0]), drawing, None)


def _best_found(coarse: _Coarse, places: list[np.ndarray], drawing: np.ndarray, best: Registration | None) -> Registration | None:
    """``best`` or a better one of ``places``, the first that convinces."""
    for matrix in places:
        best = _better(best, _confirm(coarse, drawing, matrix, "search over the sheet", _to_beat(best)))
        if best is not None and best.score >= CONVINCING:
            break
    return best


def _to_beat(best: Registration | None) -> float:
    return max(best.score, ENOUGH) if best is not None else ENOUGH


def parts_to_search(subject: Subject) -> list[Subject]:
    """Blocks that may be all that is drawn so far: the subject reduced to each, the weightiest first, two at most."""
    found: dict[tuple[str, ...], tuple[float, Subject]] = {}
    size = working_size(subject)
    for group in subject.groups:
        features = tuple(f for f in subject.features if under(f.part, group.part))
        if len(features) < 4:
            continue
        points = np.vstack([f.points for f in features])
        extent = np.ptp(points, axis=0)
        if not 0.2 * size < extent.max() < 0.6 * size:
            continue
        low, high = points.min(0) - 0.1 * extent.max(), points.max(0) + 0.1 * extent.max()
        region = np.array([low, [high[0], low[1]], high, [low[0], high[1]]])
        weight = sum(f.importance for f in features)
        found[tuple(f.name for f in features)] = (weight, replace(subject, features=features, region=region))
    return [part for _, part in sorted(found.values(), key=lambda entry: -entry[0])[:2]]


def _best_mirrored(
    subject: Subject, reference: np.ndarray, drawing: np.ndarray, best: Registration | None
) -> Registration | None:
    """The same for the reference flipped left to right, where the unflipped one lies, or anywhere if it lies nowhere."""
    width = reference.shape[1]
    flip = np.array([[-1.0, 0.0, width - 1.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]])
    features = tuple(replace(f, points=geometry.apply(flip, f.points)) for f in subject.features)
    mirrored = replace(subject, features=features, region=geometry.apply(flip, subject.region))
    picture = np.ascontiguousarray(reference[:, ::-1])
    if best is None or best.score < ENOUGH:
        return _best_seen_at_once(mirrored, picture, drawing)
    middle = subject.region.mean(0)
    scale, turn, _ = geometry.split_similarity(best.matrix)
    matrix = geometry.similarity_matrix(scale, turn + 2 * subject.axis_deg, (0.0, 0.0))
    matrix[:2, 2] = geometry.apply(best.matrix, middle[None])[0] - geometry.apply(matrix, geometry.apply(flip, middle[None]))[0]
    return _confirm(_prepare(mirrored, picture), drawing, matrix, "mirror image", best.score + MIRRORED_MARGIN)


def _better(a: Registration | None, b: Registration | None) -> Registration | None:
    if a is None or b is None:
        return a or b
    return a if a.score >= b.score else b


def _from_guess(guess: Guess) -> np.ndarray:
    return geometry.fit_similarity(guess.reference, guess.drawing)


def _prepare(subject: Subject, reference: np.ndarray) -> _Coarse:
    frame = make_frame(subject, SIZE, margin=0.15)
    tone = tone_bank(warp_into(reference, frame.from_reference, frame.shape), frame, COARSE)
    banks = [tone, line_bank(subject, frame, COARSE, tone)]
    probes: dict[str, list[_Probe]] = {bank.name: [] for bank in banks}
    for index, feature in enumerate(subject.features):
        curve = geometry.apply(frame.from_reference, feature.points)
        for stretch in split(index, feature, curve, LONGEST * SIZE, 2.0):
            for bank in banks:
                template = cut_template(bank.field, [(stretch.points, stretch.closed)], SIGMA * SIZE, bank.grain)
                if template is not None:
                    probes[bank.name].append(_Probe(template, stretch.centre, feature.importance))
    return _Coarse(frame, probes)


def _confirm(coarse: _Coarse, drawing: np.ndarray, matrix: np.ndarray, source: str, to_beat: float = 0.0) -> Registration | None:
    """Refine an idea (reference px -> drawing px) and score it; None when it leads nowhere."""
    frame = coarse.frame
    scale0 = geometry.split_similarity(matrix)[0]
    score, names = np.inf, list(coarse.probes)
    for radius in RADII:
        if score < to_beat - HOPE:
            break
        to_frame = frame.from_reference @ np.linalg.inv(matrix)
        field = tone_bank(warp_into(drawing, to_frame, frame.shape), frame, COARSE).field
        back = matrix @ np.linalg.inv(frame.from_reference)
        rounds = [_look(coarse.probes[name], field, radius * SIZE, name) for name in names]
        step, score, name = max(rounds, key=lambda r: r[1])
        names = [name]
        matrix = back @ step @ frame.from_reference
        if not 0.6 < geometry.split_similarity(matrix)[0] / scale0 < 1.7:
            return None
    return Registration(matrix, score, source)


def _look(probes: list[_Probe], field, radius: float, name: str) -> tuple[np.ndarray, float, str]:
    """Where the probes find themselves: the similarity (frame px -> frame px) they agree on, and how well they agree."""
    source, target, weights, scores = [], [], [], []
    total = sum(p.weight for p in probes)
    for probe in probes:
        options = find_candidates(probe.template, field, np.zeros(2), max(round(radius), 3), 0.8 * radius, most=1)
        if options:
            source.append(probe.centre)
            target.append(probe.centre + options[0].shift)
            scores.append(max(options[0].score, 0.0))
            weights.append(probe.weight)
    if len(source) < 3:
        return np.eye(3), 0.0, name
    source, target = np.array(source), np.array(target)
    scores, weights = np.array(scores), np.array(weights)
    step, agree = robust_similarity(source, target, weights * scores**2, 0.02 * SIZE)
    return step, agreement(scores * agree, weights, total), name


def agreement(scores: np.ndarray, weights: np.ndarray, total: float) -> float:
    """How well the probes agree, 0..1: half by all of them, half by the best part of them, for a drawing may be half done."""
    order = np.argsort(-scores)
    reached = np.cumsum(weights[order])
    best = order[: int(np.searchsorted(reached, BEST_PART * total)) + 1]
    return 0.5 * float(scores @ weights) / total + 0.5 * float(
        scores[best] @ weights[best] / max(weights[best].sum(), BEST_PART * total)
    )


def robust_similarity(source: np.ndarray, target: np.ndarray, weights: np.ndarray, limit: float) -> tuple[np.ndarray, np.ndarray]:
    """Similarity source -> target (n, 2) by reweighted least squares with Cauchy weights that tighten to ``limit``.

    Returns the (3, 3) matrix and each point's agreement 0..1.
    """
    matrix = np.eye(3)
    matrix[:2, 2] = np.average(target - source, axis=0, weights=weights + 1e-9)
    agree = np.ones(len(source))
    for width in (4 * limit, 3 * limit, 2 * limit, 1.5 * limit, limit, limit):
        residual = np.hypot(*(geometry.apply(matrix, source) - target).T)
        agree = 1.0 / (1.0 + (residual / width) ** 2)
        try:
            matrix = geometry.fit_similarity(source, target, weights * agree + 1e-9)
        except ValueError:
            break
    residual = np.hypot(*(geometry.apply(matrix, source) - target).T)
    return matrix, 1.0 / (1.0 + (residual / (1.5 * limit)) ** 2)
