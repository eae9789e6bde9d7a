"""True outlines of a rendered head: where one part ends and another begins, as smooth named curves."""

from __future__ import annotations

import cv2
import numpy as np

from featurediff.geometry import normals


def outlines(parts: dict[str, np.ndarray], chin: np.ndarray, mouth_y: float, brow_y: float, cm: float) -> dict[str, np.ndarray]:
    """Named curves (n, 2) px from masks (h, w) bool: "skin", "hair", "ear left", "ear right", "neck", "clothes", and
    "behind": hair that lies behind the skin next to it, against which jaw and cheek are still outlines of the face.

    ``chin`` (2,) px, ``mouth_y`` and ``brow_y``: levels in px, ``cm``: px per centimetre at the face.
    """
    out: dict[str, np.ndarray] = {}
    free = ~np.any(list(parts.values()), axis=0)
    open_below = free | parts["neck"] | parts["clothes"] | parts["behind"]
    for line in _contours(parts["skin"], cm):
        below = _runs(line, _beside(line, open_below) & (line[:, 1] > brow_y), cm)
        for run in below:
            _jaw(run, chin, mouth_y, cm, out)
        for run in _runs(line, _beside(line, parts["hair"] & ~parts["behind"]), cm):
            _hairline(run, chin, brow_y, cm, out)
    for line in _contours(parts["hair"], cm):
        for run in _runs(line, _beside(line, free), cm):
            left, right = run[:, 0] < chin[0] - 3.2 * cm, run[:, 0] > chin[0] + 3.2 * cm
            _keep_each(
                run, {"hair outline left": left, "hair outline right": right, "hair outline top": ~(left | right)}, cm, out
            )
    for side in ("left", "right"):
        for line in _contours(parts[f"ear {side}"], cm):
            for run in _runs(line, _beside(line, free | parts["neck"]), cm):
                _keep(f"ear {side}", run, cm, out)
    for line in _contours(parts["neck"], cm):
        for run in _runs(line, _beside(line, free), cm):
            _keep("neck side left" if run[:, 0].mean() < chin[0] else "neck side right", run, cm, out)
        for run in _runs(line, _beside(line, parts["clothes"]), cm):
            _keep("collar", run, cm, out)
    for line in _contours(parts["clothes"], cm):
        for run in _runs(line, _beside(line, free), cm):
            _keep_each(run, {"shoulder left": run[:, 0] < chin[0], "shoulder right": run[:, 0] >= chin[0]}, cm, out)
    return out


def _jaw(run: np.ndarray, chin: np.ndarray, mouth_y: float, cm: float, out: dict[str, np.ndarray]) -> None:
    middle = (np.abs(run[:, 0] - chin[0]) < 2.2 * cm) & (run[:, 1] > mouth_y)
    left = run[:, 0] < chin[0]
    low = run[:, 1] > mouth_y - 0.3 * cm
    pieces = {"chin": middle}
    for side, here in (("left", left), ("right", ~left)):
        pieces[f"jaw {side}"] = here & low & ~middle
        pieces[f"cheek line {side}"] = here & ~low
    _keep_each(run, pieces, cm, out)


def _hairline(run: np.ndarray, chin: np.ndarray, brow_y: float, cm: float, out: dict[str, np.ndarray]) -> None:
    left = run[:, 0] < chin[0]
    high = run[:, 1] < brow_y - 0.5 * cm
    _keep_each(run, {"hairline": high, "hair edge left": ~high & left, "hair edge right": ~high & ~left}, cm, out)


def _contours(mask: np.ndarray, cm: float) -> list[np.ndarray]:
    """Outer contours, (n, 2) px, about a pixel apart, clockwise, smoothed over 0.1 cm; specks dropped.

    The pixel staircase of a mask is half a pixel wide; it is traced at the 0.5 level of the softly blurred mask and averaged.
    """
    big = cv2.resize(mask.astype(np.uint8) * 255, None, fx=2, fy=2, interpolation=cv2.INTER_NEAREST)
    big = cv2.GaussianBlur(big, (0, 0), 2.0)
    found, _ = cv2.findContours((big > 127).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    lines = []
    for contour in found:
        line = (contour[:, 0].astype(float) + 0.5) / 2 - 0.5
        if len(line) > 8 * cm:
            lines.append(_closed_smooth(line[::2], 0.08 * cm))
    return lines


def _closed_smooth(line: np.ndarray, sigma: float) -> np.ndarray:
    reach = int(np.ceil(3 * sigma))
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma) ** 2)
    kernel /= kernel.sum()
    padded = np.vstack([line[-reach:], line, line[:reach]])
    smooth = np.column_stack([np.convolve(padded[:, i], kernel, "valid") for i in (0, 1)])
    # findContours runs through the outermost pixels of the mask: the true border lies a quarter pixel further out.
    area = 0.5 * np.sum(smooth[:, 0] * np.roll(smooth[:, 1], -1) - np.roll(smooth[:, 0], -1) * smooth[:, 1])
    return smooth - np.sign(area) * 0.25 * normals(smooth, closed=True)


def _beside(line: np.ndarray, mask: np.ndarray, away: float = 3.0) -> np.ndarray:
    """(n,) bool: does ``mask`` lie just outside the closed line?"""
    area = 0.5 * np.sum(line[:, 0] * np.roll(line[:, 1], -1) - np.roll(line[:, 0], -1) * line[:, 1])
    outside = line - np.sign(area) * away * normals(line, closed=True)
    cells = np.round(outside).astype(int)
    h, w = mask.shape
    inside = (cells >= 0).all(1) & (cells[:, 0] < w) & (cells[:, 1] < h)
    hit = np.zeros(len(line), bool)
    hit[inside] = mask[cells[inside, 1], cells[inside, 0]]
    return hit


def _runs(line: np.ndarray, keep: np.ndarray, cm: float) -> list[np.ndarray]:
    """The stretches of a closed line where ``keep`` holds, small gaps bridged."""
    if keep.all():
        return [line]
    if not keep.any():
        return []
    start = int(np.flatnonzero(~keep)[0])
    line, keep = np.roll(line, -start, 0), np.roll(keep, -start)
    gap = max(int(0.15 * cm), 2)
    solid = cv2.morphologyEx(keep.astype(np.uint8)[None], cv2.MORPH_CLOSE, np.ones((1, gap), np.uint8))[0].astype(bool)
    cuts = np.flatnonzero(np.diff(solid.astype(int))) + 1
    parts = zip(np.split(line, cuts), np.split(solid, cuts), strict=True)
    return [run for run, on in parts if on.all() and len(run) > 0.4 * cm]


def _keep_each(run: np.ndarray, pieces: dict[str, np.ndarray], cm: float, out: dict[str, np.ndarray]) -> None:
    for name, here in pieces.items():
        cuts = np.flatnonzero(np.diff(here.astype(int))) + 1
        for part, on in zip(np.split(run, cuts), np.split(here, cuts), strict=True):
            if on.all():
                _keep(name, part, cm, out)


def _keep(name: str, run: np.ndarray, cm: float, out: dict[str, np.ndarray]) -> None:
    """Keep the longest stretch of each name."""
    if len(run) > 0.5 * cm and len(run) > len(out.get(name, ())):
        out[name] = run
