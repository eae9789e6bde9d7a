"""The page in a real browser: every control pressed, scripts on and off, three widths, and the printed form.

Needs Chromium (Debian, Ubuntu: apt-get install chromium); without it these tests are skipped.
"""

from __future__ import annotations

import base64
import io
import itertools
import json
import math
import os
import re
import shutil
import sys
import unicodedata
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from featurediff import cli, geometry
from featurediff.report.page import page as page_html
from featurediff.report.page_notes import RoundNotes

sys.path.insert(0, str(Path(__file__).parents[1] / "unit"))
import page_kit as kit

CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium here; install it: apt-get install chromium")
WIDTHS = {"phone": (390, 844), "tablet": (820, 1180), "desktop": (1440, 900)}
# ISO 216: A4 is 210 x 297 mm; a point of PDF is 1/72 inch (ISO 32000).
A4 = (210 / 25.4 * 72, 297 / 25.4 * 72)


@pytest.fixture(scope="module")
def browser():
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        # Chromium refuses to be run by the superuser in its sandbox, as containers do.
        root = hasattr(os, "geteuid") and os.geteuid() == 0
        chromium = driver.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"] if root else [])
        yield chromium
        chromium.close()


@pytest.fixture(scope="module", params=["faces", "architecture"])
def example(request, tmp_path_factory):
    """(the page of a shipped example, its report.json)."""
    out = tmp_path_factory.mktemp(request.param)
    assert cli.main(["demo", request.param, "--out", str(out)]) == 0
    return out / "report.html", json.loads((out / "report.json").read_text(encoding="ascii"))


@pytest.fixture
def opened(browser):
    """A function that opens a page; whatever the page asks for and complains about is kept, and must be nothing."""
    contexts, asked, complaints = [], [], []

    def open_page(path, width="desktop", **options):
        size = dict(zip(("width", "height"), WIDTHS[width], strict=True))
        context = browser.new_context(viewport=size, reduced_motion="reduce", **options)
        context.set_offline(True)
        contexts.append(context)
        shown = context.new_page()
        shown.on("request", lambda request: asked.append(request.url))
        shown.on("console", lambda message: complaints.append(message.text))
        shown.on("pageerror", lambda error: complaints.append(str(error)))
        shown.goto(path.as_uri())
        return shown

    yield open_page
    for context in contexts:
        context.close()
    assert [url for url in asked if not url.startswith(("file://", "data:image/jpeg"))] == []
    assert len({url for url in asked if url.startswith("file://")}) <= 1, "the page itself and nothing else"
    assert complaints == []


def lit(shown, rank: int) -> list[bool]:
    """Whether the place of a line is lit, in both pictures."""
    return [each.is_visible() for each in shown.locator(f"svg.look g.lit-{rank}[role=img]").all()]


def at(shown, line: str) -> list[float]:
    """Where the plumb or the level line is, in both pictures."""
    name = "x1" if line == "plumb" else "y1"
    return [float(each.get_attribute(name)) for each in shown.locator(f"svg.look line.{line}:not(.halo)").all()]


# ---------------------------------------------------------------- every control


def test_every_line_lights_up_in_both_pictures(opened, example):
    path, report = example
    shown = opened(path)
    ranks = [each["rank"] for each in report["corrections"]]
    assert len(ranks) >= 2
    for rank in ranks:
        shown.locator(f"#fix-{rank}").hover()
        assert {other: lit(shown, other) for other in ranks} == {other: [other == rank] * 2 for other in ranks}
    shown.mouse.move(2, 2)
    assert not any(itertools.chain(*(lit(shown, rank) for rank in ranks)))
    for rank in ranks:
        shown.locator(f"#fix-{rank} a.line").focus()
        assert lit(shown, rank) == [True, True]
        shown.locator(f"#mark-{rank}").focus()
        assert lit(shown, rank) == [True, True]


