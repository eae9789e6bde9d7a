"""Marks files: what is read, what is told about mistakes, what the engine is given."""

import math
from dataclasses import replace

import numpy as np
import pytest
import yaml
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from featurediff.demo import find_demos
from featurediff.errors import FeaturediffError, MarksError, SubjectError
from featurediff.marking.desk import beside
from featurediff.marking.edges import edges_of
from featurediff.marking.read import check_name, parse_marks, read_marks
from featurediff.marking.records import Mark, Round
from featurediff.marking.shapes import around, line_of, through
from featurediff.marking.subject import resized, subject_of
from featurediff.marking.write import document, from_document, text_of

HEAD = "featurediff-marks: 1\nsubject: kettle\nreference: {width: 400, height: 300}\n"
THREE = HEAD + (
    "marks:\n"
    "  - {name: knob, point: [200, 40], class: A, importance: 0.9, part: kettle/lid}\n"
    "  - {name: rim, ellipse: {middle: [200, 100], width: 160, height: 40, turn: 3}, part: kettle}\n"
    "  - {name: handle on the right, curve: [[300, 100], [340, 140], [300, 220]], part: kettle, judge: [across, shape]}\n"
    "  - {name: body, curve: [[100, 100, corner], [300, 100, corner], [280, 250, corner], [120, 250, corner]], closed: true}\n"
    "  - {name: table edge, line: [[0, 260], [399, 262]]}\n"
    "  - {name: table leg, line: [[30, 262], [31, 299]]}\n"
    "groups: [{part: kettle/lid, name: lid}]\n"
    "corners: [{name: corner of the table, lines: [table edge, table leg]}]\n"
    "pairs: [{name: handles, left: kettle/lid, right: kettle}]\n"
    "gaps: [{name: body, direction: down, beyond: [table edge], follows: 'the table comes up, too'}]\n"
)

# Aliases of aliases: eleven lines that stand for forty times forty times ... values.
LAUGHS = "a: &a [1]\n" + "".join(f"{c}: &{c} [{', '.join([f'*{b}'] * 40)}]\n" for b, c in zip("abcdef", "bcdefg", strict=True))


def mistakes(text):
    with pytest.raises(MarksError) as caught:
        parse_marks(text, "kettle.marks.yaml")
    return str(caught.value).splitlines()


# ---------------------------------------------------------------- reading and writing


def test_what_is_read():
    marks = parse_marks(THREE, "x")
    knob, rim, handle, body, edge, _ = marks.marks
    assert (marks.subject, marks.width, marks.height) == ("kettle", 400, 300)
    assert knob == Mark("knob", "point", ((200, 40),), part=("kettle", "lid"), grade="A", importance=0.9)
    assert rim.round == Round((200, 100), 160, 40, 3)
    assert (handle.judge, handle.closed) == (("across", "shape"), False)
    assert (body.corners, body.closed, body.edges) == ((0, 1, 2, 3), True, True)
    assert edge.points == ((0, 260), (399, 262))
    assert marks.corners[0].lines == ("table edge", "table leg")
    assert marks.gaps[0].follows == "the table comes up, too"


def test_what_is_written_is_read_again():
    marks = parse_marks(THREE, "x")
    assert parse_marks(text_of(marks), "x") == marks
    assert from_document(document(marks)) == marks
    assert "handle on the right" in text_of(marks) and "\n    part: kettle/lid\n" in text_of(marks)


def test_plain_values_of_marks_hold_nothing_that_looks_like_a_file():
    def texts(value):
        if isinstance(value, dict):
            return [each for pair in value.items() for one in pair for each in texts(one)]
        if isinstance(value, list):
            return [each for one in value for each in texts(one)]
        return [value] if isinstance(value, str) else []

    for each in texts(document(parse_marks(THREE, "x"))):
        assert not set("/\\~") & set(each), "a piece would leave it out as a path"


def test_the_shipped_examples_are_read_and_need_no_repair():
    shipped = [demo for demo in find_demos() if demo.marks]
    assert shipped
    for demo in shipped:
        marks = read_marks(demo.marks)
        assert parse_marks(text_of(marks), "x") == marks


# ---------------------------------------------------------------- mistakes


