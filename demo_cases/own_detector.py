"""The example of a detector in one file: the shipped reference drawn with two errors in what the detector itself names."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
from PIL import Image

from featurediff.discovery import load_detector_file
from featurediff.geometry import apply
from featurediff.records import under
from featurediff.testing.kit import drawn_with
from featurediff.testing.kit.measure import picture_of, placed

# What is moved by how much, mm right and down, and the words for it.
ERRORS = {
    "hand/fingers/thumb": ((4.0, 0.0), "The thumb stands 4 mm too far right."),
    "bend of the middle finger": ((0.0, -4.0), "The bend of the middle finger is 4 mm high."),
}
DRAWING_PX = 2400


def make(folder: Path) -> None:
    """Write drawing.jpg and answer.json beside the detector and its reference."""
    detector = load_detector_file(folder / "hands.py")
    reference = picture_of(folder / "reference.jpg")
    photo = drawn_with(detector, reference, {name: move for name, (move, _) in ERRORS.items()}, seed=5)
    picture = Image.fromarray(photo.pixels)
    picture.thumbnail((DRAWING_PX, DRAWING_PX), Image.Resampling.BOX)
    picture.save(folder / "drawing.jpg", quality=84)
    subject = detector.find(reference, {})
    matrix = placed(subject, reference.pixels.shape[:2]).matrix
    answer = {
        "title": "A pointing hand, by a detector in one file, A4",
        "story": "A rendered hand that is nobody's (the mesh: webxr-input-profiles, MIT), drawn in restated pencil lines and "
        "photographed on a wooden table. Its detector is hands.py beside the pictures.",
        "sheet": "A4",
        "detector": "hands.py",
        "expected": [said for _, said in ERRORS.values()],
        "moves": [_move(subject, matrix, name, move) for name, (move, _) in ERRORS.items()],
    }
    (folder / "answer.json").write_text(json.dumps(answer, indent=2) + "\n", encoding="utf-8")


def _move(subject, matrix: np.ndarray, name: str, move: tuple[float, float]) -> dict:
    own = [each for each in subject.features if each.name == name or under(each.part, name)]
    middle = apply(matrix, np.vstack([each.points for each in own])).mean(0) + move
    return {"features": [each.name for each in own], "at_mm": [round(float(v), 2) for v in middle], "off_mm": list(move)}
