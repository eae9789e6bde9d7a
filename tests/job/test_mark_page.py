"""The page of `featurediff mark` in a real browser: a small subject is marked by mouse, by touch and by keyboard.

Needs Chromium (Debian, Ubuntu: apt-get install chromium); without it these tests are skipped.
"""

import os
import shutil
import threading

import numpy as np
import pytest
from PIL import Image

from featurediff.marking.desk import open_desk
from featurediff.marking.read import read_marks
from featurediff.marking.server import MarkServer

CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium here; install it: apt-get install chromium")
WIDTH, HEIGHT = 400, 300


@pytest.fixture(scope="module")
def browser():
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        # Chromium refuses to be run by the superuser in its sandbox, as containers do.
        root = hasattr(os, "geteuid") and os.geteuid() == 0
        chromium = driver.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"] if root else [])
        yield chromium
        chromium.close()


class Hand:
    """An artist at the page: clicks at px of the reference."""

    def __init__(self, page, touch):
        self.page, self.touch = page, touch

    def at(self, x, y):
        self.page.locator("#picture").scroll_into_view_if_needed()
        box = self.page.locator("#picture").bounding_box()
        return box["x"] + (x + 0.5) * box["width"] / WIDTH, box["y"] + (y + 0.5) * box["height"] / HEIGHT

    def click(self, *places):
        for place in places:
            (self.page.touchscreen.tap if self.touch else self.page.mouse.click)(*self.at(*place))

    def tool(self, name):
        self.page.click(f"[data-tool={name}]")

    def name(self, text):
        field = self.page.locator("li.chosen input.name")
        field.fill(text)
        field.press("Enter")

    def save(self):
        self.page.click("#save")


@pytest.fixture
def opened(browser, tmp_path):
    """A function that opens the page at a width; it gives the hand, the file, and the server's thread."""
    servers, contexts, complaints = [], [], []
    Image.fromarray(np.full((HEIGHT, WIDTH, 3), 200, np.uint8)).save(tmp_path / "kettle.png")
    out = tmp_path / "kettle.marks.yaml"

    def open_page(width=1440, touch=False):
        server = MarkServer(open_desk(tmp_path / "kettle.png", out))
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.05}, daemon=True)
        thread.start()
        servers.append(server)
        context = browser.new_context(viewport={"width": width, "height": 900}, has_touch=touch, is_mobile=touch)
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(5000)
        page.on("console", lambda message: complaints.append(message.text))
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.on("request", lambda request: None if request.url.startswith(server.address) else complaints.append(request.url))
        page.goto(server.address)
        page.wait_for_selector("#hint:not(:empty)")
        return Hand(page, touch), out, thread

    yield open_page
    for context in contexts:
        context.close()
    for server in servers:
        server.shutdown()
        server.server_close()
    assert [text for text in complaints if "422" not in text] == []


@pytest.mark.parametrize(("width", "touch"), [(1440, False), (820, True), (390, True)])
def test_a_small_subject_is_marked_and_saved(opened, width, touch):
    hand, out, thread = opened(width, touch)
    hand.page.fill("#subject", "enamel kettle")
    hand.tool("point")
    hand.click((200, 40))
    hand.name("knob")
    hand.tool("line")
    hand.click((80, 120), (90, 240))
    hand.name("left side")
    hand.tool("ellipse")
    hand.click((120, 100), (280, 100), (200, 80))
    hand.name("rim")
    hand.tool("curve")
    hand.click((300, 120), (340, 160), (300, 220))
    hand.page.click("#done")
    hand.name("handle on the right")
    hand.save()
    hand.page.wait_for_selector("#after:not([hidden])")
    assert hand.page.inner_text("#said") == "4 marks saved in kettle.marks.yaml."
    thread.join(5)
    assert not thread.is_alive(), "saving ends the program"
    marks = read_marks(out)
    assert (marks.subject, marks.width, marks.height, marks.picture) == ("enamel kettle", WIDTH, HEIGHT, "kettle.png")
    knob, side, rim, handle = marks.marks
    near = 1.0 if not touch else 1.5  # a screen px is more than one of the picture's on the phone
    np.testing.assert_allclose(knob.points, [(200, 40)], atol=near)
    np.testing.assert_allclose(side.points, [(80, 120), (90, 240)], atol=near)
    np.testing.assert_allclose([*rim.round.middle, rim.round.width, rim.round.height], [200, 100, 160, 40], atol=2 * near)
    np.testing.assert_allclose(handle.points, [(300, 120), (340, 160), (300, 220)], atol=near)
    assert (handle.closed, handle.name) == (False, "handle on the right")


