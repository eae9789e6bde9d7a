"""The table that stated uncertainties are multiplied by, and the two uncertainties that come of it."""

import numpy as np
import pytest

from featurediff.deviations import deviations
from featurediff.doubt import CAUTIOUS, STATED, cautious_factor, form_of, stated_factor
from featurediff.records import Feature, LineUp, Located, Sheet, Subject
from featurediff.settings import Settings

LINE = np.array([[0.0, 0.0], [5.0, 1.0], [9.0, 4.0]])


@pytest.mark.parametrize(
    ("kind", "closed", "slides", "form"),
    [
        ("point", False, False, "point"),
        ("segment", False, True, "segment"),
        ("ellipse", True, False, "ellipse"),
        ("curve", True, True, "outline"),
        ("curve", False, True, "edge"),
        ("curve", False, False, "line"),
    ],
)
def test_every_feature_has_a_form(kind, closed, slides, form):
    assert form_of(Feature("a", "a", kind, LINE, closed=closed, slides=slides)) == form


def test_ways_of_a_place_are_one_sort_and_unknown_ones_stay():
    assert stated_factor("line", "across") == stated_factor("line", "down") == stated_factor("line", "normal") != 1.0
    assert stated_factor("edge", "no such measure") == cautious_factor("edge", "no such measure") == 1.0


def test_decisions_never_allow_for_less_than_matching_or_than_is_stated():
    assert {form for form, _ in (*STATED, *CAUTIOUS)} <= {"point", "segment", "ellipse", "outline", "edge", "line"}
    for form, sort in (*STATED, *CAUTIOUS):
        assert 0.1 < stated_factor(form, sort) <= cautious_factor(form, sort) <= 3.0
        assert cautious_factor(form, sort) >= 1.0


def test_a_measure_states_one_uncertainty_and_is_decided_by_another():
    """A brow known to 0.5 mm by matching: its place is stated as the table has it, decided by no less than 0.5 mm."""
    brow = Feature("brow", "head/brow", "curve", 10.0 * LINE, measures=("across", "down"))
    subject = Subject((brow,), 200.0, "height", np.array([[0.0, 0.0], [90.0, 0.0], [90.0, 40.0]]))
    found = Located("brow", True, "", brow.points + [0.0, 3.0], np.full(3, 0.5), np.eye(2) * 0.25, 0.9)
    sheet = Sheet((300.0, 300.0), "", np.eye(3), None, 0.0, 6.0, 0.1, np.zeros(4))
    rows = deviations(subject, (found,), LineUp("fewest", 1.0, 0.0, (0.0, 0.0)), sheet, Settings())
    down = next(row for row in rows if row.measure == "down")
    assert down.value == pytest.approx(3.0)
    assert down.sigma == pytest.approx(0.5 * stated_factor("line", "down"))
    assert down.cautious == pytest.approx(0.5 * cautious_factor("line", "down")) and down.cautious >= 0.5 > down.sigma
