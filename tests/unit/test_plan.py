"""A plan of invented subjects whose every length is known."""

from __future__ import annotations

import io
import json

import numpy as np
import pytest
from PIL import Image

from featurediff import cli
from featurediff.errors import CallError
from featurediff.pictures import Taking, taking
from featurediff.planning import words
from featurediff.planning.picture import draw
from featurediff.planning.placing import lying
from featurediff.planning.plan import make_plan
from featurediff.records import Advice, Feature, Group, Junction, Meeting, Picture, Row, Start, Subject
from featurediff.sheet.sizes import parse_length

A4 = (210.0, 297.0)
WIDTH, HEIGHT = 1000, 1400
REGION = np.array([[200.0, 200.0], [800.0, 200.0], [800.0, 1200.0], [200.0, 1200.0]])


def spot(name, x, y, part="", **more):
    return Feature(name, part or f"mask/{name}", "point", np.array([[x, y]], float), False, ("across", "down"), **more)


def mask(**more) -> Subject:
    """A mask 1000 px high, from y = 199.5 to 1199.5: at 160 mm one px is 0.16 mm."""
    features = (
        spot("horn", 500, 199.5),
        spot("foot", 500, 1199.5),
        spot("hole on the left", 350, 599.5, "mask/holes/left"),
        spot("hole on the right", 650, 609.5, "mask/holes/right"),
        spot("rivet on the left", 350, 999.5, "mask/rivets/left"),
        spot("left ear", 200, 700),
        spot("right ear", 800, 700),
    )
    starts = (
        Start("hole line", "down", ((("hole on the left", "middle"), ("hole on the right", "middle")),)),
        Start("middle of the holes", "across", ((("hole on the left", "middle"), ("hole on the right", "middle")),)),
        Start("hole to hole", "apart", ((("hole on the left", "middle"),), (("hole on the right", "middle"),))),
        Start("width", "across", ((("left ear", "middle"),), (("right ear", "middle"),))),
        Start("not there", "down", ((("tail", "middle"),),)),
    )
    return Subject(features, 1000.0, "mask height", REGION, **{"starts": starts, **more})


def picture(width=WIDTH, height=HEIGHT) -> Picture:
    rng = np.random.default_rng(0)
    return Picture(rng.integers(0, 255, (height, width, 3), dtype=np.uint8), "photo.png")


def plan_of(subject=None, taken=None, sheet=A4, shape=(WIDTH, HEIGHT), **more):
    return make_plan("masks", picture(*shape), subject or mask(), taken or Taking(50.0), sheet, **more)


def unwrapped(plan):
    return " ".join(words.text(plan).split())


def by_label(plan):
    return {each.label: each for each in plan.lengths}


# ---------------------------------------------------------------- lengths and place


def test_lengths_are_those_of_the_geometry():
    plan = plan_of(height_mm=160.0)
    found = by_label(plan)
    # The picture is 160 x 224 mm, centred: it begins at (25, 36.5). Pixel centres lie half a pixel in.
    assert plan.placement.frame == pytest.approx((25.0, 36.5, 185.0, 260.5))
    assert found["hole line"].mm == pytest.approx(36.5 + 605 * 0.16)
    assert found["middle of the holes"].mm == pytest.approx(25 + 500.5 * 0.16)
    assert found["hole to hole"].mm == pytest.approx(0.16 * np.hypot(300, 10))
    assert found["width"].mm == pytest.approx(96.0)
    assert "not there" not in found
    assert plan.placement.size_mm == pytest.approx(160.0)
    assert plan.px_per_mm == pytest.approx(6.25)


def test_text_says_them():
    text = words.text(plan_of(height_mm=160.0))
    assert text.startswith("masks on A4, upright (210 x 297 mm): mask height 160 mm.")
    assert "hole line: 133 mm from the top edge" in text
    assert "middle of the holes: 105 mm from the left edge" in text
    assert "hole to hole: 48 mm" in text
    assert "Free paper: 68 mm above, 68 mm below, 57 mm left, 57 mm right." in text
    assert "The whole picture is 160 x 224 mm at this size and fits the sheet." in text


def test_the_subject_is_put_where_it_is_asked_for():
    plan = plan_of(height_mm=100.0, top_mm=30.0, left_mm=12.0)
    left, top, right, bottom = plan.placement.margins
    assert (left, top) == pytest.approx((12.0, 30.0))
    assert bottom == pytest.approx(297 - 130)
    assert right == pytest.approx(210 - 12 - 60)