@pytest.mark.parametrize(("line", "told"), [
    ("- {point: [1, 2]}", "mark 1: it has no name"),
    ("- {name: a}", "'a': it has no place; give one of: point, line, curve, ellipse"),
    ("- {name: a, point: [1, 2], line: [[1, 2], [9, 9]]}", "'a': it is point and line at once"),
    ("- {name: a, piont: [1, 2]}", "unknown name 'piont'; did you mean 'point'?"),
    ("- {name: a, point: [1, 2], colour: red}", "unknown name 'colour'; known here: name, point"),
    ("- {name: a, point: 5}", "'a': point: a point is wanted here: [x, y]"),
    ("- {name: a, point: [1, 2, 3]}", "a point is wanted here: [x, y]"),
    ("- {name: a, point: [1, x]}", "a number is wanted, not 'x'"),
    ("- {name: a, point: [1, .nan]}", "is no finite number"),
    ("- {name: a, point: [1, .inf]}", "is no finite number"),
    ("- {name: a, point: [1, 1e3]}", "YAML reads 1e3 as text"),
    ("- {name: a, point: [1, " + "9" * 400 + "]}", "too many digits"),
    ("- {name: a, point: [1, 12:30]}", "as a time"),
    ("- {name: a, point: [400, 2]}", "[400, 2] lies outside the picture; x is 0 to 399, y is 0 to 299"),
    ("- {name: a, point: [1, -3]}", "lies outside the picture"),
    ("- {name: a, line: [[1, 2]]}", "two points are wanted, not 1"),
    ("- {name: a, line: [[1, 2], [5, 5], [9, 9]]}", "two points are wanted, not 3"),
    ("- {name: a, line: [[1, 2], [1, 3]]}", "all its points lie within 3 px"),
    ("- {name: a, line: [[1, 2], [90, 3, corner]]}", "a point is wanted here: [x, y]"),
    ("- {name: a, curve: [[1, 2], [90, 3, sharp]]}", "a point is wanted here: [x, y], or [x, y, corner]"),
    ("- {name: a, curve: [[1, 2], [90, 3]], closed: true}", "at least 3 points are wanted, not 2"),
    ("- {name: a, curve: [[1, 2], [90, 3], [5, 80]], closed: maybe}", "true or false is wanted, not 'maybe'"),
    ("- {name: a, point: [1, 2], closed: true}", "'closed' is for a curve, not for a point"),
    ("- {name: a, ellipse: [1, 2]}", "a block with these names is wanted here: middle, width, height, turn"),
    ("- {name: a, ellipse: {middle: [9, 9], width: 50}}", "'height' is missing"),
    ("- {name: a, ellipse: {middle: [9, 9], width: 50, height: 20}}", "it reaches beyond the picture"),
    ("- {name: a, ellipse: {middle: [99, 99], width: 50, height: -20}}", "-20 px is out of range"),
    ("- {name: a, ellipse: {middle: [99, 99], width: 50, height: 20, turn: 1000}}", "1000 degrees is out of range"),
    ("- {name: a, point: [1, 2], class: D}", "'D' is not one of A, B, C"),
    ("- {name: a, point: [1, 2], importance: 3}", "3 is out of range; 0 to 1 is allowed"),
    ("- {name: a, point: [1, 2], judge: [width]}", "'width' is not one of across, down for a point"),
    ("- {name: a, curve: [[1, 2], [90, 3]], spots: {top: 3}}", "there is no point 3; 1 to 2 is allowed"),
    ("- {name: 'a/b', point: [1, 2]}", "'a/b' holds '/', which a name can't have"),
    ("- {name: 'a,b', point: [1, 2]}", "holds ','"),
    ("- {name: ' ', point: [1, 2]}", "is no name"),
    ("- {name: no, point: [1, 2]}", "YAML reads no as yes or no; put it in quotes"),
    ("- {name: " + "a" * 61 + ", point: [1, 2]}", "has 61 letters; 60 are allowed"),
    ('- {name: "a\\e[31m", point: [1, 2]}', "can't have"),
    ("- {name: a, point: [1, 2], part: a/b/c/d/e/f/g}", "too deep"),
    ("- 5", "a block with these names is wanted here"),
])  # fmt: skip
def test_each_mistake_in_words_with_its_place(line, told):
    found = mistakes(f"{HEAD}marks:\n  {line}\n")
    assert any(told in each for each in found), found
    assert all(each.startswith("kettle.marks.yaml:") and int(each.split(":")[1]) >= 1 for each in found)
    assert any(each.startswith("kettle.marks.yaml:5:") for each in found)
    assert all(each.isprintable() for each in found)


