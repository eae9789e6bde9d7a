"""The fit of straight lines and their corners against libraries and textbook results."""

import numpy as np
import pytest
from scipy.stats import siegelslopes
from skimage.measure import LineModelND, ransac

from featurediff.matching.found import Found, LineFit
from featurediff.matching.junctions import settle_corners
from featurediff.matching.straight import robust_line
from featurediff.matching.strips import course_of
from featurediff.records import Feature, Junction, Subject

SIZE = 600.0


def fitted(at, shifts, sigma=0.5):
    course = course_of(np.array([[0.0, 0.0], [2 * np.abs(at).max(), 0.0]]))
    return robust_line(at, shifts, np.full(len(at), sigma**2), 0.0, 0.0, course, SIZE, 1.0)


def test_without_outliers_the_fit_is_the_least_squares_line():
    """numpy.polyfit on the same pieces. The biweight of Beaton and Tukey (1974, Technometrics 16) keeps 95 % efficiency: both
    differ by a fraction of the line's own uncertainty."""
    rng = np.random.default_rng(2)
    at = np.linspace(-200, 200, 24)
    for _ in range(20):
        shifts = 1.3 + 0.02 * at + rng.normal(0, 0.5, len(at))
        slope, offset = np.polyfit(at, shifts, 1)
        line = fitted(at, shifts)
        assert line.offset == pytest.approx(offset, abs=0.06)
        assert line.turn == pytest.approx(slope, abs=0.0005)


@pytest.mark.parametrize("strayed", [3, 6])
def test_pieces_on_a_parallel_neighbour_have_no_say(strayed):
    """Repeated medians (Siegel 1982, Biometrika 69; scipy.stats.siegelslopes) and RANSAC (Fischler and Bolles 1981;
    skimage.measure.ransac) agree on the line of the majority."""
    rng = np.random.default_rng(3)
    at = np.linspace(-200, 200, 20)
    shifts = 0.8 - 0.015 * at + rng.normal(0, 0.3, len(at))
    shifts[rng.permutation(len(at))[:strayed]] += 9.0
    line = fitted(at, shifts)
    slope, offset = siegelslopes(shifts, at)
    model, _ = ransac(np.column_stack([at, shifts]), LineModelND, 2, 1.2, max_trials=300, rng=0)
    at_ends = model.predict_y(np.array([-200.0, 200.0]))
    assert line.offset == pytest.approx(offset, abs=0.3)
    assert line.turn == pytest.approx(slope, abs=0.002)
    assert line.offset == pytest.approx(at_ends.mean(), abs=0.4)
    assert line.turn == pytest.approx(np.ptp(at_ends) / 400 * np.sign(at_ends[1] - at_ends[0]), abs=0.003)


def test_the_stated_uncertainty_is_that_of_repeated_drawings():
    """Monte Carlo: lines that stray with the spread and the length that the fit assumes; mean of (error / sigma)^2 is 1."""
    rng = np.random.default_rng(4)
    at = np.linspace(-150, 150, 10)
    stray, length = 0.0018 * SIZE, 0.05 * SIZE
    noise = 0.5**2 * np.eye(len(at)) + stray**2 * np.exp(-0.5 * ((at[:, None] - at) / length) ** 2)
    lines = [fitted(at, rng.multivariate_normal(np.zeros(len(at)), noise)) for _ in range(400)]
    offset = np.mean([line.offset**2 / line.variance_at(0.0) for line in lines])
    turn = np.mean([line.turn**2 / line.covariance[1, 1] for line in lines])
    assert 0.6 < offset < 1.6 and 0.6 < turn < 1.6


def test_a_corner_is_the_cross_product_of_its_lines():
    """Hartley and Zisserman, Multiple View Geometry, 2.2: in homogeneous coordinates two lines meet in x = l x l'."""
    ends = {"a": np.array([[100.0, 100.0], [300.0, 110.0]]), "b": np.array([[305.0, 105.0], [290.0, 320.0]])}
    features = tuple(Feature(name, name, "segment", points) for name, points in ends.items())
    subject = Subject(features, 300.0, "height", np.array([[0.0, 0], [400, 0], [400, 400], [0, 400]]))
    subject = Subject(**{**vars(subject), "junctions": (Junction("corner", (("a", -1), ("b", 0))),)})
    fits = {"a": LineFit(4.0, 0.02, np.diag([1.0, 1e-4]), 1.0, 1.0), "b": LineFit(-3.0, -0.03, np.diag([1.0, 1e-4]), 1.0, 1.0)}
    courses = {k: course_of(points) for k, points in enumerate(ends.values())}
    found = [Found("", np.zeros((2, 2)), np.stack([np.eye(2)] * 2), np.eye(2), 1.0, fit) for fit in fits.values()]
    settled = settle_corners(subject, courses, found, SIZE)
    lines = []
    for k, fit in enumerate(fits.values()):
        one, other = np.column_stack([courses[k].shifted(fit.offset, fit.turn).ends, np.ones(2)])
        lines.append(np.cross(one, other))
    x = np.cross(*lines)
    for place, points, end in zip(settled, ends.values(), (1, 0), strict=True):
        assert np.allclose(points[end] + place.shifts[end], x[:2] / x[2], atol=1e-6)
