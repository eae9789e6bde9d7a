"""The pencil stroke itself: where on the paper the dark line runs that was found for a straight feature.

The correlation that finds a line (`featurediff.matching.straight`) looks at edges blurred enough to forgive wobble; beside a
second edge, or a toned area of which it is the border, it is drawn towards that. The stroke is a dark ridge, far narrower: once
the line is found, its ridge tells the place best. Where tone hides the strokes the correlation's own answer stays.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import cv2
import numpy as np

from featurediff.matching.backing import backing
from featurediff.matching.correlate import Field
from featurediff.matching.found import Found, LineFit
from featurediff.matching.sides import Side, long_sides
from featurediff.matching.straight import robust_line
from featurediff.matching.strips import Course, positions, strip

# As shares of the size: steps along and across, the blur across (half a pencil line), the look to either side, how far the
# stroke may lie from where the correlation has the line, and the length of a part measured by itself.
ALONG = 0.002
ACROSS = 0.0006
BLUR = 0.0022
REACH = 0.014
NEAR = 0.008
PART = 0.02
PART_NEAR = 0.004
# How far the stroke may turn against the correlation's answer (its ends' move, and the tangent at most).
TURN_NEAR = 0.008
MOST_TURN = 0.05
# A stroke as deep as this share of the sheet's usual ones counts; a farther one counts less.
DEEP = 0.3
FARTHER = 0.15
USUAL_PERCENTILE = 75
# Parts with strokes of their own make a line, though not in line with each other, at so much of their depth.
SHAKY = 0.6
# A part's place is known to about this share of the size.
PART_SIGMA = 0.0012
# A tone step as high as this share of the usual stroke's depth is a drawn edge too; taken between these shares of the size.
STEP = 0.3
# A side of an outline is only measured better, unless the reference shows an edge where the stroke is: beside it run frames, bars
# and shutters, whose strokes are others.
SIDE_NEAR = 0.004
# Or, of a long side, as a share of its own length.
SIDE_SHARE = 0.02
# So many of an outline's sides may be without a stroke or the edge of a tone: something may stand before one.
SIDES_AMISS = 1
OTHER_SIDES = "two outlines near its place could be meant: what is drawn there has other sides"
# How little a corner's old place counts against the strokes of its sides.
LOOSE = 0.02
BESIDE = (0.004, 0.010)
# The edge of a tone runs along the line for this share of it at least.
BACKED = 0.6

# Of a line, its offset px and turn: does the reference show an edge there?
OnEdge = Callable[[Course, float, float], bool]


@dataclass(frozen=True)
class Stroke:
    """The strongest stroke near a line: ``fit``, and its ``depth``, how much darker it is than the paper beside it (0 to 1)."""

    fit: LineFit
    depth: float


def on_strokes(
    courses: dict[int, Course],
    outlines: dict[int, np.ndarray],
    found: list[Found],
    laid: np.ndarray,
    drawing: Field,
    on_edge: OnEdge,
    size: float,
) -> list[Found]:
    """``found`` with every straight feature, and every straight side of an outline, on its own stroke; without the straight
    features along which no stroke and no edge of a tone is.

    ``courses``: the straight features' lines by index, frame px; ``outlines``: closed ones' points there; ``laid`` (h, w): the
    drawing in the frame, 0 dark to 1 light, and ``drawing`` its edges; ``on_edge`` tells of a line and
    its offset and turn whether the reference shows an edge there.
    """
    near = {k: find_stroke(laid, course, found[k].fit, size) for k, course in courses.items() if found[k].fit is not None}
    sides = {
        k: [(side, find_stroke(laid, side.course, side.fit_of(found[k]), size)) for side in long_sides(outline, size)]
        for k, outline in outlines.items()
        if found[k].shifts is not None
    }
    depths = [stroke.depth for stroke in near.values()] + [stroke.depth for some in sides.values() for _, stroke in some]
    if not depths:
        return found
    usual = float(np.percentile(depths, USUAL_PERCENTILE))
    answer = list(found)
    for k, stroke in near.items():
        place, course = found[k], courses[k]
        if stroke.depth >= DEEP * usual:
            answer[k] = _moved(place, course, stroke.fit)
        elif not _tone_edge(course.shifted(place.fit.offset, place.fit.turn), laid, drawing, STEP * usual, size):
            answer[k] = Found(why="nothing like it is drawn near its place", score=place.score)
    for k, some in sides.items():
        place = found[k]
        clear = [(side, stroke.fit) for side, stroke in some if stroke.depth >= DEEP * usual]
        clear = [
            (side, fit)
            for side, fit in clear
            if _end_moves(side, place, fit) <= max(SIDE_NEAR * size, 2 * SIDE_SHARE * side.course.half)
            or on_edge(side.course, fit.offset, fit.turn)
        ]
        told = {side.ends for side, _ in clear}
        toned = [
            side
            for side, _ in some
            if side.ends not in told and _tone_edge(_side_at(side, place), laid, drawing, STEP * usual, size)
        ]
        if len(clear) + len(toned) < len(some) - SIDES_AMISS:
            answer[k] = Found(why=OTHER_SIDES, score=place.score)
        else:
            answer[k] = _sides_moved(place, clear)
    return answer


def _side_at(side: Side, place: Found) -> Course:
    fit = side.fit_of(place)
    return side.course.shifted(fit.offset, fit.turn)


def _end_moves(side: Side, place: Found, fit: LineFit) -> float:
    """By how much the ends of a side move, px, when it goes from where the outline has it to ``fit``."""
    old = side.fit_of(place)
    return max(abs(fit.offset - old.offset + sign * side.course.half * (fit.turn - old.turn)) for sign in (-1, 1))


def _tone_edge(course: Course, laid: np.ndarray, drawing: Field, step: float, size: float) -> bool:
    """Does a tone as deep as ``step`` end along the line, and along most of it just there?"""
    return abs(tone_step(laid, course, size)) >= step and backing(drawing, course, size) >= BACKED


def _moved(place: Found, course: Course, fit: LineFit) -> Found:
    along = np.array([-course.half, course.half])
    change = (fit.offset - place.fit.offset) + (fit.turn - place.fit.turn) * along
    return replace(place, shifts=place.shifts + change[:, None] * course.across, fit=fit)


def _sides_moved(place: Found, sides: list[tuple[Side, LineFit]]) -> Found:
    """An outline whose straight sides lie on these lines: a corner goes where its two sides meet."""
    if not sides:
        return place
    normal = np.repeat(LOOSE * np.eye(2)[None], len(place.shifts), 0)
    target = LOOSE * place.shifts
    for side, fit in sides:
        across = side.course.across
        for end, at in zip(side.ends, (-side.course.half, side.course.half), strict=True):
            normal[end] += np.outer(across, across)
            target[end] += (fit.offset + fit.turn * at) * across
    return replace(place, shifts=np.linalg.solve(normal, target[..., None])[..., 0])


def find_stroke(laid: np.ndarray, course: Course, fit: LineFit, size: float) -> Stroke:
    """The stroke near ``course`` shifted by ``fit``; the fit it carries is relative to ``course``."""
    here = course.shifted(fit.offset, fit.turn)
    at = positions(here, ALONG * size)
    steps = round(REACH / ACROSS)
    aside = np.arange(-steps, steps + 1) * ACROSS * size
    depth = _ridges(strip(laid, here, at, aside), at, size)
    turns, means = _over_turns(depth, at, aside, here.half, size)
    liked = np.where(np.abs(aside) <= NEAR * size, means - FARTHER * means.max() * (aside / (NEAR * size)) ** 2, -1.0)
    row, column = np.unravel_index(np.argmax(liked), liked.shape)
    offset, turn = float(aside[column]), float(turns[row])
    # A shaky line's parts lie beside each other: each has a stroke of its own.
    seen = max(float(means[row, column]), SHAKY * _mean_of_parts(depth, at, aside, offset, turn, size))
    measured = _parts(depth, at, aside, offset, turn, size)
    if measured is not None:
        places, shifts = measured
        variances = np.full(len(places), (PART_SIGMA * size) ** 2)
        better = robust_line(places, shifts, variances, offset, turn, here, size, fit.score)
        offset, turn, covariance = better.offset, better.turn, better.covariance
    else:
        covariance = fit.covariance
    told = replace(fit, offset=fit.offset + offset, turn=fit.turn + turn, covariance=covariance)
    return Stroke(told, seen)


def tone_step(laid: np.ndarray, course: Course, size: float) -> float:
    """How much lighter the drawing is on the far side of a line than on the near one, 0 to 1, signed."""
    at = positions(course, ALONG * size)
    aside = np.arange(BESIDE[0], BESIDE[1], ACROSS) * size
    far, near = (float(np.median(strip(laid, course, at, side * aside).mean(1))) for side in (1, -1))
    return far - near


def _ridges(seen: np.ndarray, at: np.ndarray, size: float) -> np.ndarray:
    """(n, m) how much darker each px of a strip (n, m) is than the paper to both its sides; a crossing line counts no more than
    the line's own parts."""
    smooth = cv2.GaussianBlur(seen.astype(np.float32), (0, 0), sigmaX=BLUR / ACROSS, sigmaY=2.0)
    reach = round(1.8 * BLUR / ACROSS)
    depth = np.zeros_like(smooth)
    middle = smooth[:, reach:-reach]
    depth[:, reach:-reach] = np.minimum(smooth[:, : -2 * reach] - middle, smooth[:, 2 * reach :] - middle)
    return np.clip(depth, -0.02, max(float(np.percentile(depth, 92)), 1e-4))


