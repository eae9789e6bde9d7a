"""Every simulated hand puts its lines and tones where the known moves say, on average; and draws the same for the same seed."""

import cv2
import numpy as np
import pytest

from featurediff.geometry import normals, resample
from featurediff.testing.hands import HANDS, Placement, draw, place, true_mm
from featurediff.testing.scenes import Scene
from featurediff.testing.warp import Move, Warp


def _arc(cx: float, cy: float, long: float, bow: float) -> np.ndarray:
    t = np.linspace(-1, 1, 60)
    return np.column_stack([cx + long / 2 * t, cy + bow * (1 - t**2)])


CURVES = {
    "long a": _arc(180, 90, 240, -30),
    "long b": _arc(180, 210, 260, 40),
    "mid a": _arc(110, 330, 90, -12),
    "mid b": _arc(260, 330, 90, 14),
    "short a": _arc(100, 430, 50, 8),
    "short b": _arc(260, 430, 50, -8),
}


def _scene(pixels: np.ndarray | None = None, curves=CURVES) -> Scene:
    pixels = np.full((520, 360, 3), 235, np.uint8) if pixels is None else pixels
    return Scene("plain", pixels, curves, 400.0, (180.0, 260.0))


def _ink_offset(sheet, curve_px: np.ndarray, reach: float = 1.5) -> tuple[float, float]:
    """Mean and root mean square of the ink's place across the true course of a curve, in mm."""
    course = resample(sheet.true_mm(resample(curve_px, 1.0)), 0.25)
    across = normals(course)
    offsets = np.arange(-reach, reach + 1e-9, 0.05)
    at = (course[:, None] + offsets[None, :, None] * across[:, None]) * sheet.px_per_mm - 0.5
    ink = cv2.remap(sheet.darkness, at[..., 0].astype(np.float32), at[..., 1].astype(np.float32), cv2.INTER_LINEAR)
    weight = ink.sum(1)
    seen = weight > 0.2 * np.median(weight)
    middle = (ink * offsets).sum(1)[seen] / weight[seen]
    return float(middle.mean()), float(np.sqrt((middle**2).mean()))


@pytest.mark.parametrize("hand", list(HANDS))
def test_lines_lie_where_the_moves_say(hand):
    move = Move(CURVES["mid a"], (4.0, -7.0))
    warp = Warp([move], still=np.vstack([c for n, c in CURVES.items() if n != "mid a"]), shape=(520, 360))
    offsets, spreads = [], []
    for seed in range(3):
        scene = _scene()
        placement = place(scene, height_mm=160.0, turn_deg=4.0)
        sheet = draw(scene, warp, hand=hand, placement=placement, seed=seed, only=("a", "b"))
        for curve in CURVES.values():
            offset, spread = _ink_offset(sheet, curve)
            offsets.append(offset), spreads.append(spread)
    assert np.abs(offsets).mean() < 0.12, np.round(offsets, 3)
    assert abs(np.mean(offsets)) < 0.05
    # A hand, not a plotter: the line wanders, but stays a line.
    assert 0.05 < np.mean(spreads) < 0.6


@pytest.mark.parametrize("hand", ["tonal", "hatched"])
def test_tones_lie_where_the_moves_say(hand):
    pixels = np.full((520, 360, 3), 235, np.uint8)
    cv2.circle(pixels, (180, 260), 40, (40, 40, 40), -1, cv2.LINE_AA)
    pixels = cv2.GaussianBlur(pixels, (0, 0), 3)
    ring = np.array([180, 260]) + 40 * np.column_stack([np.cos(np.arange(24) * 0.2618), np.sin(np.arange(24) * 0.2618)])
    warp = Warp([Move(np.vstack([ring, [[180.0, 260.0]]]), (9.0, 5.0))], shape=(520, 360))
    scene = _scene(pixels, {})
    placement = Placement((210.0, 297.0), 0.4, 3.0, (30.0, 30.0))
    sheet = draw(scene, warp, hand=hand, placement=placement, seed=1)
    dark = np.where(sheet.darkness > 0.08, sheet.darkness, 0.0)
    ys, xs = np.mgrid[: dark.shape[0], : dark.shape[1]]
    middle = (np.array([(xs * dark).sum(), (ys * dark).sum()]) / dark.sum() + 0.5) / sheet.px_per_mm
    truth = true_mm(np.array([[180.0, 260.0]]), placement, warp)[0]
    assert np.abs(middle - truth).max() < 0.35
    unmoved = true_mm(np.array([[180.0, 260.0]]), placement, None)[0]
    assert np.hypot(*(middle - unmoved)) > 3.0


def test_true_mm_follows_the_placement():
    scene = _scene()
    placement = place(scene, (297.0, 420.0), height_mm=200.0, turn_deg=90.0, centre=(100.0, 150.0))
    assert placement.mm_per_px == pytest.approx(0.5)
    assert np.allclose(true_mm(np.array([[180.0, 260.0]]), placement, None), [[100.0, 150.0]])
    # Turned a quarter clockwise, what was right is now below.
    assert np.allclose(true_mm(np.array([[190.0, 260.0]]), placement, None), [[100.0, 155.0]])


def test_same_seed_same_drawing_other_seed_other_drawing():
    scene = _scene()
    first, again, other = (draw(scene, hand="restated", seed=s).pixels for s in (5, 5, 6))
    assert np.array_equal(first, again)
    assert not np.array_equal(first, other)


def test_only_draws_what_is_asked_for():
    scene = _scene()
    sheet = draw(scene, hand="clean", seed=1, only=("short a",))
    assert sheet.names == ("short a",)
    empty = sheet.true_mm(CURVES["long b"]) * sheet.px_per_mm - 0.5
    x, y = np.round(empty).astype(int).T
    assert sheet.darkness[y, x].max() < 0.02


def test_hands_are_unlike():
    """The faint hand is fainter than the clean one; the tonal one covers far more paper."""
    pixels = np.full((520, 360, 3), 235, np.uint8)
    cv2.circle(pixels, (180, 260), 120, (70, 70, 70), -1, cv2.LINE_AA)
    ink = {hand: draw(_scene(pixels), hand=hand, seed=2).darkness for hand in HANDS}
    assert np.percentile(ink["faint"], 99.9) < 0.6 * np.percentile(ink["clean"], 99.9)
    assert (ink["tonal"] > 0.1).mean() > 4 * (ink["clean"] > 0.1).mean()
    assert (ink["restated"] > 0.1).mean() > 1.3 * (ink["clean"] > 0.1).mean()


def test_an_erased_state_shows_faintly_where_it_was():
    scene = _scene()
    before = Warp([Move(CURVES["mid a"], (0.0, 18.0))], shape=(520, 360))
    sheet = draw(scene, hand="clean", seed=4, erased=before, smudged=True)
    plain = draw(scene, hand="clean", seed=4)
    for warp, low, high in ((None, 0.25, 0.9), (before, 0.02, 0.2)):
        at = true_mm(resample(CURVES["mid a"], 1.0), sheet.placement, warp) * sheet.px_per_mm - 0.5
        x, y = np.round(at).astype(int).T
        ink = cv2.dilate(sheet.darkness, np.ones((13, 13), np.uint8))[y, x]
        assert low < np.median(ink) < high
    assert sheet.darkness.sum() > plain.darkness.sum()
