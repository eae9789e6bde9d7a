"""Lines that could be taken for each other: where the reference itself holds another line like the one looked for.

A moulding has two edges and a hand draws one; a base line runs beside the ground. When a line seems to lie just where the
reference shows a like line beside it, the drawn line is more likely that neighbour, drawn right, than the line itself, wrong by
exactly the distance between the two.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from featurediff import geometry
from featurediff.matching.banks import Bank
from featurediff.matching.beside import FARTHEST, meant_edge
from featurediff.matching.found import Found
from featurediff.matching.strips import Course, look, over_turns, positions, profile

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
WHY = "two lines near its place could be meant: what is drawn there may be its neighbour"


def without_doubles(
    courses: dict[int, Course], found: list[Found], base: np.ndarray, bank: Bank, picture: np.ndarray, size: float
) -> list[Found]:
    """``found`` less the straight features that were found where the reference shows a like line beside them.

    ``courses``: the straight features' lines by index, frame px; ``base`` (3, 3): what most features agree on, see `whole_shift`;
    ``bank`` and ``picture``: the reference in the frame, as edges and as it is.
    """
    answer = list(found)
    for k, course in courses.items():
        fit = found[k].fit
        if fit is None:
            continue
        here = geometry.apply(base, course.middle[None])[0] - course.middle
        offset = fit.offset - float(here @ course.across)
        turn = fit.turn - float((base[:2, :2] @ course.along) @ course.across)
        if line_double(bank, course, offset, turn, size) >= ALIKE or _on_neighbour(picture, course, offset, turn, size):
            answer[k] = replace(Found(why=WHY), score=found[k].score)
    return answer


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