def _over_turns(depth: np.ndarray, at: np.ndarray, aside: np.ndarray, half: float, size: float) -> tuple[np.ndarray, np.ndarray]:
    """Turns worth trying, and the mean depth (turns, m) along every slanted course."""
    step = aside[1] - aside[0]
    most = min(MOST_TURN, TURN_NEAR * size / half)
    count = max(int(np.ceil(most * half / (2 * step))), 2)
    turns = np.linspace(-most, most, 2 * count + 1)
    columns = np.arange(len(aside))
    means = np.stack([np.take_along_axis(depth, _lagged(columns, turn, at, step), 1).mean(0) for turn in turns])
    return turns, means


def _lagged(columns: np.ndarray, turn: float, at: np.ndarray, step: float) -> np.ndarray:
    lag = np.round(turn * at / step).astype(int)
    return np.clip(columns[None] + lag[:, None], 0, len(columns) - 1)


def _mean_of_parts(depth: np.ndarray, at: np.ndarray, aside: np.ndarray, offset: float, turn: float, size: float) -> float:
    """The mean depth of the parts' strongest strokes, each within `NEAR` of the course (offset, turn)."""
    straightened = np.take_along_axis(depth, _lagged(np.arange(len(aside)), turn, at, aside[1] - aside[0]), 1)
    near = straightened[:, np.abs(aside - offset) <= NEAR * size]
    parts = np.array_split(near, max(round(len(at) * ALONG / PART), 3))
    return float(np.mean([part.mean(0).max() for part in parts]))


