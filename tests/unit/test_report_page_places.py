"""Where things are on the page: pictures laid on the sheet, marks beside their spots, type that fits the paper."""

from __future__ import annotations

import base64
import io
import itertools
import math
import re

import numpy as np
import page_kit as kit
import pytest
from PIL import Image

from featurediff import geometry
from featurediff.records import Feature
from featurediff.report import page_pictures, page_tags
from featurediff.report.page_marks import marks
from featurediff.report.page_print import ACROSS, BESIDE, Texts, print_form
from featurediff.report.page_window import Window, aim, lit, sheet_extent, windows

A4 = Window(0.0, 0.0, 210.0, 297.0)
BARE = np.zeros((300, 212), np.float32)


def decoded(picture) -> np.ndarray:
    with Image.open(io.BytesIO(base64.b64decode(picture.data))) as image:
        return np.asarray(image.convert("L")).astype(float)


def dot(picture) -> np.ndarray:
    """Where the dark dot of a picture is on the sheet, by the transform that the page gives it."""
    dark = np.maximum(120.0 - decoded(picture), 0.0)
    y, x = np.indices(dark.shape)
    px = np.array([(x * dark).sum(), (y * dark).sum()]) / dark.sum() + 0.5  # px counted from the picture's corner
    a, b, c, d, e, f = picture.to_sheet
    return np.array([a * px[0] + c * px[1] + e, b * px[0] + d * px[1] + f])


# ---------------------------------------------------------------- pictures


@pytest.mark.parametrize("size", [(700, 500), (3100, 2300)])  # the larger one is shrunk
@pytest.mark.parametrize("turn", [-8.0, 0.0, 5.0])
def test_a_spot_of_the_reference_lies_where_the_line_up_puts_it(size, turn):
    height, width = size
    reference = np.full((*size, 3), 230, np.uint8)
    place = np.array([width * 0.4, height * 0.6]).round()
    reference[int(place[1]) - 6 : int(place[1]) + 7, int(place[0]) - 6 : int(place[0]) + 7] = 0
    scale = 190.0 / height
    matrix = geometry.similarity_matrix(scale, turn, (20.0, 40.0))
    window = Window(30.0, 50.0, 120.0, 160.0)
    picture = page_pictures.reference_picture(reference, matrix, window)
    assert max(picture.width, picture.height) <= page_pictures.LONG_SIDE
    assert dot(picture) == pytest.approx(geometry.apply(matrix, place[None])[0], abs=0.3 * scale)


@pytest.mark.parametrize("window", [A4, Window(40.3, 61.7, 100.2, 120.9)])
def test_a_spot_of_the_drawing_lies_where_it_is_on_the_sheet(window):
    squared = np.full((297 * 6, 210 * 6, 3), 220, np.uint8)
    squared[600:611, 480:491] = 0
    picture = page_pictures.drawing_picture(page_pictures.evenly_lit(squared), 6.0, window)
    assert dot(picture) == pytest.approx([485.5 / 6, 605.5 / 6], abs=0.05)  # mm = (px + 0.5) / k


def test_shadow_goes_and_the_pencil_stays():
    ramp = np.linspace(120, 240, 210 * 3)[None, :].repeat(297 * 3, 0)
    ramp[400:403] *= 0.5
    squared = np.repeat(ramp[..., None], 3, 2).astype(np.uint8)
    shown = decoded(page_pictures.drawing_picture(page_pictures.evenly_lit(squared), 3.0, A4))
    bare = np.delete(shown, np.s_[390:414], axis=0)
    assert np.ptp(np.median(bare, axis=0)[20:-20]) < 8
    assert np.median(shown[401]) < 0.65 * np.median(bare)


def test_a_reference_that_is_not_in_the_window_is_left_out():
    far = geometry.similarity_matrix(0.1, 0.0, (1000.0, 1000.0))
    assert page_pictures.reference_picture(kit.reference_picture(), far, A4) is None


# ---------------------------------------------------------------- windows and lit places


