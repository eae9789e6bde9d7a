"""The rules that a detector keeps, one function each, and all of them in turn.

Each takes a `Case` and returns a `Check`; a fault of the detector's inside one fails that one and no other.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from featurediff.discovery import fault_of
from featurediff.errors import CompareError, FeaturediffError
from featurediff.handover import calls
from featurediff.handover.wellformed import unknown_names
from featurediff.records import Picture, Subject
from featurediff.testing.kit import pictures, steady
from featurediff.testing.kit.network import watched
from featurediff.testing.kit.records import Check

if TYPE_CHECKING:
    from featurediff.api import Detector

SCALES, TURNS_DEG = (0.7, 1.4), (3.0, -3.0)
# A reference that takes longer makes every check of a drawing feel slow.
SLOW_S = 10.0


@dataclass(frozen=True)
class Case:
    """A ``detector``, the ``picture`` it is tried on, its ``settings``, and the ``subject`` it found there."""

    detector: Detector
    picture: Picture
    settings: Mapping[str, Any]
    subject: Subject
    seconds: float
    quick: bool = False

    def find(self, picture: Picture) -> Subject:
        """What the detector finds on a picture, of which it gets a copy. Raises DetectorError and SubjectError."""
        return calls.find(self.detector, _copy(picture), self.settings)


def case_of(detector: Detector, picture: Picture, settings: Mapping[str, Any] | None = None, quick: bool = False) -> Case:
    """Find the subject once. Raises DetectorError and SubjectError."""
    settings = dict(settings or {})
    picture = calls.prepare(detector, _copy(picture), settings)
    begun, busy = time.perf_counter(), time.process_time()
    subject = calls.find(detector, _copy(picture), settings)
    # Of wall and processor time the less: neither other work on the machine counts, nor threads that share the work.
    seconds = min(time.perf_counter() - begun, time.process_time() - busy)
    return Case(detector, picture, settings, subject, seconds, quick)


def _copy(picture: Picture) -> Picture:
    """For the detector's own use: one that draws on what it is given must not spoil it for the rest."""
    return replace(picture, pixels=picture.pixels.copy())


def conforms(
    detector: Detector, reference: Any, *, settings: Mapping[str, Any] | None = None, quick: bool = False
) -> tuple[Check, ...]:
    """Every check in this process, for a path, a `Picture` or pixels (h, w, 3) uint8 RGB. In pytest:

        for check in conforms(MyDetector(), "reference.jpg"):
            assert check.passed is not False, f"{check.name}: {check.told}"

    Raises DetectorError when the detector fails on the reference itself, and SubjectError when it finds nothing there.
    """
    from featurediff.testing.kit.measure import picture_of

    case = case_of(detector, picture_of(reference), settings, quick)
    return tuple(run(name, check, case) for name, check in CHECKS.items())


def run(name: str, check: Callable[[Case], Check], case: Case) -> Check:
    """One check, timed, its faults contained."""
    begun = time.perf_counter()
    try:
        result = check(case)
    except FeaturediffError as error:
        result = Check(name, False, error.what)
    except Exception as error:
        result = Check(name, False, fault_of(error))
    return replace(result, name=name, seconds=time.perf_counter() - begun)


# ---------------------------------------------------------------- the checks


def names(case: Case) -> Check:
    """Names are unique however they are written, and what gaps, rows, junctions... name is there."""
    seen: dict[str, str] = {}
    for each in case.subject.features:
        plain = " ".join(each.name.lower().split())
        if plain in seen:
            return Check("", False, f"'{seen[plain]}' and '{each.name}' can't be told apart")
        seen[plain] = each.name
    unknown = unknown_names(case.detector.find(_copy(case.picture), case.settings))
    if unknown:
        return Check("", False, f"groups of features name '{unknown[0]}', and no feature is called so")
    return Check("", True, f"{len(seen)} names, each its own; what is named elsewhere is there")


