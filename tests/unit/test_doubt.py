"""The table that stated uncertainties are multiplied by."""

import numpy as np
import pytest

from featurediff.doubt import FACTORS, LEAST, factor_of, form_of
from featurediff.records import Feature

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
    assert factor_of("line", "across") == factor_of("line", "down") == factor_of("line", "normal")
    assert factor_of("edge", "no such measure") == 1.0


def test_nothing_is_made_surer_than_matching_has_it():
    assert LEAST >= 1.0
    assert all(LEAST <= factor_of(form, sort) <= 3.0 for form, sort in FACTORS)
    assert {form for form, _ in FACTORS} <= {"point", "segment", "ellipse", "outline", "edge", "line"}