def test_the_sheet_is_shown_whole_when_it_is_filled_and_in_part_when_not():
    sheet = sheet_extent(kit.sheet_picture(), 3.0)
    report = kit.report(kit.correction(1))
    page, pair = windows(report, kit.subject(), kit.located(), sheet)
    assert page == pytest.approx(page) and page.width < sheet.width
    for points in (each.points_mm for each in kit.located()):
        for window in (page, pair):
            assert all(window.clip(tuple(point)) == pytest.approx(tuple(point)) for point in points)
    small = Window(0.0, 0.0, 150.0, 210.0)
    assert windows(report, kit.subject(), kit.located(), small)[0] == small


def test_the_same_part_is_lit_in_both_pictures():
    report = kit.report(kit.correction(1, at=(90.0, 122.0), explains=("eye of the kite",)))
    pair = Window(0.0, 0.0, 210.0, 297.0)
    both = lit(report.corrections[0], report, kit.subject(), kit.located(), pair)
    wanted = geometry.apply(kit.MATRIX, kit.FEATURES[2].points)
    middle = np.array([both.reference.x + both.reference.width / 2, both.reference.y + both.reference.height / 2])
    assert middle == pytest.approx((wanted.min(0) + wanted.max(0)) / 2, abs=0.1)
    assert both.drawing.y > both.reference.y  # drawn 2 mm low
    assert both.reference.height < 60


def test_the_lines_go_to_the_very_line_of_the_reference():
    foot = geometry.apply(kit.MATRIX, kit.FEATURES[0].points)[0]
    line = kit.correction(1, tuple(foot + [0.5, 4.0]), (0.0, -3.5), explains=("spar on the left",))
    report = kit.report(line)
    found = aim(line, report, kit.subject(), A4)
    start, end = geometry.apply(kit.MATRIX, kit.FEATURES[0].points)
    way = (end - start) / np.hypot(*(end - start))
    assert abs(np.cross([*(np.array(found) - start), 0], [*way, 0])[2]) < 0.3
    round_one = kit.correction(1, (90.0, 120.0), (0.0, -3.0), explains=("eye of the kite",))
    assert aim(round_one, kit.report(round_one), kit.subject(), A4) == pytest.approx((90.0, 117.0))


# ---------------------------------------------------------------- arrows


def test_arrows_point_the_way_to_go_and_are_as_long_as_the_move_where_that_can_be_seen():
    (mark,) = marks([kit.correction(1, (100.0, 150.0), (12.0, -16.0))], A4, "mm", BARE, 1.0)
    (arrow,) = mark.arrows
    assert arrow.to_scale and arrow.start == (100.0, 150.0) and arrow.stop == pytest.approx((112.0, 134.0))


@pytest.mark.parametrize("move", [(0.0, -1.9), (1.0, 0.0), (-0.5, 0.5), (0.0, 3.0)])
def test_arrows_too_short_to_be_seen_are_drawn_longer_and_say_so(move):
    (mark,) = marks([kit.correction(1, (100.0, 150.0), move)], A4, "mm", BARE, 1.0)
    (arrow,) = mark.arrows
    way = np.subtract(arrow.stop, arrow.start)
    assert not arrow.to_scale and not mark.to_scale
    assert math.hypot(*way) > math.hypot(*move)
    assert way @ np.array(move) == pytest.approx(math.hypot(*way) * math.hypot(*move))


def test_below_2_mm_no_arrow_is_to_scale_however_small_the_window():
    tiny = Window(90.0, 140.0, 20.0, 25.0)  # here 1.9 mm could be seen well
    (mark,) = marks([kit.correction(1, (100.0, 150.0), (0.0, -1.9))], tiny, "mm", BARE, 1.0)
    assert not mark.to_scale
    (mark,) = marks([kit.correction(1, (100.0, 150.0), (0.0, -2.1))], tiny, "mm", BARE, 1.0)
    assert mark.to_scale


@pytest.mark.parametrize(("turn", "sweep"), [(3.0, 1), (-3.0, 0)])
def test_a_turn_is_an_arc_the_right_way_round(turn, sweep):
    """SVG 2, paths: the sweep flag is 1 where an arc runs towards growing angles, which is clockwise, as y points down."""
    (mark,) = marks([kit.correction(1, (100.0, 150.0), None, turn)], A4, "mm", BARE, 1.0)
    (arrow,) = mark.arrows
    flags = re.fullmatch(r"M(\S+) (\S+) A\S+ \S+ 0 0 ([01]) (\S+) (\S+)", arrow.shaft).groups()
    assert int(flags[2]) == sweep
    assert (float(flags[3]) > float(flags[0])) == (turn > 0)
    assert not arrow.to_scale


