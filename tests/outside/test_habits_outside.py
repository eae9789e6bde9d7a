"""The test against chance beside scipy, a published worked example, and chance itself."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from featurediff.habits.chance import corrected, mean_of, two_sided
from featurediff.habits.reading import drawn
from featurediff.habits.tendencies import LEVEL, habits

sys.path.insert(0, str(Path(__file__).parents[1] / "unit"))
from habits_kit import PLACES, report

STUDIES = ([-2.1, -1.4, -3.0, -0.2, -2.6, -1.9, 0.8], [0.2, 0.35, 0.15, 0.5, 0.3, 0.25, 0.4])
MEAN, ERROR = -1.5558296893, 0.5049170709


@pytest.mark.parametrize("freedom", [1, 2, 3, 4, 5, 9, 10, 30, 101])
def test_student_t_is_scipys(freedom):
    for t in (0.0, 0.1, -1.3, 2.776, 5.0, 12.0):
        assert two_sided(t, freedom) == pytest.approx(2 * stats.t.sf(abs(t), freedom), abs=1e-10)


def test_student_t_critical_values():
    # Table of Student's t, two-sided 5 %: Fisher and Yates, Statistical Tables, as reprinted in any textbook (from memory).
    for freedom, t in ((1, 12.706), (2, 4.303), (4, 2.776), (10, 2.228), (30, 2.042)):
        assert two_sided(t, freedom) == pytest.approx(0.05, abs=2e-4)


def test_with_small_equal_uncertainties_it_is_the_t_test():
    rng = np.random.default_rng(4)
    for n in (4, 7, 20):
        values = rng.normal(0.7, 1.0, n)
        ours, theirs = mean_of(list(values), [1e-3] * n), stats.ttest_1samp(values, 0.0)
        assert ours.mean == pytest.approx(values.mean())
        assert ours.p == pytest.approx(theirs.pvalue, rel=1e-3)


def test_benjamini_and_hochberg_is_scipys():
    rng = np.random.default_rng(2)
    p = rng.uniform(0, 1, 60) ** 3
    assert corrected(list(p)) == pytest.approx(stats.false_discovery_control(p))


def test_the_paper_of_benjamini_and_hochberg():
    # Their worked example (1995, section 4.1): 15 comparisons of a trial, of which 4 are told at 5 % (numbers from memory).
    p = [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.0]
    assert sum(each <= 0.05 for each in corrected(p)) == 4


def test_weights_of_a_worked_example():
    # Seven studies (effect, variance); mean, its error and p after DerSimonian and Laird with the error of Hartung and Knapp, as
    # statsmodels 0.15.0 gives them: combine_effects(effect, variance, method_re="dl"), mean_effect_re and sd_eff_w_re_hksj.
    effects = STUDIES[0]
    found = mean_of(effects, [variance**0.5 for variance in STUDIES[1]])
    assert found.mean == pytest.approx(MEAN, rel=1e-5)
    assert found.error == pytest.approx(ERROR, rel=1e-5)
    assert found.p == pytest.approx(2 * stats.t.sf(abs(MEAN / ERROR), len(effects) - 1), rel=1e-4)


@pytest.mark.parametrize("count", [4, 8])
def test_drawings_without_a_habit_seldom_seem_to_have_one(count):
    """By its own claim, chance alone gives a habit in one run of twenty at most."""
    rng = np.random.default_rng(11)
    runs, told = 60, 0
    for _ in range(runs):
        drawings = []
        for _ in range(count):
            off = {name: tuple(rng.normal(0, 1.5, 2)) for name in PLACES}
            drawings.append(drawn(report(off, seed=int(rng.integers(1 << 30)), size=float(rng.uniform(90, 300))), "x"))
        told += bool(habits(drawings)[0].told)
    # 99 % of what a rate of LEVEL gives.
    assert told <= stats.binom.ppf(0.99, runs, LEVEL)