def sides(case: Case) -> Check:
    """Left is left as you look at the paper, and becomes right when the picture is flipped."""
    if not steady.sided(case.subject):
        return Check("", None, "no name says a side")
    crossed = steady.crossed(case.subject)
    if crossed:
        return Check("", False, f"'{crossed[0][0]}' lies right of '{crossed[0][1]}'; sides are the picture's, not the sitter's")
    flipped, flip = pictures.mirrored(case.picture)
    after = case.find(flipped)
    wrong = steady.wrongly_sided(case.subject, after, flip)
    if wrong:
        told = f"'{wrong[0]}' keeps its side when the picture is flipped; sides are the picture's, not the sitter's"
        return Check("", False, told)
    count = len(steady.sided(case.subject))
    again = steady.again(case.subject, after, flip, steady.other_side)
    lost = sum(f.name in again.missing for f in steady.sided(case.subject))
    return Check("", True, f"{count - lost} of {count} names change sides with the picture, none keeps its side")


def scale(case: Case) -> Check:
    """The same features in the same places when the reference is smaller or larger."""
    sizes = [(s, pictures.resized(case.picture, s), pictures.resizing(case.picture, s)) for s in SCALES[: 1 if case.quick else 2]]
    return _again(case, [(f"at {s:g} times the size", picture, matrix) for s, picture, matrix in sizes])


def turn(case: Case) -> Check:
    """The same features in the same places when the reference is turned a little."""
    angles = TURNS_DEG[:1] if case.quick else TURNS_DEG
    return _again(case, [(f"turned by {d:g} degrees", *pictures.turned(case.picture, d)) for d in angles])


def _again(case: Case, variants: list[tuple[str, Picture, np.ndarray]]) -> Check:
    told, passed = [], True
    for what, picture, matrix in variants:
        result = steady.again(case.subject, case.find(picture), matrix)
        passed &= result.steady
        told.append(f"{what}: {result.told()}")
    return Check("", passed, "; ".join(told))


def repeat(case: Case) -> Check:
    """The same picture twice gives the same features."""
    second = case.find(case.picture)
    same = [f.name for f in case.subject.features] == [f.name for f in second.features]
    same = same and all(
        a.points.shape == b.points.shape and np.allclose(a.points, b.points, atol=1e-3)
        for a, b in zip(case.subject.features, second.features, strict=True)
    )
    return Check("", same, "the same again" if same else "another result for the same picture: fix the seeds of what is random")


def untouched(case: Case) -> Check:
    """The picture that was handed over is not drawn on."""
    copy = _copy(case.picture)
    calls.find(case.detector, copy, case.settings)
    same = np.array_equal(copy.pixels, case.picture.pixels)
    return Check("", same, "left as it was" if same else "find() changed picture.pixels; work on a copy")


def network(case: Case) -> Check:
    """No network while it works, as far as Python's own sockets tell."""
    with watched() as seen:
        try:
            case.find(case.picture)
        except FeaturediffError:
            if not seen:
                raise
    return Check("", not seen, f"it reached for the network ({seen[0]})" if seen else "none used, as far as Python tells")


def pace(case: Case) -> Check:
    """The reference is done within a bounded time."""
    told = f"{case.seconds:.1f} s for {case.picture.pixels.shape[1]} x {case.picture.pixels.shape[0]} px"
    return Check("", case.seconds < SLOW_S, f"{told}, {SLOW_S:g} s are allowed")


def odd_pictures(case: Case) -> Check:
    """Blank, tiny, thin, huge and turned pictures: found or told, never a fault."""
    told, tried = [], 0
    for what, picture in pictures.odd(case.picture, case.quick):
        tried += 1
        try:
            case.find(calls.prepare(case.detector, picture, case.settings))
        except CompareError:
            continue  # told in words: just what is wanted
        except FeaturediffError as error:
            told.append(f"{what}: {error.what.rstrip('.')}")
    return Check("", not told, f"{tried} pictures: found or told" if not told else "; ".join(told[:3]))


CHECKS: dict[str, Callable[[Case], Check]] = {
    "names unique": names,
    "sides right when mirrored": sides,
    "same when scaled": scale,
    "same when turned a little": turn,
    "same when repeated": repeat,
    "picture left as it is": untouched,
    "no network": network,
    "bounded time": pace,
    "odd pictures": odd_pictures,
}
