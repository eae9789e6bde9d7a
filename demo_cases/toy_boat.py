"""A painted toy boat on a shelf, rendered with exact curves: the scene of the example that is compared by marks alone."""

from __future__ import annotations

import cv2
import numpy as np

from featurediff.testing.scenes import Scene

WIDTH, HEIGHT = 1200, 1400
_FINER = 3  # painted at this many times the size, then shrunk


def toy_boat(seed: int = 5) -> Scene:
    """The boat: hull, mast, two sails, pennant, portholes. Curves in px of the picture, pixel centres at integers."""
    rng = np.random.default_rng(seed)
    curves = _curves()
    picture = _shelf(rng)
    shade = {
        "hull": (146, 62, 48), "deck": (196, 160, 112), "mainsail": (226, 218, 196), "jib": (206, 196, 172),
        "pennant": (58, 88, 120), "mast": (120, 84, 52), "boom": (112, 78, 48),
    }  # fmt: skip
    for name in ("mast", "boom", "jib", "mainsail", "pennant", "hull", "deck"):
        _paint(picture, curves[name], shade[name], rng)
    for k in (1, 2, 3):
        _paint(picture, curves[f"porthole {k}"], (214, 186, 96), rng)
        _paint(picture, _shrunk(curves[f"porthole {k}"], 0.66), (44, 52, 60), rng)
    pixels = cv2.resize(picture, (WIDTH, HEIGHT), interpolation=cv2.INTER_AREA)
    pixels = np.clip(pixels + rng.normal(0, 2.0, pixels.shape), 0, 255).astype(np.uint8)
    drawn = {name: curve for name, curve in curves.items() if name != "deck"}
    high = np.vstack(list(drawn.values()))
    return Scene("toy boat", pixels, drawn, float(np.ptp(high[:, 1])), tuple(high.mean(0)), straight=True)


def _curves() -> dict[str, np.ndarray]:
    """Closed outlines by name."""
    hull = np.vstack([
        _bow((150, 985), (560, 1010), (1040, 950)), _bow((1040, 950), (1010, 1120), (905, 1210)),
        _bow((905, 1210), (560, 1235), (270, 1195)), _bow((270, 1195), (185, 1110), (150, 985)),
    ])  # fmt: skip
    deck = np.vstack([_bow((150, 985), (560, 1010), (1040, 950)), _bow((1040, 950), (600, 1045), (150, 985))])
    mast = np.array([(562.0, 150), (586, 150), (594, 1000), (560, 1000)])
    boom = np.array([(612.0, 880), (1000, 908), (998, 928), (612, 902)])
    mainsail = np.vstack([
        _bow((630, 250), (664, 560), (640, 826)), _bow((640, 826), (800, 862), (966, 842)),
        _bow((966, 842), (866, 500), (630, 250)),
    ])  # fmt: skip
    jib = np.vstack([
        _bow((520, 262), (514, 560), (508, 880)), _bow((508, 880), (380, 930), (216, 930)),
        _bow((216, 930), (420, 640), (520, 262)),
    ])  # fmt: skip
    pennant = np.array([(586.0, 152), (760, 192), (586, 226)])
    curves = {"hull": hull, "deck": deck, "mast": mast, "boom": boom, "mainsail": mainsail, "jib": jib, "pennant": pennant}
    turn = np.linspace(0, 2 * np.pi, 120, endpoint=False)
    for k, (x, y) in enumerate([(380, 1098), (580, 1106), (780, 1096)], 1):
        curves[f"porthole {k}"] = np.column_stack([x + 46 * np.cos(turn), y + 40 * np.sin(turn)])
    return curves


def _bow(start, through, end) -> np.ndarray:
    """A quadratic curve from start to end that bends towards ``through``, without its last point."""
    t = np.linspace(0, 1, 80)[:-1, None]
    a, b, c = (np.array(p, float) for p in (start, through, end))
    return (1 - t) ** 2 * a + 2 * t * (1 - t) * b + t**2 * c


def _shelf(rng: np.random.Generator) -> np.ndarray:
    """A pale wall above a shelf, lit from the left."""
    high, wide = HEIGHT * _FINER, WIDTH * _FINER
    x = np.linspace(1.04, 0.92, wide)[None, :, None]
    picture = np.full((high, wide, 3), (188.0, 196, 192)) * x
    edge = round(0.872 * high)
    picture[edge:] = np.array((150.0, 122, 92)) * x
    grain = cv2.resize(rng.normal(0, 1, (high // 24, 40)).astype(np.float32), (wide, high), interpolation=cv2.INTER_CUBIC)
    return np.clip(picture + 2.5 * grain[..., None], 0, 255).astype(np.float32)


def _paint(picture: np.ndarray, outline: np.ndarray, colour: tuple[int, int, int], rng: np.random.Generator) -> None:
    """Fill an outline, darker towards the right, its edges as sharp as a lens makes them."""
    mask = np.zeros(picture.shape[:2], np.uint8)
    fine = (outline + 0.5) * _FINER - 0.5
    cv2.fillPoly(mask, [np.round(fine * 16).astype(np.int32)], 255, lineType=cv2.LINE_AA, shift=4)
    alpha = cv2.GaussianBlur(mask, (0, 0), 0.6 * _FINER).astype(np.float32)[..., None] / 255
    left, right = fine[:, 0].min(), fine[:, 0].max()
    light = 1.06 - 0.22 * np.clip((np.arange(picture.shape[1]) - left) / max(right - left, 1), 0, 1)
    picture += alpha * (light[None, :, None] * np.array(colour, np.float32) + rng.normal(0, 1) - picture)


def _shrunk(outline: np.ndarray, share: float) -> np.ndarray:
    return outline.mean(0) + share * (outline - outline.mean(0))
