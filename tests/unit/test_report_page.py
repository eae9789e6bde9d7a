"""The page: what it says, what it must not hold, what it can't be made to do by the words in it."""

from __future__ import annotations

import base64
import hashlib
import io
import json
import re
from dataclasses import replace

import numpy as np
import page_kit as kit
import pytest
from PIL import Image

from featurediff.records import Advice
from featurediff.report.page import page
from featurediff.report.page_notes import RoundNotes

HOSTILE = "</script></style><img src=x onerror=alert(1)>'\"&{{7*7}}<!--"


def made(report, notes=None, name="", **more) -> str:
    return page(
        report, more.get("squared", kit.sheet_picture()), 3.0, more.get("reference", kit.reference_picture()),
        more.get("subject", kit.subject()), kit.located(), notes, name,
    )  # fmt: skip


@pytest.fixture(scope="module")
def full() -> str:
    return made(kit.report(*kit.seven(), later=kit.seven()[:2], capture=kit.ADVICE))


# ---------------------------------------------------------------- what it says


def test_every_text_of_the_report_is_on_the_page(full):
    report = kit.report(*kit.seven(), later=kit.seven()[:2], capture=kit.ADVICE)
    data, shown = report.to_dict(), kit.Reader(full).text
    for each in data["corrections"]:
        assert f"{each['rank']} {each['text']}" in shown
    for each in (*data["corrections"], *data["later"]):
        assert each["text"] in shown
        assert f"Check by eye: {each['check']}" in shown
    for each in (*data["capture"], *({"text": item["why"]} for item in data["not_judged"])):
        assert each["text"] in shown
    for name in (*data["good"], *data["undecided"]):
        assert name in shown.lower()
    assert f"trusted to {data['sheet']['trust_mm']:.1f} mm" in shown
    assert f"camera tilted {data['sheet']['tilt_deg']:.1f} degrees" in shown
    assert f"{data['sheet']['size_mm'][0]:.0f} x {data['sheet']['size_mm'][1]:.0f} mm" in shown
    assert f"height of the kite {data['size']['length']:.0f} mm" in shown
    assert f"turned {data['lineup']['turn_deg']:.1f} degrees clockwise" in shown
    assert "as you look at the paper" in shown
    assert "kneaded eraser" in shown and "Fixative" in shown


def test_each_line_has_a_tick_box_a_mark_and_an_alternative_text_that_says_it(full):
    read = kit.Reader(full)
    boxes = {each["id"]: each for each in read.all("input") if each["type"] == "checkbox"}
    links = {each["id"]: each for each in read.all("a") if "id" in each}
    for each in kit.seven():
        assert each.text in boxes[f"tick-{each.rank}"]["aria-label"]
        assert each.text in links[f"mark-{each.rank}"]["aria-label"]
        assert links[f"mark-{each.rank}"]["href"] == f"#fix-{each.rank}"
    (image,) = [each for each in read.all("g") if "seen square on, with a number" in each.get("aria-label", "")]
    assert all(each.text in image["aria-label"] for each in kit.seven())


def test_links_within_the_page_lead_somewhere(full):
    read = kit.Reader(full)
    names = [attributes["id"] for _, attributes in read.elements if "id" in attributes]
    assert len(names) == len(set(names))
    targets = [attributes["href"] for _, attributes in read.elements if attributes.get("href", "").startswith("#")]
    assert len(targets) >= 2 * 7
    assert {target[1:] for target in targets} <= set(names)
    for attribute in ("for", "aria-labelledby"):
        assert {attributes[attribute] for _, attributes in read.elements if attribute in attributes} <= set(names)


def test_letters_at_the_sides_and_folds_for_the_rest(full):
    read = kit.Reader(full)
    assert re.findall(r">([LR])</text>", full) == ["L", "R", "L", "R"]
    assert len(read.all("details")) == 3
    assert not [each for each in read.all("details") if "open" in each]
    assert "Can wait (2)" in read.text and "Good, leave alone (1)" in read.text


def test_an_arrow_that_is_not_to_scale_is_told(full):
    assert "not to scale" in kit.Reader(full).text
    labels = [each["aria-label"] for each in kit.Reader(full).all("a") if "aria-label" in each]
    assert [label.endswith("The arrow is not to scale.") for label in labels] == [True, True, True, True, False, True, False]
    true_to_scale = made(kit.report(kit.correction(1, move=(0.0, -30.0))))
    assert "not to scale" not in kit.Reader(true_to_scale).text
    assert "as long as the move" in kit.Reader(true_to_scale).text


def test_nothing_left_to_fix():
    read = kit.Reader(made(kit.report()))
    assert "Close enough to paint." in read.text
    assert not [each for each in read.all("input") if each["id"].startswith("tick")]


