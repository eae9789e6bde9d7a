"""What the reliability table counts as a hit: the right place, the right way, about the right amount."""

import sys
from dataclasses import dataclass, replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from featurediff.records import Correction, Deviation, Feature, LineUp

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmark"))
from trust_hits import NEAR_MM, is_hit

LINE = np.array([[100.0, 100.0], [150.0, 100.0], [200.0, 100.0]])
MM = 0.5


@dataclass
class Drawn:
    """A drawing of one line whose points lie off by ``off`` (3, 2) mm; meant to lie on the sheet by a scale of `MM` alone."""

    off: np.ndarray
    placement = SimpleNamespace(matrix=np.diag([MM, MM, 1.0]))

    def true_mm(self, points):
        return points * MM + self.off


RESULT = SimpleNamespace(
    subject=SimpleNamespace(features=(Feature("brow", "head/brow", "curve", LINE),)),
    report=SimpleNamespace(
        lineup=LineUp("fewest", MM, 0.0, (0.0, 0.0)),
        deviations=(Deviation("brow", "down", 3.0, "mm", 0.2, 1.5),),
        sheet=SimpleNamespace(unit="mm"),
    ),
)


def moved(dx: float, dy: float) -> Drawn:
    return Drawn(np.tile([dx, dy], (3, 1)))


def told(move: tuple[float, float], **changes) -> Correction:
    arrows = (((75.0, 53.0), move),)
    one = Correction(1, "placement", "", "", (75.0, 53.0), move, None, None, ("brow",), 0.9, 2.0, arrows, "move")
    return replace(one, **changes)


@pytest.mark.parametrize(
    ("true", "move", "hit"),
    [
        ((0, 3), (0, -3), True),
        ((0, 3), (0, -3 - 0.9 * NEAR_MM), True),
        ((0, 3), (0, -3 - 1.1 * NEAR_MM), False),
        ((0, 3), (0, 3), False),
        ((0, 3), (-3, 0), False),
        ((0, 0), (0, -0.9), False),
    ],
)
def test_a_move_is_a_hit_by_its_way_and_amount(true, move, hit):
    assert is_hit(told(move), RESULT, moved(*true)) is hit


def test_a_poorly_known_amount_may_differ_by_two_sigma():
    wide = replace(RESULT.report.deviations[0], sigma=1.0)
    report = SimpleNamespace(**{**vars(RESULT.report), "deviations": (wide,)})
    assert is_hit(told((0, -4.5)), SimpleNamespace(subject=RESULT.subject, report=report), moved(0, 3))


def test_a_turn_is_judged_at_its_ends():
    # Drawn turned clockwise by 0.04 about its middle: the right end, 25 mm away, lies 1 mm too low, the left one too high.
    drawn = Drawn(np.array([[0.0, -1.0], [0.0, 0.0], [0.0, 1.0]]))
    turn = told((0, 0), arrows=(), move_mm=None, turn_deg=np.degrees(-0.04), kind="turn")
    assert is_hit(turn, RESULT, drawn)
    assert not is_hit(replace(turn, turn_deg=-turn.turn_deg), RESULT, drawn)


def test_what_has_no_place_and_way_is_not_counted():
    assert is_hit(told((0, 0), arrows=(), move_mm=None), RESULT, moved(0, 3)) is None
    assert is_hit(told((0, -3), explains=()), RESULT, moved(0, 3)) is None
