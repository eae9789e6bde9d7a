"""Pictures for the faces detector's tests: a rendered face that belongs to nobody, and things painted over it."""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np

from featurediff.api import Picture
from featurediff.testing.scenes import Scene, rendered_face

SIZE = (800, 1000)


@cache
def scene(seed: int = 2, **turns: float) -> Scene:
    """A rendered face; cached, because rendering takes seconds."""
    return rendered_face(seed, size=SIZE, **turns)


def as_picture(pixels: np.ndarray, name: str = "face.png") -> Picture:
    """The record the detector takes."""
    return Picture(np.ascontiguousarray(pixels), name)


def pupils(face: Scene) -> tuple[np.ndarray, np.ndarray, float]:
    """Middles of the eyes on the picture's left and right, and their distance in px."""
    left, right = (
        np.vstack([face.curves[f"upper lid {side}"], face.curves[f"lower lid {side}"]]).mean(0) for side in ("left", "right")
    )
    return left, right, float(np.hypot(*(right - left)))


def with_beard(face: Scene, seed: int = 0) -> np.ndarray:
    """Dark, uneven hair from the cheeks down over the chin, the lips left free."""
    left, right, unit = pupils(face)
    mesh = face.landmarks["mesh"]
    rim = mesh[[234, 93, 132, 58, 172, 136, 150, 149, 176, 148, 152, 377, 400, 378, 379, 365, 397, 288, 361, 323, 454]]
    middle = (left + right) / 2
    outer = middle + 1.06 * (rim - middle)
    inner = mesh[[454, 425, 436, 410, 0, 186, 216, 205, 234]]
    mask = np.zeros(face.pixels.shape[:2], np.float32)
    cv2.fillPoly(mask, [np.round(np.vstack([outer, inner])).astype(np.int32)], 1.0)
    lips = np.vstack([face.curves["upper lip edge"], face.curves["lower lip edge"][::-1]])
    cv2.fillPoly(mask, [np.round(lips).astype(np.int32)], 0.0)
    mask = cv2.GaussianBlur(mask, (0, 0), 0.02 * unit)[..., None]
    rng = np.random.default_rng(seed)
    strands = cv2.GaussianBlur(rng.normal(0, 1, mask.shape[:2]).astype(np.float32), (0, 0), sigmaX=1.0, sigmaY=3.0)
    hair = np.array([46.0, 34, 26]) + 40 * strands[..., None]
    return np.clip(face.pixels * (1 - 0.93 * mask) + hair * 0.93 * mask, 0, 255).astype(np.uint8)


def with_glasses(face: Scene, over_brows: bool = False) -> np.ndarray:
    """Dark rims round both eyes and a bridge; ``over_brows`` lets the upper rim run through the brows."""
    left, right, unit = pupils(face)
    pixels = face.pixels.copy()
    half = (0.36 * unit, 0.30 * unit if not over_brows else 0.33 * unit)
    thick = max(round(0.05 * unit), 2)
    lift = np.array([0, 0.06 * unit if not over_brows else -0.02 * unit])
    for eye in (left, right):
        at = np.round(eye + lift).astype(int)
        cv2.ellipse(pixels, tuple(map(int, at)), tuple(round(v) for v in half), 0, 0, 360, (20, 18, 18), thick, cv2.LINE_AA)
    bridge = [np.round(left + lift + [half[0], 0]).astype(int), np.round(right + lift - [half[0], 0]).astype(int)]
    cv2.line(pixels, tuple(map(int, bridge[0])), tuple(map(int, bridge[1])), (20, 18, 18), thick, cv2.LINE_AA)
    return pixels


def with_ears(face: Scene) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """Skin-coloured ears painted beside the cheeks, and their true outer edges (n, 2) by the picture's side."""
    left, right, unit = pupils(face)
    mesh = face.landmarks["mesh"]
    pixels, edges = face.pixels.copy(), {}
    for side, outward, rim in (("left", -1.0, 234), ("right", 1.0, 454)):
        centre = np.array([mesh[rim, 0] + outward * 0.02 * unit, (left[1] + right[1]) / 2 + 0.30 * unit])
        t = np.linspace(0, np.pi, 60) - np.pi / 2
        edge = centre + np.column_stack([outward * 0.26 * unit * np.cos(t), 0.48 * unit * np.sin(t)])
        cheek = mesh[rim] - [outward * 0.12 * unit, 0]
        colour = pixels[int(cheek[1]), int(cheek[0])].astype(float)
        mask = np.zeros(pixels.shape[:2], np.float32)
        cv2.fillPoly(mask, [np.round(np.vstack([edge, centre[None]]) * 16).astype(np.int32)], 1.0, cv2.LINE_AA, 4)
        shade = 1.0 - 0.25 * np.clip((np.abs(np.arange(pixels.shape[1]) - edge[30, 0]) < 0.05 * unit), 0, 1)
        mask = cv2.GaussianBlur(mask, (0, 0), 0.8)[..., None]
        pixels = np.clip(pixels * (1 - mask) + colour * shade[None, :, None] * mask, 0, 255).astype(np.uint8)
        edges[side] = edge
    return pixels, edges


def before_dark_wall(face: Scene) -> np.ndarray:
    """The background painted in the hair's own colour."""
    eyes = np.vstack(pupils(face)[:2]).mean(0)
    unit = pupils(face)[2]
    at = np.round(eyes - [0, 1.75 * unit]).astype(int)
    colour = np.median(face.pixels[at[1] - 5 : at[1] + 6, at[0] - 5 : at[0] + 6].reshape(-1, 3), axis=0)
    rng = np.random.default_rng(1)
    pixels = face.pixels.astype(float)
    pixels[~face.mask] = colour + rng.normal(0, 1.2, (int((~face.mask).sum()), 3))
    return np.clip(cv2.GaussianBlur(pixels, (0, 0), 0.7), 0, 255).astype(np.uint8)