def test_without_a_height_the_picture_fits_with_air():
    plan = plan_of()
    left, top, right, bottom = plan.placement.frame
    assert min(left, top, 210 - right, 297 - bottom) >= 0.08 * 210 - 1e-6
    assert plan.placement.size_mm % 5 == pytest.approx(0.0, abs=1e-6)
    assert "--height sets it" in unwrapped(plan)


def test_what_does_not_fit_is_told_with_the_size_that_would():
    plan = plan_of(height_mm=320.0)
    (warning,) = [each for each in plan.remarks if each.level == "warning"]
    assert warning.text.startswith("It does not fit the sheet: 12 mm at the top and 12 mm at the foot run over the edge.")
    assert "A mask height of 287 mm fits" in warning.text
    assert "the sheet leaves out" in words.text(plan)
    assert not [each for each in plan_of(height_mm=287.0).remarks if "does not fit" in each.text]


def test_what_the_picture_itself_cuts_may_run_over_the_edge():
    wide = Subject(
        (*mask().features, spot("shoulder", 0, 1100), spot("other shoulder", 999, 1100)), 1000.0, "mask height", REGION,
        starts=mask().starts,
    )  # fmt: skip
    plan = plan_of(wide, height_mm=230.0)
    assert set(plan.placement.cut) == {"left", "right"}
    assert not [each for each in plan.remarks if "does not fit" in each.text]
    assert "It runs over the edge on the left and on the right, as it does in the picture." in unwrapped(plan)


def test_the_sheet_lies_as_the_picture_does():
    assert lying(A4, (1500, 1000), None) == (297.0, 210.0)
    assert lying((297.0, 210.0), (1000, 1500), None) == A4
    assert lying(A4, (1000, 1500), "landscape") == (297.0, 210.0)


# ---------------------------------------------------------------- general lengths


def line(name, a, b, part="house/walls", **more):
    measures = ("across", "down", "tilt")
    return Feature(name, f"{part}/{name}", "segment", np.array([a, b], float), False, measures, **{"importance": 0.6, **more})


def house(lean=0.0) -> Subject:
    """Four uprights, three levels, a row of windows; ``lean`` degrees to the right."""
    shift = 600 * np.tan(np.radians(lean))
    uprights = [line(f"upright {k}", (200 + 200 * k + shift, 400), (200 + 200 * k, 1000)) for k in range(4)]
    levels = [line(name, (200, y), (800, y)) for name, y in (("eaves", 400), ("string course", 700), ("base line", 1000))]
    window = np.array([[0, 0], [60, 0], [60, 90], [0, 90]], float)
    windows = [Feature(f"window {k + 1}", f"house/windows/{k}", "curve", window + (230 + 200 * k, 500), True) for k in range(3)]
    row = Row("windows", tuple(w.name for w in windows), tuple((w.name,) for w in windows), "across")
    corner = Junction("left wall, top", (("upright 0", 0), ("eaves", 0)))
    meeting = Meeting("receding lines", ("eaves",), np.array([3000.0, 800.0]))
    return Subject(
        (*uprights, *levels, *windows), 600.0, "height of the house", REGION, rows=(row,), junctions=(corner,),
        meetings=(meeting,), numbered=True,
    )  # fmt: skip


def test_a_subject_without_starts_gets_general_ones():
    plan = plan_of(house(), height_mm=120.0)
    found = by_label(plan)
    assert plan.size_label == "height of the whole"
    assert found["width of the whole"].mm == pytest.approx(120.0)
    assert found["foot of the whole"].mm - found["top of the whole"].mm == pytest.approx(120.0)
    assert found["eaves (5)"].how == "from the top edge"
    assert found["upright 0 (1)"].how == "from the left edge"
    assert found["windows, middle of the first to middle of the last"].mm == pytest.approx(80.0)
    assert found["eye level"].mm == pytest.approx(found["top of the whole"].mm + 80.0)
    assert len(plan.lengths) <= 14


def test_things_that_stand_by_themselves_are_measured_one_by_one():
    jug = Feature("jug", "table/jug/outline", "curve", np.array([[300, 300], [500, 300], [500, 700], [300, 700]], float), True)
    pear = Feature("pear", "table/pear/outline", "curve", np.array([[600, 500], [700, 500], [700, 650], [600, 650]], float), True)
    edge = line("table edge", (0, 800), (999, 800), "table")
    groups = (Group("table/jug", "jug", apart=True), Group("table/pear", "pear", apart=True))
    found = by_label(plan_of(Subject((jug, pear, edge), 400.0, "height of the group", REGION, groups=groups), height_mm=100.0))
    assert found["width of the jug"].mm == pytest.approx(50.0)
    assert found["height of the jug"].mm == pytest.approx(100.0)
    assert found["width of the pear"].mm == pytest.approx(25.0)
    assert found["width of the whole"].mm == pytest.approx(100.0), "the table's edge is not part of the group"