def test_missing_and_doubled_names_are_seen_and_not_saved(opened):
    hand, out, thread = opened()
    hand.tool("point")
    for x in (50, 100, 150):
        hand.click((x, 50))
    hand.page.locator("input.name").nth(0).fill("foot")
    hand.page.locator("input.name").nth(1).fill("Foot")
    hand.page.locator("input.name").nth(1).press("Enter")
    assert "1 without a name, 2 with a name that is taken" in hand.page.inner_text("#state")
    hand.save()
    problems = hand.page.inner_text("#problems")
    assert "Say above what is drawn." in problems and "can't be kept under their names" in problems
    assert thread.is_alive() and not out.exists()


def test_by_keyboard_alone(opened):
    hand, out, thread = opened()
    page = hand.page
    page.fill("#subject", "kite")
    page.locator("#picture").focus()
    page.keyboard.press("c")
    for steps in (("ArrowLeft",), ("ArrowUp", "ArrowUp"), ("ArrowRight", "ArrowRight", "ArrowRight")):
        for key in steps:
            page.keyboard.press(key)
        page.keyboard.press("Space")
        if steps[0] == "ArrowUp":
            page.keyboard.press("k")
    page.keyboard.press("o")
    page.keyboard.type("sail")
    page.keyboard.press("Enter")
    # A point more, undone and done again.
    page.keyboard.press("p")
    page.keyboard.press("Space")
    page.keyboard.press("Enter")
    page.keyboard.press("Control+z")
    assert page.locator("#marks li").count() == 1
    page.keyboard.press("Control+y")
    assert page.locator("#marks li").count() == 2
    page.locator("input.name").nth(1).focus()
    page.keyboard.type("tail")
    page.keyboard.press("Enter")
    page.keyboard.press("Escape")
    page.locator("#save").focus()
    page.keyboard.press("Enter")
    thread.join(5)
    sail, tail = read_marks(out).marks
    assert (sail.kind, sail.closed, sail.corners, len(sail.points)) == ("curve", True, (1,), 3)
    left, up, right = sail.points
    assert up[0] == left[0] and up[1] < left[1] and right[1] == up[1] and right[0] > up[0]
    assert (tail.kind, tail.name) == ("point", "tail")


def test_an_existing_file_is_continued_moved_deleted_and_undone(opened, tmp_path):
    (tmp_path / "kettle.marks.yaml").write_text(
        "featurediff-marks: 1\nsubject: kettle\nreference: {width: 400, height: 300}\nmarks:\n"
        "  - {name: knob, point: [200, 40], class: A, part: kettle/lid}\n"
        "  - {name: body, curve: [[100, 100, corner], [300, 100], [200, 250]], closed: true, spots: {foot: 3}}\n"
        "  - {name: left, line: [[50, 50], [50, 200]]}\n  - {name: floor, line: [[50, 200], [350, 200]]}\n"
        "corners: [{name: heel, lines: [left, floor]}]\ngroups: [{part: kettle/lid, name: lid}]\n",
        encoding="utf-8",
    )
    hand, out, thread = opened()
    page = hand.page
    assert page.input_value("#subject") == "kettle"
    assert [page.locator("input.name").nth(k).input_value() for k in range(4)] == ["knob", "body", "left", "floor"]
    page.locator(".kind").nth(1).click()
    page.mouse.move(*hand.at(200, 250))
    page.mouse.down()
    page.mouse.move(*hand.at(210, 240), steps=5)
    page.mouse.up()
    page.keyboard.press("Delete")  # the point just moved: two are left, so the whole mark goes
    assert page.locator("#marks li").count() == 3
    page.keyboard.press("Control+z")
    page.locator("input.name").nth(2).fill("side on the left")
    page.locator("input.name").nth(2).press("Enter")
    hand.save()
    thread.join(5)
    marks = read_marks(out)
    knob, body, side, _ = marks.marks
    assert (knob.grade, knob.part) == ("A", ("kettle", "lid"))
    assert body.spots == {"foot": 2} and body.corners == (0,)
    np.testing.assert_allclose(body.points, [(100, 100), (300, 100), (210, 240)], atol=1.0)
    assert side.name == "side on the left" and marks.corners[0].lines == ("side on the left", "floor")
    assert marks.groups[0].name == "lid"


