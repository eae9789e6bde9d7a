"""Lines side by side: which pairs there are, what it costs to swap or to share a place, and who keeps it."""

import numpy as np

from featurediff.matching.agree import Node, choose
from featurediff.matching.candidates import Candidate
from featurediff.matching.found import Found, LineFit
from featurediff.matching.rivals import find_rivals, rival_costs, without_rivals
from featurediff.matching.strips import course_of

SIZE = 600.0
# Two level lines 12 px apart, the second drawn from right to left, an upright one, and a level one far off.
COURSES = {
    0: course_of(np.array([[100.0, 200.0], [400.0, 200.0]])),
    1: course_of(np.array([[420.0, 212.0], [120.0, 212.0]])),
    2: course_of(np.array([[250.0, 100.0], [250.0, 400.0]])),
    3: course_of(np.array([[100.0, 420.0], [400.0, 420.0]])),
}


def candidate(down, believed=0.8):
    """A candidate ``down`` px lower on the picture."""
    return Candidate(np.array([0.0, down]), believed, np.diag([500.0, 1.0]), 60.0, believed)


def the_pair():
    (pair,) = find_rivals(COURSES, SIZE)
    return pair


def test_only_lines_side_by_side_are_rivals():
    pair = the_pair()
    assert (pair.one, pair.other) == (0, 1)
    assert pair.gap == 12.0


def test_places_in_order_cost_nothing_and_one_place_for_both_costs_most():
    down = [candidate(0.0), candidate(12.0)], [candidate(0.0), candidate(-12.0)]
    costs = rival_costs(the_pair(), *down, COURSES)
    assert costs[0, 0] == 0.0
    # The first on the second's place, the second on the first's, and both swapped.
    assert costs[1, 0] > 5.0 and costs[0, 1] > 5.0 and costs[1, 1] >= costs[1, 0]


def test_turns_count_where_the_two_run_side_by_side():
    turned = Candidate(np.zeros(2), 0.8, np.eye(2), 60.0, 0.8, 0.08)
    costs = rival_costs(the_pair(), [candidate(0.0)], [turned], COURSES)
    assert costs[0, 0] == 0.0


def test_the_choice_keeps_both_lines_apart_though_each_alone_would_take_the_same():
    nodes = [Node((k,), np.array([1000.0 * k, 0.0]), (0.0, 300.0)) for k in (0, 1)]
    options = [[candidate(12.0, 0.80), candidate(0.0, 0.75)], [candidate(0.0, 0.9), candidate(12.0, 0.7)]]
    alone = choose(nodes, options, SIZE)
    together = choose(nodes, options, SIZE, rivals={(0, 1): rival_costs(the_pair(), *options, COURSES)})
    assert alone == [0, 0]
    assert together == [1, 0]


def placed(offset, score):
    fit = LineFit(offset, 0.0, np.diag([1.0, 1e-6]), score, 1.0)
    return Found("", np.zeros((2, 2)), np.stack([np.eye(2)] * 2), np.eye(2), score, fit)


def test_of_two_on_one_drawn_line_the_more_alike_stays():
    far = Found(why="not drawn")
    # The second runs the other way: a negative offset is downwards.
    found = [placed(12.0, 0.6), placed(0.0, 0.9), far, far]
    kept = without_rivals([the_pair()], found, SIZE)
    assert kept[0].shifts is None and "two lines" in kept[0].why
    assert kept[1] is found[1]


def test_of_two_alike_the_one_that_moves_less_stays():
    far = Found(why="not drawn")
    kept = without_rivals([the_pair()], [placed(1.0, 0.88), placed(11.5, 0.9), far, far], SIZE)
    assert kept[1].shifts is None and kept[0].shifts is not None


def test_two_lines_that_stay_apart_both_stay():
    found = [placed(2.0, 0.9), placed(1.0, 0.5), Found(why=""), Found(why="")]
    assert without_rivals([the_pair()], found, SIZE) == found
