"""The numbered reference: every feature has its number, none hides another."""

from __future__ import annotations

import numpy as np
from PIL import Image, ImageDraw

from featurediff.records import Feature, Subject
from featurediff.report import numbers


def subject(features: list[Feature]) -> Subject:
    points = np.vstack([each.points for each in features])
    return Subject(tuple(features), 400.0, "height", points, numbered=True)


def posts(count: int, apart: float) -> list[Feature]:
    return [
        Feature(f"post {k}", f"fence/{k}", "segment", np.array([[60.0 + apart * k, 100.0], [60.0 + apart * k, 500.0]]))
        for k in range(count)
    ]


def test_each_number_is_written_once_inside_and_apart(monkeypatch):
    written, boxes = [], []
    text = ImageDraw.ImageDraw.text
    monkeypatch.setattr(
        ImageDraw.ImageDraw, "text", lambda self, xy, said, **more: (written.append(said), text(self, xy, said, **more))[1]
    )
    place = numbers._number
    monkeypatch.setattr(numbers, "_number", lambda *a: boxes.append(place(*a)) or boxes[-1])
    features = [*posts(20, 14.0), Feature("knob", "fence/knob", "point", np.array([[5.0, 5.0]]))]
    image = numbers.numbered(subject(features), np.full((600, 700, 3), 200, np.uint8))
    assert image.size == (700, 600)
    assert written == [str(k + 1) for k in range(21)]
    for k, box in enumerate(boxes):
        assert (box >= 0).all()
        assert (box[[0, 2]] <= 700).all()
        assert (box[[1, 3]] <= 600).all()
        assert not any(numbers._overlap(box, other) for other in boxes[:k])


def test_a_line_is_marked_where_it_lies_on_a_shrunk_picture():
    line = Feature("kerb", "kerb", "segment", np.array([[400.0, 2000.0], [2400.0, 2000.0]]))
    image = np.asarray(numbers.numbered(subject([line]), np.full((2800, 2800, 3), 128, np.uint8))).astype(int)
    assert max(image.shape) == numbers.LONG_SIDE
    red = np.argwhere(image[..., 0] - image[..., 1] > 60)
    assert abs(red[:, 0].mean() - 999.75) < 1.5
    assert abs(red[:, 1].min() - 200) < 4
    assert abs(red[:, 1].max() - 1200) < 4


def test_it_is_written_as_png(tmp_path):
    numbers.draw_numbers(subject(posts(3, 40.0)), np.zeros((600, 300, 3), np.uint8), tmp_path / "numbers.png")
    with Image.open(tmp_path / "numbers.png") as image:
        assert image.size == (300, 600)
