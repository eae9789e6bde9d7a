"""Reports made by hand for the tests of rounds: an invented jug of eight features, each off by what it is told to be, plus noise.

The list is made by the plain rule that the engine's list comes to for single features: what is beyond its limit is told.
"""

from __future__ import annotations

import math

import numpy as np

from featurediff.piece.places import Frame
from featurediff.records import Correction, Deviation, FeatureResult, LineUp, Report, Sheet

TRUST, SIGMA, TOLERANCE = 0.6, 0.3, 1.0
# Where each feature lies on the reference, in px.
PLACES = {
    "rim": (500.0, 200.0),
    "spout": (700.0, 240.0),
    "handle": (260.0, 420.0),
    "shoulder on the left": (330.0, 380.0),
    "shoulder on the right": (670.0, 380.0),
    "belly": (500.0, 600.0),
    "foot": (500.0, 900.0),
    "shadow": (800.0, 910.0),
}
SIZE_PX = 1000.0


def report(
    off: dict[str, tuple[float, float]] | None = None,
    *,
    seed: int | None = None,
    noise: float = SIGMA,
    scale: float = 0.16,
    turn: float = 0.0,
    move: tuple[float, float] = (20.0, 60.0),
    unit: str = "mm",
    missing: tuple[str, ...] = (),
    stage: str = "placement",
    trust: float = TRUST,
) -> Report:
    """The report of a photograph in which ``off`` features are (x, y) mm off; without a seed there is no noise."""
    rng = np.random.default_rng(seed) if seed is not None else None
    per_mm = 100.0 / (SIZE_PX * scale) if unit == "%" else 1.0
    lineup = LineUp("fewest", scale * per_mm, turn, (move[0] * per_mm, move[1] * per_mm))
    frame = Frame((lineup.scale, turn, *lineup.move_mm), SIZE_PX * lineup.scale, unit)
    features, deviations, corrections, good = [], [], [], []
    for name, place in PLACES.items():
        if name in missing:
            features.append(FeatureResult(name, f"jug/{name}", False, "nothing is drawn there", None, None, None))
            continue
        value = np.array((off or {}).get(name, (0.0, 0.0)), float)
        value = (value + (rng.normal(0, noise, 2) if rng is not None else 0.0)) * per_mm
        at = np.array(frame.to_sheet(place)) + value
        features.append(FeatureResult(name, f"jug/{name}", True, "", tuple(at), tuple(value), SIGMA * per_mm))
        tolerance, sigma = TOLERANCE * per_mm, SIGMA * per_mm
        for measure, each in zip(("across", "down"), value, strict=True):
            deviations.append(Deviation(name, measure, float(each), unit, sigma, tolerance))
        beyond = np.abs(value) > max(tolerance, 2 * sigma, trust * per_mm)
        if not beyond.any():
            good.append(name)
            continue
        go = -np.where(beyond, value, 0.0)
        text = f"Move the {name} {math.hypot(*go):.1f} {unit}."
        arrow = ((float(at[0]), float(at[1])), (float(go[0]), float(go[1])))
        corrections.append(
            Correction(0, stage, text, "", *arrow, None, None, (name,), 0.9, float(np.hypot(*go)) / tolerance, (arrow,), "move")
        )
    corrections = sorted(corrections, key=lambda each: -each.size)
    ranked = tuple(_ranked(each, rank) for rank, each in enumerate(corrections, start=1))
    size = (210.0, 297.0) if unit == "mm" else None
    sheet = Sheet(size, "by its four edges", np.eye(3), None, 1.0, 6.0, trust * per_mm, np.full(4, 0.2), unit)
    return Report(
        "jugs",
        "picture",
        sheet,
        SIZE_PX * lineup.scale,
        "jug height",
        lineup,
        tuple(features),
        tuple(deviations),
        ranked[:7],
        ranked[7:],
        tuple(good),
        (),
        (),
    )


def _ranked(each: Correction, rank: int) -> Correction:
    from dataclasses import replace

    return replace(each, rank=rank)
