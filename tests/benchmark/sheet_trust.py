"""How well the sheet is found and how honest its trust figure is, on simulated photographs with known cameras.

Run: python tests/benchmark/sheet_trust.py [photos per floor] [first seed]. Prints one line per floor and kind of trouble: sheets
found, error over the sheet (rms and 95 %), the share of the sheet's points within the stated trust, tilt error, time.
"""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass

import cv2
import numpy as np

from featurediff.errors import SheetError
from featurediff.geometry import apply
from featurediff.records import Picture, Sheet
from featurediff.sheet.find import find_sheet
from featurediff.sheet.sizes import SHEETS
from featurediff.testing import paper
from featurediff.testing.camera import FLOORS, Photo, photograph
from featurediff.testing.hands import Placement, SimulatedSheet

TROUBLE: dict[str, dict] = {
    "plain": {},
    "shadow": {"shadow": 0.8, "light_falloff": 0.4},
    "lens 1 %": {"barrel": 0.01},
    "lens -1 %": {"barrel": -0.01},
    "cockle 2 mm": {"curl_mm": 2.0},
    "rounded": {"corner_mm": 6.0},
    "deckle": {"deckle_mm": 1.0},
    "noisy": {"noise_level": 4.0, "blur_px": 1.6, "jpeg_quality": 70},
}


@dataclass(frozen=True)
class Trial:
    """One photograph: the found sheet or None, errors (n,) in mm, true tilt, seconds."""

    sheet: Sheet | None
    errors: np.ndarray
    tilt_deg: float
    seconds: float


def scribbled_sheet(size_mm: tuple[float, float], rng: np.random.Generator, near_edges: bool) -> SimulatedSheet:
    """A sheet with some lines, a dark mass and, on request, a drawn frame 8 mm from the edges and a line over the edge."""
    k = 5.0
    width, height = round(size_mm[0] * k), round(size_mm[1] * k)
    ink = np.zeros((height, width), np.float32)
    for _ in range(30):
        start = rng.uniform([0.25 * width, 0.2 * height], [0.75 * width, 0.8 * height])
        end = start + rng.normal(0, 15 * k, 2)
        cv2.line(ink, tuple(map(int, start)), tuple(map(int, end)), 0.5, 2, cv2.LINE_AA)
    cv2.ellipse(ink, (width // 2, round(0.3 * height)), (width // 4, height // 8), 0, 180, 360, 0.6, -1)
    if near_edges:
        inset = round(8 * k)
        cv2.rectangle(ink, (inset, inset), (width - inset, height - inset), 0.5, 3)
        cv2.line(ink, (0, round(0.9 * height)), (width, round(0.85 * height)), 0.5, 3, cv2.LINE_AA)
    grey = paper.blank((height, width), k, rng) * (1 - ink)
    pixels = np.repeat(np.clip(grey * 255, 0, 255).astype(np.uint8)[..., None], 3, axis=2)
    return SimulatedSheet(pixels, k, Placement(size_mm, 1.0, 0.0, (0.0, 0.0)), None)


def try_one(floor: str, seed: int, trouble: dict, megapixels: float = 3.0) -> Trial:
    """Photograph a random sheet at a random tilt and turn, find it, and compare with the true camera."""
    rng = np.random.default_rng(seed)
    size = SHEETS[("A4", "A3", "imperial quarter", "9x12in")[seed % 4]]
    tilt = float(rng.uniform(0, 8))
    photo = photograph(
        scribbled_sheet(size, rng, near_edges=seed % 3 == 0),
        tilt_deg=tilt,
        tilt_axis_deg=float(rng.uniform(0, 360)),
        turn_deg=float(rng.uniform(-12, 12)),
        lens_mm=float(rng.uniform(23, 30)),
        fill=float(rng.uniform(0.7, 0.92)),
        megapixels=megapixels,
        floor=floor,
        seed=seed,
        **trouble,
    )
    began = time.perf_counter()
    try:
        sheet = find_sheet(Picture(photo.pixels, "simulated"), size)
    except SheetError:
        sheet = None
    seconds = time.perf_counter() - began
    if sheet is None or not sheet.squared:
        return Trial(None, np.zeros(0), tilt, seconds)
    return Trial(sheet, errors_mm(photo, sheet), tilt, seconds)


def errors_mm(photo: Photo, sheet: Sheet) -> np.ndarray:
    """(n,) distances in mm between true places all over the sheet and where the found sheet puts them."""
    width, height = sheet.size_mm
    at = np.linspace(0.05, 0.95, 10)
    places = np.array([(x * width, y * height) for x in at for y in at])
    return np.hypot(*(apply(sheet.to_mm, photo.project(places)) - places).T)


def main(per_floor: int, first_seed: int) -> None:
    print(
        f"{'floor':8}{'trouble':13}{'found':>7}{'rms mm':>8}{'95 % mm':>9}{'trust mm':>10}{'covered':>9}{'tilt deg':>10}{'s':>7}"
    )
    every: list[Trial] = []
    for floor in FLOORS:
        for name, trouble in TROUBLE.items():
            trials = [try_one(floor, first_seed + i, trouble) for i in range(per_floor)]
            every += trials
            print_line(floor, name, trials)
    print_line("all", "", every)


def print_line(floor: str, name: str, trials: list[Trial]) -> None:
    found = [trial for trial in trials if trial.sheet is not None]
    line = f"{floor:8}{name:13}{len(found):4}/{len(trials)}"
    if found:
        errors = np.concatenate([trial.errors for trial in found])
        covered = np.mean([np.mean(trial.errors <= trial.sheet.trust_mm) for trial in found])
        trust = np.median([trial.sheet.trust_mm for trial in found])
        tilt = max(abs(trial.sheet.tilt_deg - trial.tilt_deg) for trial in found)
        seconds = np.median([trial.seconds for trial in trials])
        line += f"{np.sqrt(np.mean(errors**2)):8.3f}{np.percentile(errors, 95):9.3f}{trust:10.2f}"
        line += f"{covered:9.2f}{tilt:10.2f}{seconds:7.2f}"
    print(line, flush=True)


if __name__ == "__main__":
    cv2.setNumThreads(2)
    main(*(int(value) for value in (sys.argv[1:] + ["2", "100"][len(sys.argv) - 1 :])))
