"""A painted sign with three letters, rendered with exact curves: lettering as an example that is compared by marks alone."""

from __future__ import annotations

import cv2
import numpy as np

from featurediff.testing.scenes import Scene

WIDTH, HEIGHT = 1400, 1000
_FINER = 3  # painted at this many times the size, then shrunk


def sign(seed: int = 4) -> Scene:
    """The sign: board, and the letters C, O, T. Curves in px of the picture, pixel centres at integers."""
    rng = np.random.default_rng(seed)
    curves = _curves()
    picture = np.full((HEIGHT * _FINER, WIDTH * _FINER, 3), (118.0, 122, 112), np.float32)
    grain = cv2.resize(rng.normal(0, 1, (60, WIDTH // 8)).astype(np.float32), picture.shape[1::-1], interpolation=cv2.INTER_CUBIC)
    picture += 3.0 * grain[..., None]
    _paint(picture, curves["board"], (206, 190, 150))
    for name in ("C", "O", "T"):
        _paint(picture, curves[name], (44, 62, 84))
    _paint(picture, curves["O inside"], (206, 190, 150))
    pixels = cv2.resize(picture, (WIDTH, HEIGHT), interpolation=cv2.INTER_AREA)
    pixels = np.clip(pixels + rng.normal(0, 2.0, pixels.shape), 0, 255).astype(np.uint8)
    points = np.vstack(list(curves.values()))
    middle = (points.min(0) + points.max(0)) / 2
    return Scene("sign", pixels, curves, float(np.ptp(points[:, 1])), tuple(middle), straight=True)


def _curves() -> dict[str, np.ndarray]:
    """Closed outlines by name."""
    open_by = np.radians(46)
    turn = np.linspace(open_by, 2 * np.pi - open_by, 200)
    c = np.vstack([_ring((415, 500), 165, 215, turn), _ring((415, 500), 95, 142, turn[::-1])])
    full = np.linspace(0, 2 * np.pi, 200, endpoint=False)
    t = np.array([(890.0, 290), (1210, 290), (1210, 362), (1088, 362), (1088, 710), (1012, 710), (1012, 362), (890, 362)])
    board = np.array([(110.0, 170), (1290, 170), (1290, 840), (110, 840)])
    return {"board": board, "C": c, "O": _ring((705, 500), 150, 215, full), "O inside": _ring((705, 500), 82, 142, full), "T": t}


def _ring(middle, wide: float, high: float, at: np.ndarray) -> np.ndarray:
    return np.column_stack([middle[0] + wide * np.cos(at), middle[1] + high * np.sin(at)])


def _paint(picture: np.ndarray, outline: np.ndarray, colour: tuple[int, int, int]) -> None:
    """Fill an outline, its edges as sharp as a lens makes them."""
    mask = np.zeros(picture.shape[:2], np.uint8)
    cv2.fillPoly(mask, [np.round(((outline + 0.5) * _FINER - 0.5) * 16).astype(np.int32)], 255, lineType=cv2.LINE_AA, shift=4)
    alpha = cv2.GaussianBlur(mask, (0, 0), 0.6 * _FINER).astype(np.float32)[..., None] / 255
    picture += alpha * (np.array(colour, np.float32) - picture)
