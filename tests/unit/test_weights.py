"""What counts how much, and names in the settings that nothing bears."""

from dataclasses import replace

import numpy as np
import pytest

from featurediff.geometry import apply, similarity_matrix
from featurediff.lineup import line_up
from featurediff.records import Feature, Located, NotJudged, Subject
from featurediff.settings import Settings
from featurediff.weights import misspelt, weight_of

PLACES = {"mast": (10, 20), "bow": (200, 30), "stern": (40, 180), "flag": (220, 210)}
FEATURES = tuple(Feature(name, f"boat/{name}", "point", np.array([place], float)) for name, place in PLACES.items())
SUBJECT = Subject(
    FEATURES,
    200.0,
    "height of the boat",
    np.array([[0, 0], [250, 0], [250, 250], [0, 250]], float),
    not_judged=(NotJudged("rudder", "it is under water"),),
)


def test_the_settings_win_over_the_detector():
    assert weight_of(replace(FEATURES[0], importance=0.7), {"mast": 0.2}) == 0.2
    assert weight_of(replace(FEATURES[0], importance=0.7), {"bow": 0.2}) == 0.7


def test_a_name_that_is_nearly_right_is_told():
    (remark,) = misspelt(SUBJECT, {"mastt": 0.5, "mast": 0.5, "rudder": 0.5, "left eyebrow": 0.1})
    assert "'mastt'" in remark.text and "did you mean 'mast'?" in remark.text


@pytest.mark.parametrize("weight", [0.0, 1.0])
def test_all_of_one_weight_line_up_alike(weight):
    matrix = similarity_matrix(0.5, 4.0, (20.0, 30.0))
    located = tuple(
        Located(each.name, True, "", apply(matrix, each.points), np.array([0.2]), np.eye(2) * 0.04, 0.9) for each in FEATURES
    )
    placed = line_up(SUBJECT, located, "fewest", Settings(importance=dict.fromkeys(PLACES, weight)), matrix)
    assert placed.scale == pytest.approx(0.5, abs=1e-6) and placed.turn_deg == pytest.approx(4.0, abs=1e-4)