# ---------------------------------------------------------------- numbers


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("spread", [4.0, 20.0, 80.0])
def test_numbers_hide_neither_each_other_nor_a_spot_nor_an_arrow(seed, spread):
    rng = np.random.default_rng(seed)
    middle = rng.uniform([40, 60], [170, 230])
    spots = np.clip(rng.normal(middle, spread, (7, 2)), [2, 2], [208, 295])
    moves = rng.normal(0, 3, (7, 2))
    listed = [kit.correction(k + 1, tuple(map(float, spots[k])), tuple(map(float, moves[k]))) for k in range(7)]
    placed = marks(listed, A4, "mm", BARE, 1.0)
    for mark in placed:
        x, y = mark.at
        assert mark.radius <= x <= 210 - mark.radius and mark.radius <= y <= 297 - mark.radius
        assert min(math.dist(mark.at, other.spot) for other in placed) > mark.radius
    for a, b in itertools.combinations(placed, 2):
        assert math.dist(a.at, b.at) > a.radius + b.radius
    if spread >= 20:
        hidden = sum(
            math.dist(mark.at, tuple(np.add(arrow.start, share * np.subtract(arrow.stop, arrow.start)))) < mark.radius
            for mark in placed for other in placed for arrow in other.arrows for share in (0, 0.5, 1)
        )  # fmt: skip
        assert hidden == 0


def test_numbers_keep_off_what_is_drawn():
    dark = BARE.copy()
    dark[:, 101:] = 0.5  # all to the right of the spot is drawn upon
    (mark,) = marks([kit.correction(1, (100.0, 150.0), (0.0, -3.0))], A4, "mm", dark, 1.0)
    assert mark.at[0] + mark.radius <= 102


def test_numbers_of_parts_keep_off_each_other_and_off_the_marks():
    square = np.array([[0.0, 0.0], [6.0, 0.0], [6.0, 6.0], [0.0, 6.0]])
    curves = {
        k: (Feature(f"pane {k}", f"pane/{k}", "curve", square, closed=True), square + [80 + 7 * (k % 4), 100 + 7 * (k // 4)])
        for k in range(1, 13)
    }
    placed = marks([kit.correction(1, (95.0, 110.0), (0.0, -3.0))], A4, "mm", BARE, 1.0)
    tags = page_tags.tags(curves, A4, 4.0, placed)
    assert [tag.number for tag in tags] == list(range(1, 13))
    assert min(math.dist(a.at, b.at) for a, b in itertools.combinations(tags, 2)) > 2.5
    assert min(math.dist(tag.at, placed[0].at) for tag in tags) > placed[0].radius
    assert page_tags.named(["Level the sills (12-14).", "It belongs level with the eaves (3), 5 mm (small: if near)."]) == (
        3,
        12,
        13,
        14,
    )


# ---------------------------------------------------------------- paper


def texts(count: int, long: bool) -> Texts:
    line = (kit.LONG[0], kit.LONG_CHECK, "worse") if long else ("Raise the bow 3 mm.", "It belongs level with the tail.", "")
    return Texts([line] * count, (), (("Sheet", "210 x 297 mm: by its four edges."),), ("Dab, do not rub.",), "x" * 200)


def test_type_is_as_large_as_the_texts_allow():
    sizes = [print_form(texts(count, True), 210, 297).points for count in range(8)]
    assert sizes == sorted(sizes, reverse=True)
    assert sizes[0] > sizes[-1] >= 6.0
    assert print_form(texts(7, False), 210, 297).points > print_form(texts(7, True), 210, 297).points


def test_wide_drawings_lie_across_the_page():
    assert print_form(texts(3, False), 297, 210).layout == ACROSS
    assert print_form(texts(3, False), 210, 297).layout == BESIDE
