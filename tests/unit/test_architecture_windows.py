"""Openings of painted facades whose places are known exactly."""

import numpy as np
import pytest
from architecture_facades import Facade, grid, opening_outline, segments_of
from featurediff_architecture.openings_arched import head_line
from featurediff_architecture.openings_doubts import out_of_row, shuttered
from featurediff_architecture.openings_rows import first_peak, likeness_by_lag
from featurediff_architecture.rectify import plane_homography, rectify
from featurediff_architecture.windows import find_openings, jamb_shares

from featurediff.geometry import apply

HOUSE = grid(5, 2, 1.2, 1.2, 2.8, 3.0, 1.1, 1.8) + [("door", 7.0, 7.9, 1.3, 3.0)]
HOUSE += grid(2, 1, 1.2, 7.5, 2.8, 3.0, 1.1, 1.8) + grid(2, 1, 9.6, 7.5, 2.8, 3.0, 1.1, 1.8)
BANDS = (3.9, 6.9)


def look(facade, width, height, **how):
    pixels, plane, across, up = facade.seen(**how)
    region = apply(plane, np.array([[0.0, 0], [width, 0], [width, height], [0, height]]))
    found = find_openings(pixels, segments_of(pixels), across, up, region)
    return found, [apply(plane, opening_outline(*o)) for o in facade.openings]


def nearest(found, outline):
    """The found opening whose middle is nearest, and the largest distance of its lower corners."""
    best = min(found, key=lambda o: np.hypot(*(o.corners.mean(0) - outline.mean(0))))
    return best, np.hypot(*(best.corners[2:] - outline[-2:]).T).max()


@pytest.mark.parametrize("how", [{}, {"turn": 25}, {"turn": -35, "tilt": 6, "distance": 21}, {"tilt": -12}], ids=str)
def test_every_window_and_the_door_are_found_and_nothing_else(how):
    found, exact = look(Facade(15, 11, HOUSE, bands=BANDS), 15, 11, **how)
    assert len(found) == len(exact)
    for outline in exact:
        best, off = nearest(found, outline)
        assert off < 3.0, "a corner lies beside the painted one by more than its dark rim and the blur"
        assert best.outline.shape == (4, 2)
    assert sum(o.kind == "door" for o in found) == 1


@pytest.mark.parametrize("seed", [1, 2])
def test_bushes_give_no_openings(seed):
    facade = Facade(15, 11, HOUSE, bands=BANDS, seed=seed)
    found, exact = look(facade, 15, 11, turn=20, clutter=4, seed=seed)
    assert len(found) >= len(exact) - 4
    for o in found:
        middle = o.corners.mean(0)
        distance = min(np.hypot(*(middle - e.mean(0))) for e in exact)
        assert distance < 12, f"an opening at {middle} that was not painted"


def test_an_arcade_s_heads_are_round_and_its_openings_arches():
    painted = grid(4, 1, 1.2, 3.2, 3.4, 3.0, 2.0, 5.0, kind="arch") + grid(4, 1, 1.6, 0.8, 3.4, 3.0, 1.2, 1.6)
    facade = Facade(14.2, 8.4, painted, bands=(2.7,), seed=4)
    found, exact = look(facade, 14.2, 8.4, turn=18, seed=4)
    assert sorted(o.kind for o in found) == ["arch"] * 4 + ["window"] * 4
    for outline in exact[:4]:
        best, off = nearest(found, outline)
        head, painted_head = best.outline[:-2], outline[:-2]
        gaps = [np.hypot(*(painted_head - p).T).min() for p in head]
        assert off < 3.0
        assert np.median(gaps) < 2.5 and max(gaps) < 6.0


def test_a_bare_wall_has_no_openings():
    found, _ = look(Facade(12, 9, [], bands=(3.0, 6.0)), 12, 9, turn=15)
    assert found == ()


def test_planes_that_can_not_be_seen_straight_on_give_nothing():
    pixels = np.full((60, 80, 3), 127, np.uint8)
    nothing = np.zeros((0, 4))
    assert find_openings(pixels, nothing, np.array([1.0, 0, 0]), np.array([1.0, 0.01, 0])) == ()
    assert find_openings(pixels, nothing, np.array([1.0, 0, 0]), np.array([0, 1.0, 0])) == ()
    with pytest.raises(ValueError, match="same way"):
        plane_homography(np.array([1.0, 0, 0]), np.array([1.0, 0.01, 0]), np.array([40.0, 30.0]))
    with pytest.raises(ValueError, match="vanishing point"):
        plane_homography(np.array([40.0, 30, 1]), np.array([0, 1.0, 0]), np.array([40.0, 30.0]))


def test_a_facade_square_on_stays_as_it_is():
    rng = np.random.default_rng(3)
    pixels = rng.integers(0, 255, (90, 120, 3), dtype=np.uint8)
    flat = rectify(pixels, np.array([1.0, 0, 0]), np.array([0, 1.0, 0]), longest=119)
    corners = apply(flat.to_picture, np.array([[0.0, 0], [flat.pixels.shape[1] - 1.0, flat.pixels.shape[0] - 1.0]]))
    assert corners == pytest.approx(np.array([[0.5, 0.5], [118.5, 88.5]]), abs=0.6)
    assert flat.inside[2:-2, 2:-2].all()


def test_the_period_of_a_row_is_told_from_its_multiples_and_from_its_panes():
    x = np.arange(600)
    window = (x % 100 < 40).astype(float) - 0.6 * (np.abs(x % 100 - 20) < 3)
    rng = np.random.default_rng(0)
    strip = np.repeat(window[None, :, None], 8, 0) + rng.normal(0, 0.2, (8, 600, 1))
    assert first_peak(likeness_by_lag(strip)) == 100
    assert first_peak(likeness_by_lag(rng.normal(0, 1, (8, 600, 1)))) == 0


@pytest.mark.parametrize("shape", ["round", "pointed"])
def test_heads_begin_and_end_at_their_springings(shape):
    line = head_line(shape, 10, 30, 50, 35, 17)
    assert line[0] == pytest.approx([10, 50]) and line[-1] == pytest.approx([30, 50])
    assert line[8] == pytest.approx([20, 35], abs=1e-9)


def test_the_far_jamb_shows():
    # A wall that recedes to a vanishing point on the right is seen from its left: right jambs show; straight on, about none.
    assert (jamb_shares(np.array([2000.0, 500, 1]), (1000, 1400), np.array([400.0, 900.0])) > 0.2).all()
    assert (jamb_shares(np.array([-800.0, 500, 1]), (1000, 1400), np.array([400.0, 900.0])) < -0.2).all()
    left, middle, right = jamb_shares(np.array([1.0, 0, 0]), (1000, 1400), np.array([100.0, 699.5, 1300.0]))
    assert left < 0 and middle == 0 and right > 0


def test_windows_beside_shutters_of_their_height_are_doubted_and_odd_ones_of_a_row_are_wrong():
    row = np.array([[x, 100.0, x + 50, 200] for x in (0.0, 150, 300)])
    beside = row + np.array([50.0, 0, -20, 0]) + np.array([0, 0, 50.0, 0])
    rows, even = [[0, 1, 2]], np.zeros(3)
    assert shuttered(row, np.vstack([row, beside]), rows, even).all()
    assert not shuttered(row, row, rows, even).any()
    odd = np.vstack([row, [[450.0, 60, 500, 200]]])
    assert out_of_row(odd, [*rows, [3]], np.zeros(4, bool)).tolist() == [False, False, False, True]