def test_a_chosen_line_stays_lit_and_takes_the_guide_lines_to_its_spot(opened, example):
    path, report = example
    shown = opened(path)
    aims = json.loads(shown.locator("#view").text_content())["aims"]
    for each in report["corrections"]:
        shown.locator(f"#fix-{each['rank']} a.line").click()
        shown.mouse.move(2, 2)
        shown.evaluate("document.activeElement.blur()")
        assert lit(shown, each["rank"]) == [True, True]
        assert shown.locator("svg.look").first.evaluate(
            "e => { const b = e.getBoundingClientRect(); return b.top >= 0 && b.top < innerHeight; }"
        )
        told = shown.locator(f"#see-{each['rank']}")
        assert told.is_visible() and each["text"] in " ".join(told.inner_text().split())
        x, y = aims[str(each["rank"])]
        assert at(shown, "plumb") == pytest.approx([x, x], abs=0.01)
        assert at(shown, "level") == pytest.approx([y, y], abs=0.01)


def test_a_tap_does_what_pointing_does(opened, example):
    path, report = example
    shown = opened(path, "phone", has_touch=True, is_mobile=True)
    rank = report["corrections"][-1]["rank"]
    shown.locator(f"#fix-{rank} a.line").tap()
    assert lit(shown, rank) == [True, True]
    tops = shown.evaluate("[...document.querySelectorAll('svg.look')].map(e => e.getBoundingClientRect().top)")
    assert all(0 <= top < WIDTHS["phone"][1] for top in tops), "both pictures are in sight"
    box = shown.locator("svg.look").first.bounding_box()
    shown.touchscreen.tap(box["x"] + box["width"] * 0.25, box["y"] + box["height"] * 0.5)
    view = json.loads(shown.locator("#view").text_content())
    assert at(shown, "plumb") == pytest.approx([view["x"] + 0.25 * view["width"]] * 2, abs=0.02 * view["width"])


@pytest.mark.parametrize("which", [0, 1])
def test_the_guide_lines_follow_the_pointer_in_both_pictures_until_they_are_held(opened, example, which):
    path, _ = example
    shown = opened(path)
    view = json.loads(shown.locator("#view").text_content())
    picture = shown.locator("svg.look").nth(which)
    picture.scroll_into_view_if_needed()
    box = picture.bounding_box()

    def move(across, down):
        shown.mouse.move(box["x"] + across * box["width"], box["y"] + down * box["height"])

    def expect(across, down):
        near = 0.01 * max(view["width"], view["height"])
        assert at(shown, "plumb") == pytest.approx([view["x"] + across * view["width"]] * 2, abs=near)
        assert at(shown, "level") == pytest.approx([view["y"] + down * view["height"]] * 2, abs=near)

    move(0.3, 0.6)
    expect(0.3, 0.6)
    move(0.7, 0.2)
    expect(0.7, 0.2)
    shown.mouse.down()
    shown.mouse.up()
    assert shown.locator("#hold").is_checked()
    move(0.1, 0.9)
    expect(0.7, 0.2)
    shown.mouse.down()
    shown.mouse.up()
    assert not shown.locator("#hold").is_checked()
    move(0.4, 0.4)
    expect(0.4, 0.4)


def test_everything_can_be_done_from_the_keyboard(opened, example):
    path, report = example
    shown = opened(path)
    reached = []
    for _ in range(80):
        shown.keyboard.press("Tab")
        place = shown.evaluate(
            "(() => { const e = document.activeElement; const s = getComputedStyle(e);"
            "return [e.id || e.getAttribute('href') || e.tagName, s.outlineStyle, e.closest('svg') !== null]; })()"
        )
        if place[0] == "BODY":
            break
        reached.append(place)
    names = [name for name, _, _ in reached]
    for each in report["corrections"]:
        assert {f"mark-{each['rank']}", f"tick-{each['rank']}", f"#see-{each['rank']}"} <= set(names)
    assert {"plumb", "level", "show", "hold"} <= set(names)
    assert names.count("SUMMARY") == shown.locator("summary").count()
    assert all(outline != "none" for _, outline, in_picture in reached if not in_picture), "the focus is seen"


def test_the_sliders_by_arrow_keys(opened, example):
    path, _ = example
    shown = opened(path)
    for line, edge in (("plumb", "left"), ("level", "top")):
        slider = shown.locator(f"#{line}")
        slider.focus()
        before = at(shown, line)[0]
        for _ in range(4):
            shown.keyboard.press("ArrowRight")
        assert at(shown, line) == pytest.approx([before + 2.0] * 2, abs=0.6)
        said = f"{at(shown, line)[0]:.1f} mm from the {edge} edge"
        assert shown.locator(f"#{line}-said").inner_text() == said == slider.get_attribute("aria-valuetext")
        shown.keyboard.press("Home")
        low = at(shown, line)[0]
        shown.keyboard.press("End")
        assert at(shown, line)[0] > low


