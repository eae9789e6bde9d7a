"""Lines that could be taken for each other: where the reference itself holds another line like the one looked for.

A moulding has two edges and a hand draws one; a base line runs beside the ground. When a line seems to lie just where the
reference shows a like line beside it, the drawn line is more likely that neighbour, drawn right, than the line itself, wrong by
exactly the distance between the two.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from featurediff.matching.banks import Bank
from featurediff.matching.beside import FARTHEST, meant_edge
from featurediff.matching.found import Found
from featurediff.matching.strips import Course, look, over_turns, positions, profile
from featurediff.matching.whole import against

# From this correlation on, another line of the reference is like the one looked for; measured on rendered scenes (development
# seeds), where lines taken for their neighbours show 0.44 to 0.97 and lines truly moved in open ground 0 to 0.3.
ALIKE = 0.4
# A line is like itself moved a little, to either side; a double shows on one side, by this much at least, or far off.
ONE_SIDED = 0.2
FAR = 0.020
# As shares of the size: the look across a line, and what counts as one place.
SIGMA = 0.010
STEP = 0.0018
NEAR = 0.005
# A neighbour further off than a moulding's edges: how far, how clear an edge beside the line's own, and how near to it the drawn
# line must lie.
NEIGHBOUR = 0.075
CLEAR = 0.15
ON_IT = 0.0035
# Farther off than this, a line by itself is another line; others that run alongside, neither in line with it nor far away, may
# have moved with it.
LONE = 0.032
ALONGSIDE, APART, AROUND = 0.96, 0.02, 0.3
WHY = "two lines near its place could be meant: what is drawn there may be its neighbour"


def without_doubles(
    courses: dict[int, Course], found: list[Found], base: np.ndarray, bank: Bank, picture: np.ndarray, size: float
) -> list[Found]:
    """``found`` less the straight features that were found where the reference shows a like line beside them.

    ``courses``: the straight features' lines by index, frame px; ``base`` (3, 3): what most features agree on, see `whole_shift`;
    ``bank`` and ``picture``: the reference in the frame, as edges and as it is.
    """
    answer = list(found)
    fits = {k: found[k].fit for k in courses if found[k].fit is not None}
    moves = {k: against(base, courses[k], fit.offset, fit.turn) for k, fit in fits.items()}
    for k, (offset, turn) in moves.items():
        course = courses[k]
        alike = line_double(bank, course, offset, turn, size) >= ALIKE
        if alike or _on_neighbour(picture, course, offset, turn, size) or _strayed(k, courses, moves, size):
            answer[k] = replace(Found(why=WHY), score=found[k].score)
    return answer


def _strayed(k: int, courses: dict[int, Course], moves: dict[int, tuple[float, float]], size: float) -> bool:
    """Does a line lie far from its place all by itself? Who misplaces a line by so much takes what is near it along."""
    course, (offset, _) = courses[k], moves[k]
    if abs(offset) <= LONE * size:
        return False
    for other, (far, _) in moves.items():
        cosine = float(courses[other].along @ course.along)
        away = abs(float((courses[other].middle - course.middle) @ course.across))
        if (
            abs(cosine) > ALONGSIDE
            and APART * size < away < AROUND * size
            and far * np.sign(cosine) * np.sign(offset) > abs(offset) / 2
        ):
            return False
    return True


def _on_neighbour(picture: np.ndarray, course: Course, offset: float, turn: float, size: float) -> bool:
    """Does the line lie, further off than a moulding is wide, just where the reference shows a clear edge?"""
    if abs(offset) <= FARTHEST * size:
        return False
    edge, _ = meant_edge(picture, course, offset, turn, size, farthest=NEIGHBOUR, weakest=CLEAR)
    return edge != 0.0 and abs(edge - offset) <= ON_IT * size


def line_double(bank: Bank, course: Course, offset: float, turn: float, size: float) -> float:
    """How alike the reference looks along a straight line and along that line moved ``offset`` px across and by ``turn``: the
    correlation, 0 to 1; 0 where the move is too short to tell."""
    found = profile(bank.field, course, positions(course, 0.008 * size), SIGMA * size, STEP * size)
    if found is None:
        return 0.0
    rows = look(found, bank.field.layers, course, abs(offset) + NEAR * size)
    # On the way there, the line turns as far as it is moved.
    scores = np.max([over_turns(found, rows, np.array([turn * share]))[0] for share in np.linspace(0, 1, 5)], 0)
    there, opposite = (float(scores[np.abs(rows.offsets - at) <= NEAR * size].max()) for at in (offset, -offset))
    if there - opposite < ONE_SIDED and abs(offset) < FAR * size:
        return 0.0
    return float(np.clip(there, 0.0, 1.0))