# ---------------------------------------------------------------- plumb and level


def lines_of(plan):
    return [words.relation_line(each) for each in plan.relations]


def test_a_plumb_relation_is_found():
    assert "The rivet on the left lies under the hole on the left." in lines_of(plan_of(height_mm=160.0))


def test_a_spot_beside_the_plumb_line_is_told_with_its_distance():
    features = (spot("horn", 500, 200, "mask/horn"), spot("foot", 515, 1000, "mask/foot"), spot("ear", 900, 600, "mask/ear"))
    plan = plan_of(Subject(features, 1000.0, "mask height", REGION), height_mm=150.0)
    (told,) = lines_of(plan)
    assert told == "The foot lies 3 mm right of the plumb line from the horn."


def test_what_lines_up_anyway_is_not_told():
    told = " ".join(lines_of(plan_of(house(), height_mm=120.0)))
    assert "window 1" not in told or "window 2" not in told  # of one row
    assert not any("upright 0" in each.split(" lies ")[0] and "upright 0" in each.split(" lies ")[1] for each in told.split(". "))


def test_relations_hold_on_the_reference():
    for subject in (mask(), house()):
        for each in plan_of(subject, height_mm=150.0).relations:
            k = 0 if each.direction == "plumb" else 1
            assert each.ends[1][k] - each.ends[0][k] == pytest.approx(each.off_mm)
            assert abs(each.off_mm) <= 0.025 * 150.0 + 1e-6
            assert each.ends[0][1 - k] < each.ends[1][1 - k]


def test_ends_that_a_detector_may_have_cut_are_no_spots():
    def arc(name, x, y, **more):
        t = np.linspace(0, np.pi, 9)
        return Feature(name, f"hand/{name}", "curve", np.column_stack([x + 60 * np.cos(t), y - 60 * np.sin(t)]), **more)

    ends = {"anchors": {"one end": 0, "other end": 8}}
    cut = Subject((arc("upper", 400, 400), arc("lower", 400, 800)), 600.0, "length of the hand", REGION)
    named = Subject((arc("upper", 400, 400, **ends), arc("lower", 400, 800, **ends)), 600.0, "length of the hand", REGION)
    assert not plan_of(cut, height_mm=120.0).relations
    assert any("one end of the lower lies under" in each.lower() for each in lines_of(plan_of(named, height_mm=120.0)))


# ---------------------------------------------------------------- the reference


def remarks(**more):
    return " ".join(each.text for each in plan_of(**{"height_mm": 160.0, **more}).remarks)


def test_a_lens_too_near_is_told_only_where_the_file_says_it():
    near = mask(near_deg=17.0)
    assert "too near is not known" in remarks(subject=near, taken=Taking())
    assert "has been cropped" in remarks(subject=near, taken=Taking(26.0, cropped=True))
    assert "seems to have stood too near" in remarks(subject=near, taken=Taking(26.0))
    assert "The file says 0.4 m." in remarks(subject=near, taken=Taking(26.0, 0.4))
    assert "near" not in remarks(subject=near, taken=Taking(130.0))
    assert "near" not in remarks(subject=mask(), taken=Taking())


def test_a_front_camera_is_only_suspected():
    assert "only suspected" in remarks(taken=Taking(50.0, front=True))
    assert "mirrored" not in remarks()


def test_a_coarse_picture_is_told():
    assert "too coarse" in remarks(height_mm=600.0)
    assert "is coarse for this size: 2.5 px" in remarks(height_mm=400.0)
    assert "coarse" not in remarks()


def test_leaning_uprights_are_told():
    assert "lean 3.0 degrees to the right" in remarks(subject=house(3.0))
    assert "lean 2.0 degrees to the left" in remarks(subject=house(-2.0))
    assert "lean" not in remarks(subject=house(0.4))


def test_what_leans_each_its_own_way_is_no_slanted_camera():
    """Sides of fingers or petals: near the plumb, all more to one side, and not alike."""
    leans = (3.0, 12.0, 1.0, 9.0, 6.0, 2.5)
    sides = [
        line(f"side {k}", (200 + 110 * k + 400 * np.tan(np.radians(lean)), 400), (200 + 110 * k, 800))
        for k, lean in enumerate(leans)
    ]
    subject = Subject(tuple(sides), 400.0, "length of the hand", REGION)
    assert "lean" not in remarks(subject=subject)


def test_lengths_that_would_be_measured_off_the_sheet_are_left_out():
    plan = plan_of(house(), height_mm=120.0, left_mm=-0.5)
    assert "left end of the whole" not in by_label(plan)
    assert by_label(plan)["right end of the whole"].mm > 0
    assert all(each.mm > 0 for each in plan.lengths)