def test_what_the_program_finds_wrong_is_told_on_the_page(opened):
    hand, out, thread = opened()
    page = hand.page
    page.fill("#subject", "kettle")
    hand.tool("ellipse")
    hand.click((5, 100), (395, 100), (200, 290))
    hand.name("rim")
    hand.save()
    page.wait_for_selector("#problems li")
    assert "reaches beyond the picture" in page.inner_text("#problems")
    assert thread.is_alive() and not out.exists()
    page.click("text=Delete this mark")
    hand.tool("line")
    hand.click((50, 50), (50, 200))
    hand.name("side")
    hand.save()
    thread.join(5)
    assert [mark.name for mark in read_marks(out).marks] == ["side"]


def test_a_file_changed_meanwhile_is_not_overwritten_unasked(opened, tmp_path):
    hand, out, thread = opened()
    hand.page.fill("#subject", "kettle")
    hand.tool("point")
    hand.click((50, 50))
    hand.name("knob")
    out.write_text("somebody else's", encoding="utf-8")
    hand.save()
    hand.page.wait_for_selector("#problems li")
    assert "changed by another program" in hand.page.inner_text("#problems")
    assert out.read_text(encoding="utf-8") == "somebody else's" and thread.is_alive()
    hand.save()
    thread.join(5)
    assert [mark.name for mark in read_marks(out).marks] == ["knob"]


def test_the_page_draws_curves_as_the_comparison_reads_them(opened):
    from featurediff.marking.shapes import through

    hand, _, _ = opened()
    clicked = [[10, 10], [60, 40], [200, 20], [220, 150], [90, 200]]
    for corners, closed in (([], False), ([], True), ([2], True), ([1, 3], True), ([2], False)):
        drawn = np.array(hand.page.evaluate("([p, c, z]) => Shapes.through(p, c, z)", [clicked, corners, closed]))
        ours = through(np.array(clicked, float), tuple(corners), closed, 0.5)
        line = np.vstack([ours, ours[:1]]) if closed else ours
        reach = [np.hypot(*(line - at).T).min() for at in drawn]
        assert max(reach) < 0.3, (corners, closed)


@pytest.mark.parametrize(("width", "touch"), [(1440, False), (390, True)])
def test_the_page_is_accessible_and_keeps_within_its_width(opened, width, touch, tmp_path):
    """axe-core's rules for WCAG 2.2 A and AA, and no sideways scrolling at 390 px (WCAG 2.2, 1.4.10 Reflow)."""
    from axe_playwright_python.sync_playwright import Axe

    (tmp_path / "kettle.marks.yaml").write_text(
        "featurediff-marks: 1\nsubject: kettle\nreference: {width: 400, height: 300}\nmarks:\n"
        "  - {name: knob, point: [200, 40]}\n"
        "  - {name: body, curve: [[100, 100, corner], [300, 100], [200, 250]], closed: true}\n",
        encoding="utf-8",
    )
    hand, _, _ = opened(width, touch)
    hand.page.locator(".kind").nth(1).click()
    found = Axe().run(hand.page, options={"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]})
    assert found.violations_count == 0, found.generate_report()
    assert hand.page.evaluate("document.documentElement.scrollWidth") <= width