@pytest.mark.parametrize(("text", "told"), [
    ("", "the file is empty"), ("- a", "a block with these names is wanted here"),
    ("subject: a\n", "'featurediff-marks' and 'reference'"),
    (THREE.replace("featurediff-marks: 1", "featurediff-marks: 2"), "this featurediff reads version 1, not 2"),
    (THREE.replace("width: 400", "width: 0"), "0 px is out of range"),
    (THREE.replace("width: 400", "width: 400.5"), "a whole number is wanted"),
    (HEAD + "marks: []", "it is empty"), (HEAD + "marks: 3", "a list is wanted here"),
    (THREE + "size: depth\n", "'depth' is not one of width, height"),
    (THREE.replace("name: knob", "name: RIM"), "'rim' is the name of two marks, first on line 5"),
    (THREE.replace("part: kettle/lid, name: lid", "part: kettel, name: lid"), "no mark has the part 'kettel'; did you mean 'ke"),
    (THREE.replace("lines: [table edge, table leg]", "lines: [table edge, knob]"), "'knob' is no line"),
    (THREE.replace("lines: [table edge, table leg]", "lines: [table edge]"), "two lines or more"),
    (THREE.replace("beyond: [table edge]", "beyond: [table egde]"), "no mark is called 'table egde'; did you mean 'table edge'?"),
    (THREE.replace("direction: down", "direction: up"), "'up' is not one of down, across"),
    (LAUGHS, "more than"),
    ("featurediff-marks: !!python/object/apply:os.system [ls]\n" + THREE[21:], "one value is wanted here"),
])  # fmt: skip
def test_mistakes_of_the_whole(text, told):
    assert any(told in each for each in mistakes(text)), mistakes(text)


def test_all_mistakes_are_told_at_once_in_the_order_of_the_file():
    found = mistakes(HEAD + "marks:\n  - {name: a, point: [900, 2]}\n  - {name: a, pint: [1, 1]}\nsize: 3\n")
    assert [each.split(":")[1] for each in found] == sorted(each.split(":")[1] for each in found)
    assert len(found) >= 4


def test_a_file_that_is_not_there(tmp_path):
    with pytest.raises(MarksError, match="There is no marks file"):
        read_marks(tmp_path / "x.yaml")
    with pytest.raises(MarksError, match="is a folder"):
        read_marks(tmp_path)


# ---------------------------------------------------------------- fuzz: never a traceback

_VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20) | st.sampled_from(["corner", "A", "width"]),
    lambda inner: (
        st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8) | st.sampled_from(["name", "point"]), inner, max_size=4)
    ),
    max_leaves=12,
)
_PLACES = st.lists(st.tuples(st.floats(-10, 500), st.floats(-10, 400)).map(list), max_size=6) | _VALUES
_MARKS = st.lists(
    st.fixed_dictionaries(
        {},
        optional={
            "name": st.sampled_from(["rim", "foot", "lid", "side"]) | _VALUES,
            "point": st.tuples(st.floats(0, 399), st.floats(0, 299)).map(list) | _VALUES,
            "line": _PLACES, "curve": _PLACES, "closed": st.booleans() | _VALUES, "part": st.sampled_from(["a", "a/b"]) | _VALUES,
            "ellipse": st.fixed_dictionaries({"middle": _PLACES, "width": st.floats(), "height": st.floats()}) | _VALUES,
            "class": st.sampled_from("ABC") | _VALUES, "importance": st.floats() | _VALUES, "judge": _VALUES, "spots": _VALUES,
        },
    ),
    max_size=5,
)  # fmt: skip


@settings(max_examples=150, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    marks=_MARKS | _VALUES,
    more=st.dictionaries(st.sampled_from(["size", "groups", "corners", "pairs", "gaps", "x"]), _VALUES, max_size=3),
)
def test_no_values_end_in_a_traceback(marks, more):
    values = {"featurediff-marks": 1, "subject": "kettle", "reference": {"width": 400, "height": 300}, "marks": marks, **more}
    try:
        found = from_document(values)
        subject_of(found, 400, 300, "kettle.jpg")
    except FeaturediffError as error:
        assert str(error)


@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_no_text_ends_in_a_traceback(data):
    text = data.draw(st.text(max_size=80) | st.text(alphabet="{}[]:,-&*!|>'\"%@ \n\tab1.", max_size=60))
    at = data.draw(st.integers(0, len(THREE)))
    cut = data.draw(st.integers(0, 12))
    for whole in (text, THREE[:at] + text + THREE[at + cut :]):
        try:
            parse_marks(whole, "x")
        except MarksError as error:
            assert str(error)