def _parts(
    depth: np.ndarray, at: np.ndarray, aside: np.ndarray, offset: float, turn: float, size: float
) -> tuple[np.ndarray, np.ndarray] | None:
    """Where along the line its parts lie, and each one's place across relative to the course (offset, turn), px."""
    step = aside[1] - aside[0]
    reach = round(PART_NEAR * size / step)
    start = int(np.argmin(np.abs(aside - offset)))
    columns = np.clip(start + np.arange(-reach, reach + 1), 0, len(aside) - 1)
    straightened = np.take_along_axis(depth, _lagged(np.arange(len(aside)), turn, at, step), 1)[:, columns]
    lag = np.round(turn * at / step) * step
    places, shifts = [], []
    for part in np.array_split(np.arange(len(at)), max(round(len(at) * ALONG / PART), 3)):
        mean = straightened[part].mean(0)
        best = int(np.argmax(mean))
        if best in (0, len(mean) - 1) or mean[best] <= 0:
            continue
        left, middle, right = mean[best - 1 : best + 2]
        bend = min(left - 2 * middle + right, -1e-9)
        place = aside[columns[best]] + step * float(np.clip(0.5 * (right - left) / -bend, -1, 1)) + float(lag[part].mean())
        places.append(float(at[part].mean()))
        shifts.append(place - offset - turn * at[part].mean())
    return (np.array(places), np.array(shifts)) if len(places) >= 2 else None
