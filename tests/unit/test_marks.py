"""Light is divided out, graphite stays."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from featurediff.marks import FAINT_TIMES, mark_contrast, marks, paper_noise, see_marks

H, W = 1188, 840
YS, XS = np.mgrid[:H, :W].astype(np.float32)

LIGHTS = {
    "even": np.ones((H, W), np.float32),
    "fall-off": 1 - 0.35 * XS / W - 0.15 * YS / H,
    "soft shadow": 1 - 0.4 / (1 + np.exp(-np.clip(((XS - 450) + 0.5 * (YS - 500)) / 40, -50, 50))),
    "both": (1 - 0.3 * YS / H) * (1 - 0.35 / (1 + np.exp(-np.clip((YS - 700 + 0.3 * XS) / 35, -50, 50)))),
}


def drawing(seed: int = 0) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """True darkness, and masks of textured hair and of a blended tone."""
    rng = np.random.default_rng(seed)
    ink = np.zeros((H, W), np.float32)
    cv2.ellipse(ink, (420, 560), (210, 300), 0, 0, 360, 0.35, 2, cv2.LINE_AA)
    for _ in range(30):
        start = rng.uniform([200, 300], [640, 900])
        cv2.line(ink, tuple(map(int, start)), tuple(map(int, start + rng.normal(0, 60, 2))), 0.15, 2, cv2.LINE_AA)
    hair = np.zeros((H, W), np.uint8)
    cv2.ellipse(hair, (420, 360), (230, 150), 0, 180, 360, 1, -1)
    strokes = cv2.GaussianBlur(rng.standard_normal((H, W)).astype(np.float32), (0, 0), 1.2)
    ink = np.where(hair > 0, np.clip(0.6 + 0.12 * strokes / strokes.std(), 0, 0.9), ink)
    tone = np.zeros((H, W), np.uint8)
    cv2.circle(tone, (520, 760), 50, 1, -1)
    ink = np.where(tone > 0, 0.3, ink)
    return ink, hair > 0, cv2.erode(tone, np.ones((21, 21), np.uint8)) > 0


def photographed(ink: np.ndarray, light: np.ndarray, grain: float = 0.01) -> np.ndarray:
    rng = np.random.default_rng(9)
    tooth = cv2.GaussianBlur(rng.standard_normal((H, W)).astype(np.float32), (0, 0), 0.7)
    paper = 0.93 * (1 + grain * tooth / tooth.std())
    grey = np.clip(255 * paper * (1 - ink) * light + rng.normal(0, 1.0, (H, W)), 0, 255).astype(np.uint8)
    return np.repeat(grey[..., None], 3, axis=2)


@pytest.mark.parametrize("name", list(LIGHTS))
def test_light_goes_and_graphite_stays(name):
    ink, hair, tone = drawing()
    dark = marks(photographed(ink, LIGHTS[name]))
    assert dark.dtype == np.float32 and dark.shape == (H, W) and dark.min() >= 0 and dark.max() <= 1
    bare = cv2.dilate(ink, np.ones((15, 15))) < 0.01
    smooth = cv2.blur(dark, (9, 9))
    assert np.percentile(smooth[bare], 98) < 0.04
    assert dark[hair].mean() == pytest.approx(ink[hair].mean(), abs=0.06)
    assert dark[tone].mean() == pytest.approx(0.3, abs=0.06)
    lines = (np.abs(ink - 0.35) < 0.02) & ~hair
    assert dark[lines].mean() == pytest.approx(0.35, abs=0.06)


SHADOWS = {
    "over the edge": XS + 0.3 * YS > 700,
    "within the sheet": (np.abs(XS - 400) < 150) & (np.abs(YS - 600) < 260),
}


@pytest.mark.parametrize("name", list(SHADOWS))
def test_hard_shadow_leaves_no_edge_and_is_told(name):
    """A tablet's or a phone's shadow: what it leaves would be taken for a drawn line. A line across its edge stays."""
    ink = np.zeros((H, W), np.float32)
    cv2.line(ink, (100, 500), (740, 700), 0.35, 2, cv2.LINE_AA)
    light = cv2.GaussianBlur(np.where(SHADOWS[name], 0.6, 1.0).astype(np.float32), (0, 0), 6.0)
    seen = see_marks(photographed(ink, light))
    bare = cv2.dilate(ink, np.ones((15, 15))) < 0.01
    assert cv2.blur(seen.darkness, (5, 5))[bare].max() < 0.08
    assert seen.darkness[np.abs(ink - 0.35) < 0.02].mean() == pytest.approx(0.35, abs=0.06)
    assert seen.shadow_edges > 0.01
    assert see_marks(photographed(drawing()[0], LIGHTS["both"])).shadow_edges < 0.005


def test_glare_is_told():
    image = photographed(drawing()[0], LIGHTS["even"])
    assert see_marks(image).glare == 0.0
    cv2.ellipse(image, (400, 500), (90, 60), 0, 0, 360, (255, 255, 255), -1)
    assert see_marks(image).glare == pytest.approx(np.pi * 90 * 60 / (H * W), rel=0.2)


def test_faint_lines_are_not_lost():
    ink = np.zeros((H, W), np.float32)
    cv2.line(ink, (100, 100), (700, 1000), 0.03, 2)
    dark = marks(photographed(ink, LIGHTS["both"], grain=0.004))
    on, beside = ink > 0, np.roll(ink, 12, axis=1) > 0
    assert dark[on].mean() - dark[beside].mean() == pytest.approx(0.03, abs=0.01)


def test_grey_and_colour_agree():
    image = photographed(drawing()[0], LIGHTS["both"])
    assert np.allclose(marks(image), marks(image[:, :, 0]), atol=1e-4)


def test_paper_noise_is_the_grain():
    for grain in (0.006, 0.02):
        noise = paper_noise(marks(photographed(drawing()[0], LIGHTS["fall-off"], grain)))
        # The high-pass and the cut at 0 take part of it away.
        assert 0.4 * grain < noise < 1.3 * grain


def test_contrast_tells_faint_from_plain():
    blank = mark_contrast(marks(photographed(np.zeros((H, W), np.float32), LIGHTS["even"])))
    ink = drawing()[0]
    plain = mark_contrast(marks(photographed(ink, LIGHTS["even"])))
    faint = mark_contrast(marks(photographed(ink * 0.02, LIGHTS["even"])))
    assert blank < FAINT_TIMES and faint < FAINT_TIMES < plain
    assert plain > 20


def test_odd_sizes():
    for shape in ((5, 7), (1, 1), (40, 3), (33, 900)):
        assert marks(np.full((*shape, 3), 200, np.uint8)).shape == shape
    assert marks(np.zeros((60, 60, 3), np.uint8)).shape == (60, 60)
    assert mark_contrast(marks(np.zeros((8, 8), np.uint8))) >= 0
