"""Reports of invented masks, as JSON holds them: what each feature is off by is said, the rest is noise of a known size."""

from __future__ import annotations

import numpy as np

from featurediff.blocks import blocks_of
from featurediff.records import (
    Correction,
    Deviation,
    Feature,
    FeatureResult,
    Group,
    LineUp,
    Pair,
    Report,
    Sheet,
    Subject,
)

SIZE_PX = 1000.0
SIGMA, TOLERANCE, TRUST = 0.3, 1.0, 0.6
# name -> part, place in px. A mask with two holes, two horns and a spout.
PLACES = {
    "hole on the left": ("mask/holes/left", (380.0, 420.0)),
    "hole on the right": ("mask/holes/right", (620.0, 420.0)),
    "slit on the left": ("mask/slits/left", (370.0, 330.0)),
    "slit on the right": ("mask/slits/right", (630.0, 330.0)),
    "horn on the left": ("mask/horns/left", (200.0, 60.0)),
    "horn on the right": ("mask/horns/right", (800.0, 60.0)),
    "spout": ("mask/spout/tip", (500.0, 640.0)),
    "foot of the spout": ("mask/spout/foot", (505.0, 560.0)),
    "rim on the left": ("mask/rim/left", (150.0, 700.0)),
    "rim on the right": ("mask/rim/right", (850.0, 700.0)),
    "tassel": ("mask/tassel", (500.0, 990.0)),
    "knot": ("mask/knot", (500.0, 900.0)),
}
SUBJECT = Subject(
    tuple(
        Feature(name, part, "point", np.array([at]), False, ("across", "down"), "B", 0.5) for name, (part, at) in PLACES.items()
    ),
    SIZE_PX,
    "mask height",
    np.array([[0.0, 0.0], [1000.0, 0.0], [1000.0, 1000.0], [0.0, 1000.0]]),
    groups=(Group("mask", "whole mask", "size"), Group("mask/spout", "spout and its foot", plural=True)),
    pairs=(
        Pair("holes", "mask/holes/left", "mask/holes/right"),
        Pair("holes and slits", "mask/holes/left", "mask/holes/right"),
        Pair("horns", "mask/horns/left", "mask/horns/right"),
        Pair("rim", "mask/rim/left", "mask/rim/right", width=True),
    ),
)
HOLES = ("hole on the left", "hole on the right")


def report(off=None, seed: int | None = None, size: float = 160.0, noise: float = SIGMA, turn: float = 0.0, field=None) -> dict:
    """The report of one mask drawn ``size`` mm high. ``off``: name -> (x, y) in % of the size, drawn minus reference; ``field``:
    a function of px from the middle (x, y) to (x, y) in % for all. ``seed`` None: no noise, else ``noise`` mm."""
    rng = np.random.default_rng(seed) if seed is not None else None
    scale = size / SIZE_PX
    features, deviations = [], []
    for name, (part, at) in PLACES.items():
        share = np.array((off or {}).get(name, (0.0, 0.0)), float)
        if field is not None:
            share = share + field(np.array(at) - 500.0)
        value = share / 100 * size + (rng.normal(0, noise, 2) if rng is not None else 0.0)
        place = np.array(at) * scale + 20.0 + value
        features.append(FeatureResult(name, part, True, "", tuple(place), tuple(value), SIGMA))
        deviations += [
            Deviation(name, measure, float(v), "mm", SIGMA, TOLERANCE)
            for measure, v in zip(("across", "down"), value, strict=True)
        ]
    sheet = Sheet((210.0, 297.0), "by its four edges", np.eye(3), None, 1.0, 6.0, TRUST, np.full(4, 0.2))
    lineup = LineUp("fewest", scale, turn, (20.0, 20.0))
    item = Correction(1, "placement", "Move the knot.", "", (0.0, 0.0), (1.0, 0.0), None, None, ("knot",), 0.9, 1.5)
    return Report(
        "masks", "picture", sheet, size, "mask height", lineup, tuple(features), tuple(deviations), (item,), (), (), (), (),
        blocks=blocks_of(SUBJECT),
    ).to_dict()  # fmt: skip


def piece(folder, made: dict) -> None:
    """A piece of one round with this report."""
    from featurediff.piece import encode
    from featurediff.piece.records import Round
    from featurediff.settings import Settings

    record = Round(1, made, (), (), (), (), (0.16, 0.0, 20.0, 20.0), 160.0, "mm", 0.0)
    (folder / "round-0001").mkdir(parents=True)
    (folder / "piece.json").write_bytes(encode.to_bytes(encode.piece_document(Settings(subject="faces"), ())))
    (folder / "round-0001" / "round.json").write_bytes(encode.to_bytes(encode.round_document(record)))