def test_tick_boxes_folds_and_switches(opened, example):
    path, report = example
    shown = opened(path)
    for each in report["corrections"]:
        box = shown.locator(f"#tick-{each['rank']}")
        box.focus()
        shown.keyboard.press("Space")
        assert box.is_checked()
        assert "line-through" in shown.locator(f"#fix-{each['rank']} a.line").evaluate(
            "e => getComputedStyle(e).textDecorationLine"
        )
        box.click()
        assert not box.is_checked()
    assert shown.locator("details").count() >= 1
    for fold in shown.locator("details").all():
        inside = fold.locator(":scope > :not(summary)").first
        assert not inside.is_visible()
        fold.locator("summary").focus()
        shown.keyboard.press("Enter")
        assert inside.is_visible()
        fold.locator("summary").click()
        assert not inside.is_visible()
    lines = shown.locator("svg.look g.guides")
    assert all(each.evaluate("e => getComputedStyle(e).display") != "none" for each in lines.all())
    shown.locator("#show").click()
    assert all(each.evaluate("e => getComputedStyle(e).display") == "none" for each in lines.all())
    numbers = shown.locator("svg.look g.numbers")
    assert numbers.count() == (2 if report["subject"] == "architecture" else 0)
    if numbers.count():
        shown.locator("#numbers").click()
        assert all(each.is_visible() for each in numbers.all())


def test_numbers_on_the_drawing_lead_to_their_lines(opened, example):
    path, report = example
    shown = opened(path)
    for each in report["corrections"]:
        shown.locator(f"#mark-{each['rank']} circle.number").click()
        assert shown.evaluate("location.hash") == f"#fix-{each['rank']}"
        assert shown.locator(f"#fix-{each['rank']} a.line").is_visible()


def test_what_a_screen_reader_is_told(opened, example):
    path, report = example
    shown = opened(path)
    tree = " ".join(shown.locator("body").aria_snapshot().split())
    for each in report["corrections"]:
        assert f'checkbox "Done: {each["rank"]}. {each["text"]}' in tree
        assert f'link "{each["rank"]}. {each["text"]}' in tree
    for wanted in ('slider "Plumb line"', 'slider "Level line"', 'img "Your drawing, paled', 'img "The reference picture'):
        assert wanted in tree
    levels = [int(tag[1]) for tag in re.findall(r"<(h\d)", path.read_text(encoding="utf-8"))]
    assert levels[0] == 1 and levels.count(1) == 1 and set(levels[1:]) == {2}


@pytest.mark.parametrize("width", ["phone", "desktop"])
def test_a_checker_of_accessibility_has_nothing_to_say(opened, example, width):
    """axe-core, the open rules for W3C WCAG 2.2 A and AA and common good practice."""
    from axe_playwright_python.sync_playwright import Axe

    shown = opened(example[0], width, bypass_csp=True)  # the checker is a script that is not the page's
    rules = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
    found = Axe().run(shown, options={"runOnly": rules}).response
    assert [(each["id"], each["help"]) for each in found["violations"]] == []
    assert len(found["passes"]) > 20


# ---------------------------------------------------------------- scripts off


def test_all_can_be_read_and_folded_with_scripts_off(opened, example):
    path, report = example
    shown = opened(path, "tablet", java_script_enabled=False)
    # Scripts of the test's own run apart from those of the page.
    assert not shown.locator("#controls").is_visible()
    assert "Move over either picture" not in shown.inner_text("body")
    for fold in shown.locator("details").all():
        fold.locator("summary").click()
    text = " ".join(shown.inner_text("body").split())
    for each in (*report["corrections"], *report["later"]):
        assert each["text"] in text and each["check"] in text
    for each in report["not_judged"]:
        assert each["why"] in text
    rank = report["corrections"][0]["rank"]
    shown.locator(f"#fix-{rank} a.line").click()
    shown.mouse.move(2, 2)
    assert lit(shown, rank) == [True, True]
    assert not shown.locator("svg.look line.plumb").first.is_visible()


# ---------------------------------------------------------------- widths