def test_what_became_of_the_lines_since_the_last_round():
    notes = RoundNotes(
        3, "1 done, 1 went too far, 1 worse", {1: "went 1.5 mm too far", 2: "worse"}, (2,),
        "Mind the paper at 2.", ("Widen the bow 2 mm.",), ("Left as you drew it: the string.",),
    )  # fmt: skip
    read = kit.Reader(made(kit.report(kit.correction(1), kit.correction(2, (100.0, 150.0))), notes))
    for said in (
        "To-fix sheet, round 3",
        "Round 3: 1 done, 1 went too far, 1 worse.",
        "Widen the bow 2 mm.",
        "Left as you drew it",
    ):
        assert said in read.text
    assert "went 1.5 mm too far" in read.text and "worse mind the paper here" in read.text and "Mind the paper at 2." in read.text


def test_the_page_of_a_piece_round_by_round():
    """The words come from the rounds' own records."""
    import piece_kit

    from featurediff.piece.follow import follow
    from featurediff.piece.notes import notes
    from featurediff.settings import Settings

    off = {"rim": (0, 3), "spout": (3.5, 0), "handle": (-4, 0), "belly": (0, -3)}
    first, _ = follow(piece_kit.report(off), Settings(), (), ())
    assert notes(first, 3).states == {}
    second, told = follow(piece_kit.report({"belly": (0, 1.5), "handle": (-6.5, 0), "foot": (3, 3)}), Settings(), (first,), ())
    said = notes(second, 3)
    by_part = {each.explains[0]: said.states[each.rank] for each in told.corrections}
    assert by_part == {"belly": "went 1.5 mm too far", "handle": "worse", "foot": "new"}
    assert len(said.done) == 2


def test_parts_known_by_numbers_carry_them():
    line = kit.correction(1, text="Raise the eye of the kite (3) 3 mm.", check="It belongs level with the bow (5).")
    read = kit.Reader(made(kit.report(line), subject=kit.subject(numbered=True)))
    tags = [attributes for name, attributes in read.elements if name == "text" and attributes.get("class") == "tag"]
    assert len(tags) == 2 + 2 * (2 + 5)  # on the sheet, and in both pictures those of the line and all of them
    plain = kit.Reader(made(kit.report(line)))
    assert not [each for each in plain.all("text") if each.get("class") == "tag"]


def test_sides_of_the_sitter_and_lengths_in_per_cent():
    read = kit.Reader(made(kit.report(kit.correction(1), sides="sitter")))
    assert "Parts are named by the sitter's own left and right" in read.text
    shown = made(kit.report(kit.correction(1), unit="%", size_mm=None))
    assert json.loads(kit.Reader(shown).scripts[0][1])["unit"] == "% of the height of the kite"


# ---------------------------------------------------------------- what it must not hold


def test_nothing_is_fetched_from_anywhere(full):
    read = kit.Reader(full)
    words = re.sub(r"base64,[A-Za-z0-9+/=]+", "", full)
    assert not re.search(r"https?:|//\w|@import|url\(|fetch|XMLHttp|WebSocket|sendBeacon|localStorage", words, re.IGNORECASE)
    for name, attributes in read.elements:
        assert name not in ("link", "iframe", "object", "embed", "form", "base", "img", "video", "audio", "source")
        for attribute in ("href", "src", "srcset", "action", "xlink:href", "style", "data"):
            value = attributes.get(attribute, "#")
            assert value.startswith(("#", "data:image/jpeg;base64,")), (name, attribute, value[:40])


def test_the_policy_lets_nothing_in_and_names_our_own_code(full):
    """W3C Content Security Policy Level 3: an inline block is allowed by the base 64 of the SHA-256 of its text."""
    read = kit.Reader(full)
    (policy,) = [each["content"] for each in read.all("meta") if each.get("http-equiv") == "Content-Security-Policy"]
    rules = dict(rule.strip().split(" ", 1) for rule in policy.split(";"))
    assert rules["default-src"] == "'none'" and rules["img-src"] == "data:"

    def named(text):
        return "'sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode() + "'"

    code = [text for attributes, text in read.scripts if attributes.get("type") != "application/json"]
    assert [named(text) for text in code] == [rules["script-src"]]
    assert [named(text) for text in read.styles] == [rules["style-src"]]


def test_words_are_never_code():
    report = kit.report(
        kit.correction(1, text=HOSTILE, check=HOSTILE), later=(kit.correction(2, text=HOSTILE),),
        capture=(Advice("note", HOSTILE),),
    )  # fmt: skip
    report = replace(report, size_label=HOSTILE, good=(HOSTILE,), lineup=replace(report.lineup, remark=HOSTILE))
    notes = RoundNotes(2, HOSTILE, {1: HOSTILE}, (1,), HOSTILE, (HOSTILE,), (HOSTILE,))
    read = kit.Reader(made(report, notes, HOSTILE))
    assert len(read.scripts) == 2 and len(read.styles) == 1
    assert not read.all("img")
    assert not [name for name, attributes in read.elements if any(key.startswith("on") for key in attributes)]
    assert read.text.count(HOSTILE) >= 10
    unit = replace(report, sheet=replace(report.sheet, unit="%"))
    html = made(unit, notes, HOSTILE)
    data = kit.Reader(html).scripts[0][1]
    assert HOSTILE in json.loads(data)["unit"] and "</" not in data