# ---------------------------------------------------------------- lines


def test_curves_go_through_their_points_and_turn_only_at_corners():
    clicked = np.array([[0.0, 0], [100, 0], [100, 100], [0, 100]])
    smooth, square = through(clicked, (), True, 1.0), through(clicked, (0, 1, 2, 3), True, 1.0)
    for at in clicked:
        assert np.hypot(*(smooth - at).T).min() < 0.8
        assert np.hypot(*(square - at).T).min() < 1e-6
    assert smooth.min() < -5, "a smooth outline bulges between its points"
    assert square.min() > -1e-6 and square.max() < 100 + 1e-6, "between corners without points, it is straight"


def test_splines_are_those_of_the_textbook():
    """Against scipy's cubic Hermite spline, with the tangents of Catmull-Rom splines (Yuksel, Schaefer, Keyser 2011)."""
    from scipy.interpolate import CubicHermiteSpline

    p = np.array([[0.0, 0], [30, 10], [40, 60], [120, 70], [130, 10]])
    knots = np.concatenate([[0], np.cumsum(np.sqrt(np.hypot(*np.diff(p, axis=0).T)))])
    slopes = [
        (p[k] - p[k - 1]) / (knots[k] - knots[k - 1]) - (p[k + 1] - p[k - 1]) / (knots[k + 1] - knots[k - 1])
        + (p[k + 1] - p[k]) / (knots[k + 1] - knots[k]) for k in (1, 2, 3)
    ]  # fmt: skip
    book = CubicHermiteSpline(knots[1:4], p[1:4], slopes)(np.linspace(knots[1], knots[3], 400))
    ours = through(p, (), False, 0.3)
    inside = ours[(np.hypot(*(ours - p[1]).T).argmin()) : np.hypot(*(ours - p[3]).T).argmin()]
    assert max(np.hypot(*(book - at).T).min() for at in inside) < 0.3


def test_an_ellipse_is_the_ellipse_of_geometry():
    """x = m + R(turn) (a cos t, b sin t); its circumference against scipy's complete elliptic integral, 4 a E(1 - b2/a2)."""
    from scipy.special import ellipe

    outline = around(Round((200, 100), 160, 40, 30), 0.5)
    turned = (outline - [200, 100]) @ np.array(
        [[math.cos(math.pi / 6), -math.sin(math.pi / 6)], [math.sin(math.pi / 6), math.cos(math.pi / 6)]]
    )
    np.testing.assert_allclose((turned[:, 0] / 80) ** 2 + (turned[:, 1] / 20) ** 2, 1, atol=0.02)
    assert outline[0] == pytest.approx([200 + 80 * math.cos(math.pi / 6), 100 + 80 * math.sin(math.pi / 6)])
    round_about = np.hypot(*np.diff(np.vstack([outline, outline[:1]]), axis=0).T).sum()
    assert round_about == pytest.approx(4 * 80 * ellipe(1 - (20 / 80) ** 2), rel=0.005)


def test_named_spots_stay_on_their_points():
    mark = Mark("a", "curve", ((0, 0), (50, 30), (100, 0)), spots={"top": 1})
    line, spots = line_of(mark, 2.0)
    assert np.hypot(*(line[spots["top"]] - [50, 30])) < 1.1


# ---------------------------------------------------------------- the subject


def test_an_outline_with_corners_is_told_edge_by_edge():
    subject = subject_of(parse_marks(THREE, "x"), 400, 300, "kettle.jpg")
    names = [feature.name for feature in subject.features]
    assert names[3:7] == ["upper edge of the body", "right edge of the body", "lower edge of the body", "left edge of the body"]
    assert all(feature.kind == "segment" for feature in subject.features[3:7])
    assert len(subject.junctions) == 5, "four of the body, one the artist named"
    assert {junction.label for junction in subject.junctions} >= {"corner of the table"}
    assert {group.label for group in subject.groups} >= {"lid", "body"}


def test_edges_that_look_the_same_way_have_names_of_their_own():
    zigzag = tuple((20 * k, 10 * (k % 2)) for k in range(7))
    edges = edges_of(Mark("saw", "curve", zigzag, corners=(1, 2, 3, 4, 5)), {"upper edge of the saw"})
    names = [edge.mark.name for edge in edges]
    assert len(set(names)) == 6 and "upper edge of the saw" not in names


