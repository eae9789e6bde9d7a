"""Similarity fits against a published worked example and two independent implementations."""

import numpy as np
import pytest
from scipy.linalg import orthogonal_procrustes
from skimage.transform import SimilarityTransform

from featurediff.geometry import apply, fit_similarity, similarity_matrix, split_similarity

# The worked example of Umeyama 1991, "Least-squares estimation of transformation parameters between two point patterns", IEEE
# TPAMI 13(4), section IV: three points whose best map would be a reflection, so that a rotation fits with a rest. The point sets
# are from memory; c, R, t and the mean squared residual were worked out again from them and agree with the article's.
EXAMPLE = np.array([[0, 0], [1, 0], [0, 2]]), np.array([[0, 0], [-1, 0], [0, 2]])


def test_umeyamas_worked_example():
    source, target = EXAMPLE
    matrix = fit_similarity(source, target)
    scale = split_similarity(matrix)[0]
    assert scale == pytest.approx(0.7211, abs=5e-5)
    assert matrix[:2, :2] / scale == pytest.approx(np.array([[0.832, 0.555], [-0.555, 0.832]]), abs=5e-4)
    assert matrix[:2, 2] == pytest.approx([-0.8, 0.4], abs=1e-9)
    rest = ((apply(matrix, source) - target) ** 2).sum(1).mean()
    assert rest == pytest.approx(0.5333, abs=5e-5)


def test_umeyamas_example_admits_no_reflection():
    """scipy's Procrustes, which may reflect, fits the same points exactly; a line-up must not."""
    source, target = EXAMPLE
    assert np.linalg.det(fit_similarity(source, target)[:2, :2]) > 0
    centred = source - source.mean(0), target - target.mean(0)
    turn, _ = orthogonal_procrustes(*centred)
    assert np.linalg.det(turn) < 0
    assert centred[0] @ turn == pytest.approx(centred[1])


def clouds(seed: int, noise: float) -> tuple[np.ndarray, np.ndarray]:
    """(n, 2) points, and the same under a random similarity with noise."""
    rng = np.random.default_rng(seed)
    source = rng.normal(0, rng.uniform(0.5, 400), (rng.integers(2, 60), 2)) + rng.uniform(-900, 900, 2)
    true = similarity_matrix(rng.uniform(0.05, 8), rng.uniform(-180, 180), tuple(rng.uniform(-500, 500, 2)))
    target = apply(true, source)
    return source, target + rng.normal(0, noise * np.hypot(*target.std(0)), target.shape)


@pytest.mark.parametrize("noise", [0.0, 0.05, 0.5])
@pytest.mark.parametrize("seed", range(12))
def test_like_scikit_images_similarity(seed, noise):
    """skimage.transform.SimilarityTransform.estimate, an implementation of the same article that is not ours."""
    source, target = clouds(seed, noise)
    theirs = SimilarityTransform.from_estimate(source, target)
    ours = fit_similarity(source, target)
    reach = np.abs(target).max()
    assert apply(ours, source) == pytest.approx(theirs(source), abs=1e-8 * reach)
    # skimage's y runs down too, so its angle in radians is clockwise as ours.
    scale, turn, _ = split_similarity(ours)
    assert scale == pytest.approx(theirs.scale, rel=1e-8)
    assert np.cos(np.radians(turn) - theirs.rotation) == pytest.approx(1.0)


@pytest.mark.parametrize("noise", [0.0, 0.05])
@pytest.mark.parametrize("seed", range(12))
def test_the_turn_is_like_scipys_orthogonal_procrustes(seed, noise):
    """scipy.linalg.orthogonal_procrustes (Schoenemann 1966, Psychometrika 31(1)); where it does not reflect, the turns agree."""
    source, target = clouds(seed, noise)
    centred, moved = source - source.mean(0), target - target.mean(0)
    turn, spread = orthogonal_procrustes(centred, moved)
    if np.linalg.det(turn) < 0:
        pytest.skip("scipy's best fit is a reflection here")
    matrix = fit_similarity(source, target)
    scale = split_similarity(matrix)[0]
    assert matrix[:2, :2] / scale == pytest.approx(turn.T, abs=1e-8)
    # The scale of the least-squares fit: the sum of singular values over the source's spread.
    assert scale == pytest.approx(spread / (centred**2).sum(), rel=1e-8)


@pytest.mark.parametrize("seed", range(6))
def test_weights_count_like_repeated_points(seed):
    """A point of weight three is three equal points to skimage's unweighted fit."""
    rng = np.random.default_rng(seed)
    source, target = clouds(seed, 0.2)
    times = rng.integers(1, 5, len(source))
    theirs = SimilarityTransform.from_estimate(np.repeat(source, times, 0), np.repeat(target, times, 0))
    assert apply(fit_similarity(source, target, times), source) == pytest.approx(theirs(source), abs=1e-8 * np.abs(target).max())


def test_two_points_are_met_exactly_and_one_is_refused():
    source, target = np.array([[10.0, 20.0], [70.0, 40.0]]), np.array([[5.0, 5.0], [5.0, 25.0]])
    assert apply(fit_similarity(source, target), source) == pytest.approx(target)
    with pytest.raises(ValueError, match="coincide"):
        fit_similarity(np.array([[3.0, 4.0], [3.0, 4.0]]), target)
