"""Ready-made mistakes: the features named move by what is said, the others stay, nothing folds - on several faces."""

import functools

import numpy as np
import pytest

from featurediff.testing import mistakes
from featurediff.testing.scenes import Scene, rendered_face


@functools.cache
def face(seed: int) -> Scene:
    return rendered_face(seed, size=(640, 800))


def _shift(scene, warp, name):
    curve = scene.curves[name]
    return (warp.apply(curve) - curve).mean(0)


@pytest.mark.parametrize("seed", [2, 4, 7])
def test_mistakes_do_what_they_say(seed):
    scene = face(seed)
    mm = scene.size_px / 160.0
    low = mistakes.moved(scene, (mistakes.brow("left"), (0.0, 3 * mm)))
    assert np.allclose(_shift(scene, low, "brow left top"), [0, 3 * mm], atol=0.05)
    assert np.abs(_shift(scene, low, "upper lid left")).max() < 0.3
    assert np.abs(_shift(scene, low, "lip line")).max() < 0.05

    both = mistakes.moved(scene, (mistakes.brow("right"), (3 * mm, 0.0)), (mistakes.eye("right"), (3 * mm, 0.0)))
    for name in ("brow right bottom", "lower lid right", "pupil right"):
        assert np.allclose(_shift(scene, both, name), [3 * mm, 0], atol=0.05)

    wide = mistakes.eyes_apart(scene, 1.06)
    pupils = [scene.curves[f"pupil {s}"].mean(0) for s in ("left", "right")]
    after = [wide.apply(p[None])[0] for p in pupils]
    assert (after[1] - after[0])[0] / (pupils[1] - pupils[0])[0] == pytest.approx(1.06, abs=0.012)

    long = mistakes.nose_long(scene, 3 * mm)
    for name in ("nose base", "lip line", "chin"):
        assert np.allclose(_shift(scene, long, name), [0, 3 * mm], atol=0.1)
    assert np.abs(_shift(scene, long, "upper lid right")).max() < 0.1

    chin = mistakes.chin_long(scene, 4 * mm)
    assert np.allclose(_shift(scene, chin, "chin"), [0, 4 * mm], atol=0.1)
    assert np.abs(_shift(scene, chin, "lip line")).max() < 0.1

    mouth = mistakes.turned(scene, mistakes.MOUTH, 3.0)
    line = scene.curves["lip line"]
    before, turned = line[-1] - line[0], np.diff(mouth.apply(line[[0, -1]]), axis=0)[0]
    assert np.degrees(np.arctan2(turned[1], turned[0]) - np.arctan2(before[1], before[0])) == pytest.approx(3.0, abs=0.1)

    top = mistakes.larger_at_the_top(scene, 1.04)
    brows = [scene.curves[f"brow {s} top"].mean(0)[None] for s in ("left", "right")]
    grown = (top.apply(brows[1]) - top.apply(brows[0]))[0, 0] / (brows[1] - brows[0])[0, 0]
    assert 1.01 < grown < 1.04


@pytest.mark.parametrize("seed", [2, 4])
def test_careless_moves_everything_reproducibly(seed):
    scene = face(seed)
    one, two = (mistakes.careless(scene, 1.5 * scene.size_px / 160.0, seed=3) for _ in (0, 1))
    assert np.array_equal(one.moved, two.moved)
    assert np.abs(one.apply(one.moved) - one.moved).max() > 2.0
    assert one.jacobian_min() > 0.05
