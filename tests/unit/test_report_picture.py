"""The picture of the list: written whole or not at all, callouts apart, arrows the right way."""

from __future__ import annotations

import numpy as np
import pytest
from PIL import Image, ImageDraw

from featurediff.records import Correction, LineUp, Report, Sheet
from featurediff.report import picture
from featurediff.report.picture import compose, draw


def correction(rank: int, at, move=None, turn=None) -> Correction:
    arrows = () if move is None else ((at, move),)
    return Correction(rank, "placement", f"Move thing {rank}.", "", at, move, turn, None, (), 0.9, 3.0, arrows)


def report(*corrections: Correction) -> Report:
    sheet = Sheet((210.0, 297.0), "scan", np.eye(3), None, 0.0, 4.0, 0.5, np.full(4, 0.2))
    return Report(
        "jugs", "picture", sheet, 160.0, "jug height", LineUp("fewest", 0.16, 0.0, (0, 0)), (), (), corrections, (), (), (), ()
    )


def paper(value: int = 200, scale: int = 4) -> np.ndarray:
    return np.full((297 * scale, 210 * scale, 3), value, np.uint8)


def accent(image: Image.Image) -> np.ndarray:
    """(n, 2) px of the arrow colour."""
    pixels = np.asarray(image).astype(int)
    near = (pixels[..., 0] > 120) & (pixels[..., 1] < 70) & (pixels[..., 2] < 90)
    y, x = np.nonzero(near)
    return np.column_stack([x, y])


@pytest.mark.parametrize("suffix", [".png", ".jpg"])
def test_it_is_written_and_nothing_else_is_left(tmp_path, suffix):
    path = tmp_path / f"report{suffix}"
    draw(report(correction(1, (100.0, 100.0), (0.0, -3.0))), paper(), 4.0, path)
    assert [each.name for each in tmp_path.iterdir()] == [path.name]
    with Image.open(path) as image:
        assert image.format == {".png": "PNG", ".jpg": "JPEG"}[suffix]
        assert max(image.size) <= 2 * picture.LONG_SIDE


def test_a_failed_write_leaves_the_old_picture(tmp_path, monkeypatch):
    path = tmp_path / "report.png"
    path.write_bytes(b"old")

    def fail(*_, **__):
        raise OSError("disk full")

    monkeypatch.setattr(Image.Image, "save", fail)
    with pytest.raises(OSError, match="disk full"):
        draw(report(), paper(), 4.0, path)
    assert path.read_bytes() == b"old"
    assert len(list(tmp_path.iterdir())) == 1


def test_the_drawing_is_paled_but_still_there():
    dark = paper(240)
    dark[400:420] = 40
    image = np.asarray(compose(report(), dark, 4.0)).astype(int)
    column = image[:, image.shape[1] // 2, 0]
    line = column[(column > 100) & (column < 200)]
    assert len(line) >= 10  # paled, not black, not gone
    assert column.min() > 100


@pytest.mark.parametrize("move", [(8.0, 0.0), (-8.0, 0.0), (0.0, 8.0), (0.0, -8.0), (1.0, 0.0), (0.0, -0.5)])
def test_arrows_start_at_the_spot_and_go_the_way_of_the_move(move):
    image = compose(report(correction(1, (100.0, 150.0), move)), paper(), 4.0)
    plain = compose(report(), paper(), 4.0)
    margin = (image.width - 840) / 2
    spot = np.array([margin + 400, margin + 600])
    assert plain.width == image.width
    pixels = accent(image)
    assert len(pixels) > 40
    along = (pixels - spot) @ (np.array(move) / np.hypot(*move))
    across = np.abs((pixels - spot) @ np.array([-move[1], move[0]]) / np.hypot(*move))
    assert along.mean() > 5
    assert along.min() > -6
    assert across.max() < 14
    assert along.max() == pytest.approx(max(np.hypot(*move) * 4, picture._SHORTEST * 1.188), abs=4)


@pytest.mark.parametrize(("turn", "right"), [(5.0, True), (-5.0, False)])
def test_a_turn_is_an_arc_with_its_head_on_the_side_it_goes_to(turn, right):
    image = compose(report(correction(1, (100.0, 150.0), None, turn)), paper(), 4.0)
    margin = (image.width - 840) / 2
    pixels = accent(image) - np.array([margin + 400, margin + 600])
    assert pixels[:, 1].max() < 5  # above the spot
    heavy = (pixels[:, 0] > 20).sum() - (pixels[:, 0] < -20).sum()
    assert (heavy > 0) == right


def test_numbers_keep_apart_and_inside():
    rng = np.random.default_rng(0)
    surface = Image.new("RGBA", (1800, 2400))
    canvas = picture.Canvas(ImageDraw.Draw(surface), surface.size, 2.0, 8.0, (0.0, 0.0))
    for _ in range(20):
        placed, lines = [], []
        spots = rng.uniform(200, 1600, (7, 2)) if _ % 2 else rng.uniform(800, 1000, (7, 2))
        for spot in spots:
            box = picture._place(canvas, "1", spot, placed, lines, list(spots), (0, 0, 1800, 2400))
            assert not any(picture._overlap(box, other, 0) for other in placed)
            assert min(box) >= 0
            assert box[2] <= 1800
            assert box[3] <= 2400
            placed.append(box)
            lines.append((spot, picture._middle(box)))


def test_a_spot_outside_the_sheet_does_not_break_it():
    compose(report(correction(1, (-40.0, 500.0), (3.0, 0.0)), correction(2, (209.0, 1.0), None, 4.0)), paper(), 4.0)


def test_a_huge_sheet_is_shrunk():
    image = compose(report(), np.full((4000, 2800, 3), 220, np.uint8), 13.0)
    assert max(image.size) < 2300