def test_edges_of_a_letter_say_where_they_are():
    letter = ((0, 0), (90, 0), (90, 20), (55, 20), (55, 100), (35, 100), (35, 20), (0, 20))
    names = {edge.mark.points[0]: edge.mark.name for edge in edges_of(Mark("T", "curve", letter, (*range(8),), True), set())}
    assert names[(0, 0)] == "upper edge of the T"
    assert names[(90, 20)] == "lower edge of the T on the right" and names[(35, 20)] == "lower edge of the T on the left"
    assert names[(55, 100)] == "lower edge of the T in the middle"
    assert names[(90, 0)] == "right edge of the T at the top" and names[(55, 20)] == "right edge of the T at the bottom"


def test_outlines_are_named_the_same_whichever_way_they_were_clicked():
    square = ((0, 0), (100, 0), (100, 100), (0, 100))
    forth = edges_of(Mark("lid", "curve", square, corners=(0, 1, 2, 3), closed=True), set())
    back = edges_of(Mark("lid", "curve", square[::-1], corners=(0, 1, 2, 3), closed=True), set())
    assert {frozenset(edge.mark.points): edge.mark.name for edge in forth} == {
        frozenset(edge.mark.points): edge.mark.name for edge in back
    }


def test_a_picture_of_another_size_carries_the_same_marks():
    marks = parse_marks(THREE, "x")
    once, twice = subject_of(marks, 400, 300, "a.jpg"), subject_of(marks, 800, 600, "a.jpg")
    for small, large in zip(once.features, twice.features, strict=True):
        np.testing.assert_allclose(large.points, (small.points + 0.5) * 2 - 0.5)
    assert twice.size_px == pytest.approx(2 * once.size_px)
    assert resized(resized(marks, 800, 600), 400, 300).marks[1].round.width == pytest.approx(160)
    subject_of(marks, 1333, 1000, "a.jpg")  # 4:3 to within a px
    with pytest.raises(SubjectError, match=r"were made on a picture of 400 x 300 px; a\.jpg has another shape: 300 x 400 px"):
        subject_of(marks, 300, 400, "a.jpg")


def test_too_few_or_too_close_marks_are_told():
    marks = parse_marks(THREE, "x")
    with pytest.raises(SubjectError, match="2 marks are too few"):
        subject_of(replace(marks, marks=marks.marks[:2]), 400, 300, "a.jpg")
    dots = tuple(Mark(f"dot {k}", "point", ((200 + k, 100),)) for k in range(3))
    with pytest.raises(SubjectError, match="All marks lie within 2 px"):
        subject_of(replace(marks, marks=dots, groups=(), corners=(), pairs=(), gaps=()), 400, 300, "a.jpg")


def test_ends_of_lines_on_one_spot_are_a_corner():
    text = (
        HEAD
        + "marks:\n"
        + "".join(
            f"  - {{name: {name}, line: {ends}}}\n"
            for name, ends in {
                "post": [[50, 50], [50, 250]],
                "beam": [[350, 51], [50, 50]],
                "floor": [[20, 250], [380, 250]],
            }.items()
        )
    )
    subject = subject_of(parse_marks(text, "x"), 400, 300, "a.jpg")
    assert [junction.ends for junction in subject.junctions] == [(("post", 0), ("beam", -1))]


def test_a_very_short_line_is_looked_for_as_a_curve():
    """Matching cuts a straight line into fifths that each need a sample: on the way to 2 % of the size there are none."""
    marks = parse_marks(THREE.replace("[[30, 262], [31, 299]]", "[[30, 262], [30, 267]], spots: {foot: 2}"), "x")
    leg = subject_of(marks, 400, 300, "a.jpg").feature("table leg")
    assert leg.kind == "curve" and leg.anchors == {"foot": len(leg.points) - 1}
    np.testing.assert_allclose(leg.points[[0, -1]], [[30, 262], [30, 267]])


def test_where_marks_go_when_nothing_is_said(tmp_path):
    assert beside(tmp_path / "my.kettle.jpeg").name == "my.kettle.marks.yaml"


@pytest.mark.parametrize(
    "name", ["rim of the kettle", "Krug, links".replace(",", ""), "Ärmel", "window 3", "l'anse (left)", "柄"]
)
def test_names_in_plain_words_of_any_language(name):
    check_name(name)
    marks = parse_marks(THREE, "x")
    named = replace(marks, marks=(replace(marks.marks[0], name=name), *marks.marks[1:]))
    assert parse_marks(text_of(named), "x") == named
    assert yaml.safe_load(text_of(named))["marks"][0]["name"] == name