def test_a_leaning_subject_is_told():
    assert "The subject leans 8 degrees to the left: draw it so." in remarks(subject=mask(axis_deg=-8.0))
    assert "leans" not in remarks(subject=mask(axis_deg=1.0))


def test_the_detectors_own_advice_is_told():
    assert "Mind the horns." in remarks(subject=mask(advice=(Advice("note", "Mind the horns."),)))


def test_what_a_file_says_about_its_taking(tmp_path):
    exif = Image.Exif()
    block = exif.get_ifd(0x8769)
    block[0xA405], block[0x9206], block[0xA434] = 26, 0.38, "a phone's Front Camera 2.7mm"
    block[0xA002], block[0xA003] = 4000, 3000
    Image.new("RGB", (400, 300)).save(tmp_path / "a.jpg", exif=exif)
    assert taking(tmp_path / "a.jpg") == Taking(26.0, pytest.approx(0.38), True, False)
    Image.new("RGB", (300, 300)).save(tmp_path / "b.jpg", exif=exif)
    assert taking(tmp_path / "b.jpg").cropped
    Image.new("RGB", (300, 300)).save(tmp_path / "c.png")
    assert taking(tmp_path / "c.png") == Taking()


# ---------------------------------------------------------------- picture, data, command


def test_the_picture_shows_no_pixel_of_the_reference():
    for subject in (mask(), house()):
        first = draw(plan_of(subject, height_mm=120.0))
        other = Picture(np.zeros((HEIGHT, WIDTH, 3), np.uint8), "photo.png")
        assert draw(make_plan("masks", other, subject, Taking(50.0), A4, height_mm=120.0)) == first
        with Image.open(io.BytesIO(first)) as shown:
            assert shown.format == "PNG" and shown.width >= 1200
            assert "dpi" not in shown.info


def test_no_line_runs_across_the_sheet():
    """No grid: between the sheet's edges no row or column of the picture is dark for more than half of it."""
    with Image.open(io.BytesIO(draw(plan_of(height_mm=160.0)))) as shown:
        dark = np.asarray(shown.convert("L")) < 128
    rows = np.flatnonzero(dark[:, 400:].mean(1) > 0.8)
    top, bottom = rows.min(), rows.max()
    columns = np.flatnonzero(dark[top:bottom].mean(0) > 0.9)
    inside = dark[top + 20 : bottom - 20, columns.min() + 20 : columns.max() - 20]
    assert inside.any()
    assert inside.mean(0).max() < 0.5 and inside.mean(1).max() < 0.5


def test_the_data_is_whole():
    data = json.loads(json.dumps(words.data(plan_of(height_mm=160.0)), allow_nan=False))
    assert data["to_mm"]["scale"] == pytest.approx(0.16)
    assert data["margins_mm"]["top"] == pytest.approx(68.5, abs=0.2)
    assert {each["label"] for each in data["lengths"]} >= {"hole line", "hole to hole"}
    assert data["relations"][0]["words"].endswith(".")


@pytest.mark.parametrize(("text", "mm"), [("160mm", 160), ("16 cm", 160), ("6.3in", 160.02), ("160", 160), ("12,5cm", 125)])
def test_lengths_as_typed(text, mm):
    assert parse_length(text) == pytest.approx(mm)


@pytest.mark.parametrize("text", ["", "tall", "0mm", "-5mm", "1e9", "5km", "3000mm"])
def test_no_length(text):
    with pytest.raises(CallError, match="is not a length on the paper"):
        parse_length(text)


def test_calls_that_are_wrong(tmp_path, capsys):
    Image.new("RGB", (400, 300), (200, 200, 200)).save(tmp_path / "photo.png")
    photo = str(tmp_path / "photo.png")
    for arguments, status, said in (
        ([photo, "--subject", "faces"], 2, "needs the size of the paper"),
        ([photo, "--sheet", "A4"], 2, "What is drawn is not said"),
        ([photo, "--sheet", "A99", "--subject", "faces"], 2, "is not a sheet size"),
        ([photo, "--sheet", "A4", "--subject", "faces", "--height", "tall"], 2, "is not a length on the paper"),
        ([photo, "--sheet", "A4", "--subject", "kites"], 2, "kites"),
        ([photo, "--sheet", "A4", "--subject", "architecture"], 3, "Hardly any lines of a building"),
        (["nowhere.jpg", "--sheet", "A4", "--subject", "architecture"], 3, "there is no such file"),
    ):
        assert cli.main(["plan", *arguments]) == status
        out, err = capsys.readouterr()
        assert said in err and "Traceback" not in err and not out
