"""Matching from end to end: registration, then every feature's place on the sheet."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from featurediff import geometry
from featurediff.matching.banks import line_bank, mixed_bank, tone_bank
from featurediff.matching.found import Found
from featurediff.matching.frame import grey_of, make_frame, warp_into
from featurediff.matching.laid import lay
from featurediff.matching.locate import locate_features
from featurediff.matching.register import register, unlike
from featurediff.matching.strips import course_of
from featurediff.matching.tuning import FINE
from featurediff.matching.whole import moved_by, whole_shift
from featurediff.records import Guess, Located, Subject

FRAME_SIZE = 600.0
# A drawing of the eyes alone reaches 0.3; a picture of pure noise 0.07.
LIKE_ENOUGH = 0.15
# Where the whole was hardly recognised, more is asked of the features: a photograph of a cup reached 0.40 and 0.20.
HARDLY, LIKE_ENOUGH_THEN = 0.45, 0.25
# When the features, as far as they agree, lie by this share of the size from where the registration has them, they are looked
# for again; in subjects with so many straight lines, which neighbours can be taken for.
AGAIN = 0.010
AGAIN_LINES = 6


def match(
    subject: Subject,
    reference: np.ndarray,
    drawing: np.ndarray,
    px_per_mm: float,
    guesses: tuple[Guess, ...],
    lap: Callable[[str], None] = lambda stage: None,
) -> tuple[np.ndarray, tuple[Located, ...]]:
    """Find every feature of ``subject`` on the drawing.

    ``reference`` (h, w) or (h, w, 3), uint8 or float32 in 0..1; ``drawing`` (h, w) float32 in 0..1 is the squared sheet at
    ``px_per_mm``. ``lap`` is told when a stage is done. Returns the registration (3, 3) reference px -> mm, and one `Located` per
    feature. Raises RegistrationError.
    """
    grey = grey_of(reference)
    found_at = register(subject, grey, drawing, guesses)
    lap("register")
    to_mm = np.diag([1 / px_per_mm, 1 / px_per_mm, 1.0])
    to_mm[:2, 2] = 0.5 / px_per_mm
    frame = make_frame(subject, FRAME_SIZE)
    tone = tone_bank(warp_into(grey, frame.from_reference, frame.shape), frame, FINE)
    banks = [tone, mixed_bank(tone, line_bank(subject, frame, FINE, tone))]
    # Only straight lines ask for the colours: two edges of a moulding may differ in nothing else.
    colours = warp_into(reference, frame.from_reference, frame.shape).astype(np.float32)
    curves = [geometry.apply(frame.from_reference, f.points) for f in subject.features]
    straight = {k: course_of(curves[k]) for k, f in enumerate(subject.features) if f.kind == "segment"}
    laying = found_at.matrix
    places = locate_features(subject, frame, colours, banks, lay(grey, drawing, frame, laying))
    rest = whole_shift(straight, curves, places, frame.size)
    if len(straight) >= AGAIN_LINES and moved_by(rest, curves) > AGAIN * frame.size:
        # Far from its place a line is missed, or taken for its neighbour: look again from where most of them are.
        laying = laying @ np.linalg.inv(frame.from_reference) @ rest @ frame.from_reference
        places = locate_features(subject, frame, colours, banks, lay(grey, drawing, frame, laying))
    lap("locate")
    if likeness(subject, places) < (LIKE_ENOUGH if found_at.score >= HARDLY else LIKE_ENOUGH_THEN):
        raise unlike()
    matrix = to_mm @ laying
    to_sheet = matrix @ np.linalg.inv(frame.from_reference)
    return matrix, tuple(
        _located(f.name, curve, p, to_sheet) for f, curve, p in zip(subject.features, curves, places, strict=True)
    )


def likeness(subject: Subject, places: list[Found]) -> float:
    """Importance-weighted mean of how alike the features look where they were found, 0..1; those not found count as 0."""
    alike = sum(f.importance * max(p.score, 0.0) for f, p in zip(subject.features, places, strict=True) if p.shifts is not None)
    return alike / max(sum(f.importance for f in subject.features), 1e-9)


def _located(name: str, curve: np.ndarray, place: Found, to_sheet: np.ndarray) -> Located:
    if place.shifts is None:
        return Located(name, False, place.why, quality=max(place.score, 0.0))
    turn = to_sheet[:2, :2]
    scale2 = abs(float(np.linalg.det(turn)))
    sigma = np.sqrt(np.linalg.eigvalsh(place.covariances)[:, 0] * scale2)
    if place.unseen is not None:
        sigma[place.unseen] = np.inf
    return Located(
        name,
        True,
        "",
        geometry.apply(to_sheet, curve + place.shifts),
        sigma,
        turn @ place.covariance @ turn.T,
        place.score,
        place.partly,
    )