@pytest.mark.parametrize("width", WIDTHS)
def test_nothing_is_cut_off_or_hidden_at_any_width(opened, tmp_path, width):
    path = tmp_path / "full.html"
    path.write_text(page_of(kit.seven(long=True)), encoding="utf-8")
    shown = opened(path, width)
    assert shown.evaluate("document.documentElement.scrollWidth") <= WIDTHS[width][0]
    beyond = shown.evaluate(
        "[...document.querySelectorAll('p, li, a.line, h1, h2, dd, dt, summary, label, output, figure, svg')].filter(e => {"
        "const b = e.getBoundingClientRect(); return b.width > 0 && (b.left < -1 || b.right > innerWidth + 1); }).length"
    )
    assert beyond == 0
    circles = [each.bounding_box() for each in shown.locator("circle.number").all()]
    for a, b in itertools.combinations(circles, 2):
        gap = math.dist((a["x"] + a["width"] / 2, a["y"] + a["height"] / 2), (b["x"] + b["width"] / 2, b["y"] + b["height"] / 2))
        assert gap >= (a["width"] + b["width"]) / 2
    sizes = shown.evaluate(
        "[...document.querySelectorAll('a.line, .check, dd')].map(e => parseFloat(getComputedStyle(e).fontSize))"
    )
    assert min(sizes) >= 16


def page_of(lines, size_mm=(210.0, 297.0), notes=None, capture=(), later=(), reference=None) -> str:
    report = kit.report(*lines, size_mm=size_mm, capture=capture, later=later)
    picture = kit.reference_picture() if reference is None else reference
    return page_html(report, kit.sheet_picture(size_mm), 3.0, picture, kit.subject(), kit.located(), notes, "a" * 90 + ".jpg")


def test_both_pictures_are_at_one_scale_and_one_spot_is_at_one_place_in_them(opened, tmp_path):
    """A dark dot of the reference, and the place on the sheet where the line-up puts it, found in the picture of the screen."""
    reference = np.full((*kit.REFERENCE_SIZE, 3), 235, np.uint8)
    place = np.array([300.0, 300.0])
    reference[294:307, 294:307] = 0
    squared = np.full((297 * 3, 210 * 3, 3), 235, np.uint8)
    on_sheet = geometry.apply(kit.MATRIX, place[None])[0]
    x, y = (on_sheet * 3).astype(int)
    beside = (np.array([x, y]) + 0.5) / 3 - on_sheet  # the drawn dot lies on whole px
    squared[y - 3 : y + 4, x - 3 : x + 4] = 0
    html = page_html(kit.report(kit.correction(1)), squared, 3.0, reference, kit.subject(), kit.located())
    path = tmp_path / "dots.html"
    path.write_text(html, encoding="utf-8")
    shown = opened(path, device_scale_factor=2)
    shown.locator("#show").click()
    shown.locator("svg.look").first.scroll_into_view_if_needed()
    shown.mouse.move(2, 2)
    boxes = [each.bounding_box() for each in shown.locator("svg.look").all()]
    assert boxes[0]["width"] == pytest.approx(boxes[1]["width"], abs=0.1)
    assert boxes[0]["height"] == pytest.approx(boxes[1]["height"], abs=0.1)
    # Looked up on one picture of the screen: pictures of single elements begin at whole px.
    with Image.open(io.BytesIO(shown.screenshot())) as image:
        dark = np.maximum(100.0 - np.asarray(image.convert("L"), float), 0.0)
    seen = []
    for box in boxes:
        left, top = 2 * box["x"], 2 * box["y"]
        rows, columns = np.indices(dark.shape)
        inside = (columns > left) & (columns < left + 2 * box["width"]) & (rows > top) & (rows < top + 2 * box["height"])
        weight = dark * inside
        seen.append(((columns * weight).sum() / weight.sum() - left, (rows * weight).sum() / weight.sum() - top))
    mm = 2 * boxes[0]["width"] / json.loads(kit.Reader(html).scripts[0][1])["width"]
    # Half a px of the screen (1 px is 0.25 mm here) goes to the browser, which snaps pictures to whole ones.
    assert np.subtract(seen[1], seen[0]) / mm == pytest.approx(beside, abs=0.15)


# ---------------------------------------------------------------- on paper