def test_no_line_of_the_reference_is_drawn(full):
    """Never an outline to trace: no path has more corners than an arrow or a frame, whatever the reference holds."""
    read = kit.Reader(full)
    assert not read.all("polyline") and not read.all("polygon")
    paths = [attributes["d"] for attributes in read.all("path")]
    assert paths
    assert max(len(re.findall(r"[MLAhvHVCQST]", path)) for path in paths) <= 8
    rich = tuple(
        replace(each, points=np.repeat(each.points, 40, 0) + np.linspace(0, 1, 40 * len(each.points))[:, None])
        for each in kit.FEATURES
    )
    report = kit.report(*kit.seven())
    assert len(kit.Reader(made(report, subject=kit.subject(features=rich))).all("path")) == len(
        kit.Reader(made(report)).all("path")
    )


def test_on_paper_the_reference_is_left_out(full):
    (style,) = kit.Reader(full).styles
    printed = style[style.index("@media print") :]
    assert re.search(r"\.pair[^{}]*{ display: none !important; }", printed)
    assert "shows your sitter" in kit.Reader(full).text


def test_without_a_reference_there_is_no_second_picture():
    html = page(kit.report(kit.correction(1)), kit.sheet_picture(), 3.0)
    read = kit.Reader(html)
    assert len(read.all("image")) == 1 and not read.scripts
    assert "shows your sitter" not in read.text


# ---------------------------------------------------------------- pictures


def test_two_pictures_each_once_small_and_without_camera_data(full):
    images = [each["href"] for each in kit.Reader(full).all("image")]
    assert len(images) == len(set(images)) == 2 == full.count("data:image")
    for each in images:
        with Image.open(io.BytesIO(base64.b64decode(each.split(",", 1)[1]))) as picture:
            assert picture.format == "JPEG" and max(picture.size) <= 1600
            assert not picture.getexif() and "icc_profile" not in picture.info
    assert len(full) < 1_000_000


def test_the_page_stays_below_3_mb_for_the_worst_pictures():
    noise = np.random.default_rng(0).integers(0, 256, (1800, 1300, 3), dtype=np.uint8)
    squared = np.ascontiguousarray(noise[: 297 * 6, : 210 * 6])
    html = page(kit.report(*kit.seven()), squared, 6.0, noise[:760, :640], kit.subject(), kit.located())
    assert len(html.encode()) < 3_000_000


# ---------------------------------------------------------------- grey, and seen by weak eyes


def luminance(colour: str) -> float:
    """Relative luminance by W3C WCAG 2.2."""
    values = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    linear = [value / 12.92 if value <= 0.04045 else ((value + 0.055) / 1.055) ** 2.4 for value in values]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(a: str, b: str) -> float:
    light, dark = sorted((luminance(a), luminance(b)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_contrast_of_text_and_marks(full):
    """W3C WCAG 2.2, success criteria 1.4.3 (text 4.5) and 1.4.11 (graphics 3). Luminance is what is left of a colour in grey."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)  # the recommendation's own extreme
    (style,) = kit.Reader(full).styles
    colours = dict(re.findall(r"--(\w+): (#\w{6});", style))
    for ground in ("paper", "wash", "sheet"):
        assert contrast(colours["ink"], colours[ground]) >= 7
        assert contrast(colours["soft"], colours[ground]) >= 4.5
        assert contrast(colours["earth"], colours[ground]) >= 4.5


# ---------------------------------------------------------------- the file


@pytest.fixture
def comparison():
    from featurediff.comparison import Comparison

    report = kit.report(*kit.seven())
    return Comparison(report, kit.sheet_picture(), 3.0, kit.reference_picture(), kit.subject(), kit.located())


def test_the_files_of_a_report(tmp_path, comparison):
    from featurediff.cli.output import write_report

    write_report(comparison, tmp_path, name="größe 絵.jpg")
    assert {path.name for path in tmp_path.iterdir()} == {"report.json", "report.html", "report.png"}
    assert "größe 絵.jpg" in (tmp_path / "report.html").read_text(encoding="utf-8")


def test_the_page_is_written_whole_or_not_at_all(tmp_path, comparison, monkeypatch):
    from pathlib import Path

    from featurediff.cli.output import write_report
    from featurediff.errors import FeaturediffError

    old = tmp_path / "report.html"
    old.write_text("old")
    plain = Path.write_bytes

    def full_disk(path, data):
        plain(path, data[: len(data) // 2])
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", full_disk)
    with pytest.raises(FeaturediffError, match=r"report\.html.*No space left"):
        write_report(comparison, tmp_path)
    assert old.read_text() == "old"
    assert {path.name for path in tmp_path.iterdir()} == {"report.json", "report.html"}