def printed(shown) -> tuple:
    """(pages, text of the first, number of pictures in it) of the page printed with its own margins and size."""
    from pypdf import PdfReader

    reader = PdfReader(io.BytesIO(shown.pdf(prefer_css_page_size=True)))
    first = reader.pages[0]
    return reader.pages, " ".join(first.extract_text().split()), len(first.images)


def squeezed(text: str) -> str:
    """Without blanks, and with the letters that a typeface joins (fi) apart."""
    return "".join(unicodedata.normalize("NFKC", text).split())


def test_the_example_prints_on_one_page_of_a4(opened, example):
    path, report = example
    for options in ({}, {"java_script_enabled": False}):
        shown = opened(path, **options)
        for fold in shown.locator("summary").all():
            fold.click()  # what is folded open on the screen does not spoil the paper
        pages, text, pictures = printed(shown)
        assert len(pages) == 1
        assert [float(value) for value in pages[0].mediabox[2:]] == pytest.approx(A4, abs=1.0)
        assert pictures == 1, "the drawing; the reference is left out"
        for each in report["corrections"]:
            assert squeezed(each["text"]) in squeezed(text)
            assert squeezed(each["check"]) in squeezed(text)
        assert squeezed(f"trusted to {report['sheet']['trust_mm']:.1f} mm") in squeezed(text)
        assert "kneaded eraser" in text


NOTES = RoundNotes(
    4, "3 done, 1 went too far, 1 worse, 2 open", {1: "went 1.5 mm too far", 2: "worse", 3: "as before", 4: "new"}, (1, 2),
    "Mind the paper at 1 and 2: you have corrected there twice already. Dab, do not rub, or leave it.",
    ("Raise the bow 3 mm.", "Widen the eye of the kite 2 mm.", "Level the spars."),
    ("Left as you drew it: Move the string 4 mm left.",),
)  # fmt: skip


@pytest.mark.parametrize("size_mm", [(210.0, 297.0), (297.0, 210.0), (559.0, 381.0), (150.0, 150.0)], ids=str)
@pytest.mark.parametrize("load", ["nothing", "seven", "seven long, with a round and advice"])
def test_any_list_prints_on_one_page_with_all_of_its_words(opened, tmp_path, size_mm, load):
    lines = {"nothing": (), "seven": kit.seven()}.get(load, kit.seven(long=True))
    full = load.startswith("seven long")
    html = page_of(lines, size_mm, NOTES if full else None, kit.ADVICE if full else (), kit.seven()[:3])
    path = tmp_path / "sheet.html"
    path.write_text(html, encoding="utf-8")
    shown = opened(path)
    pages, text, pictures = printed(shown)
    assert len(pages) == 1 and pictures == 1
    for each in lines:
        assert squeezed(each.text) in squeezed(text) and squeezed(each.check) in squeezed(text)
    assert "Can wait (3)" in text
    shown.emulate_media(media="print")
    # The area that is printed on is 190 mm wide; what stands in it must not hide anything else in it.
    shown.set_viewport_size({"width": round(190 / 25.4 * 96), "height": round(277 / 25.4 * 96)})
    boxes = shown.evaluate(
        "['header', '.sheet', '.list', '.folds', '.facts', '.cautions']"
        ".map(s => document.querySelector(s).getBoundingClientRect()).map(b => [b.left, b.top, b.right, b.bottom])"
    )
    for a, b in itertools.combinations(boxes, 2):
        assert a[2] <= b[0] + 1 or b[2] <= a[0] + 1 or a[3] <= b[1] + 1 or b[3] <= a[1] + 1
    assert max(box[3] for box in boxes) <= 277 / 25.4 * 96 + 1
    drawing = shown.locator(".sheet rect.edge").bounding_box()
    least = 0.25 if full else 0.4
    assert drawing["height"] > least * 190 / 25.4 * 96 * min(1.0, size_mm[1] / size_mm[0]), "the drawing keeps its room"


def test_a_page_whose_reference_is_damaged_still_reads(opened, tmp_path):
    html = page_of(kit.seven())
    spoilt = html.replace("base64," + base64.b64encode(b"\xff\xd8\xff").decode()[:4], "base64,AAAA", 2)
    assert spoilt != html
    path = tmp_path / "spoilt.html"
    path.write_text(spoilt, encoding="utf-8")
    shown = opened(path)
    assert kit.seven()[0].text in shown.inner_text("body")
