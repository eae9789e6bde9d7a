"""The kit for authors: its moves are what they say, its checks fail what they should, its advice fits the cause."""

import dataclasses
import io
import re
import socket
from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np
import pytest
from kit_detectors import BOX, DISC, NOTHING, SHAPE, STROKE, Things, feature, picture, subject

from featurediff.errors import CallError
from featurediff.geometry import apply
from featurediff.records import Picture
from featurediff.testing.hands import SimulatedSheet
from featurediff.testing.kit import advice, checks, child, known, measure, mistaken, moves, pictures, steady, tried
from featurediff.testing.kit.records import Check, Measured, Row, Trial, measured_from
from featurediff.testing.kit.table import text

PICTURE = Picture(picture(), "things.png")


# ---------------------------------------------------------------- moves


def test_a_moved_feature_moves_as_one_and_far_things_stay():
    found = subject()
    warp = moves.moving(found, [0], SHAPE, 0)
    shift = warp.apply(DISC) - DISC
    size = moves.extent(found)
    assert np.hypot(*shift.mean(0)) == pytest.approx(moves.AMOUNT * size, rel=0.03)
    assert np.hypot(*np.ptp(shift, axis=0)) < 0.05 * moves.AMOUNT * size
    assert np.abs(warp.apply(BOX) - BOX).max() < 0.01
    assert warp.jacobian_min() > 0.1
    assert np.abs(warp.inverse(warp.apply(DISC)) - DISC).max() < 0.01


def test_every_feature_has_its_turn_and_no_two_meet():
    along = [feature(f"disc {k}", DISC * 0.3 + [60 + 55 * k, 300]) for k in range(12)]
    found = subject(*along)
    chosen = moves.rounds(found, 8)
    assert {k for each in chosen for k in each} == set(range(12))
    size = moves.extent(found)
    for each in chosen:
        for a, b in pairwise(each):
            gap = np.sqrt(((along[a].points[:, None] - along[b].points[None]) ** 2).sum(2).min())
            assert gap > (2 * moves.FAR - moves.NEAR) * size - 2


def test_straight_lines_move_across_themselves():
    line = feature("stroke", STROKE, closed=False)
    assert abs(moves.direction(line, 0) @ [0, 1]) > 0.999
    assert abs(moves.direction(line, 0) + moves.direction(line, 1)).max() < 1e-9
    assert moves.main_normal(line)[1] > 0.999
    assert moves.main_normal(feature("disc", DISC))[1] == pytest.approx(0.5, abs=0.02)


def test_a_known_error_is_where_its_author_wants_it():
    found = subject()
    warp = moves.shifting(found, [([0, 1], np.array([9.0, -4.0]))], SHAPE)
    for line in (DISC, BOX):
        assert warp.apply(line) - line == pytest.approx(np.tile([9.0, -4.0], (len(line), 1)), abs=0.3)
    with pytest.raises(CallError, match=r"no feature 'think on the left'; did you mean 'thing on the left'\?"):
        known.drawn_with(Things(), picture(), {"think on the left": (1.0, 0.0)})


# ---------------------------------------------------------------- measuring


def test_a_shift_along_a_straight_line_is_not_counted():
    line = feature("stroke", STROKE, closed=False, slides=True)
    across = measure._normals(line, STROKE)
    assert np.hypot(*measure._shift(np.tile([5.0, 0.0], (60, 1)), across)) < 0.05
    assert measure._shift(np.tile([5.0, 2.0], (60, 1)), across) == pytest.approx([0, 2], abs=0.05)
    round_ = measure._normals(feature("disc", DISC, slides=True), DISC)
    assert measure._shift(np.tile([5.0, 2.0], (90, 1)), round_) == pytest.approx([5, 2], abs=0.05)
    assert measure._shift(np.tile([5.0, 2.0], (90, 1)), None) == pytest.approx([5, 2])


def test_the_subject_lies_on_the_sheet():
    found = subject()
    placement = measure.placed(found, SHAPE)
    at = apply(placement.matrix, found.region)
    assert placement.sheet_mm == (297.0, 210.0)
    assert (at > 5).all() and (at < np.array(placement.sheet_mm) - 5).all()


# ---------------------------------------------------------------- advice


def causes(*features, k=0):
    return " | ".join(advice.causes(k, advice.Hints(picture(), subject(*features), 0.2)))


def test_advice_fits_the_cause():
    assert causes() == ""
    assert causes(feature("nothing", NOTHING, closed=False)).startswith("hardly any edge there (0 of 255 grey levels)")
    straight = causes(feature("stroke", STROKE, closed=False))
    assert straight.startswith("this curve is ambiguous: it slides along itself; make it a segment if it is straight")
    assert causes(feature("stroke", STROKE, closed=False, slides=True)) == ""
    twins = (feature("disc", DISC), feature("rim", DISC + [3.0, 0.0]))
    assert causes(*twins).startswith("too near 'rim' (0.")
    small = feature("dot", np.array([[400.0, 330], [406, 330], [406, 336], [400, 336]]))
    assert "it is small (1.7 mm on the paper)" in causes(small)


def test_edges_are_strong_where_tone_changes():
    pixels = picture()
    disc = advice.edge_strength(feature("disc", DISC), pixels, 600.0)
    assert disc == pytest.approx(228 - 62, rel=0.15)  # the picture's own grey levels, on the disc and beside it
    assert advice.edge_strength(feature("stroke", STROKE, closed=False), pixels, 600.0) > 60
    assert advice.edge_strength(feature("nothing", NOTHING, closed=False), pixels, 600.0) == pytest.approx(0, abs=0.5)


def test_an_edge_beside_is_seen():
    band = picture()
    cv2.rectangle(band, (150, 700), (1050, 716), (150, 150, 150), -1)  # a moulding: two edges, 17 px apart
    lower = feature("band", np.array([[200.0, 716.5], [1000, 716.5]]), kind="segment", closed=False)
    assert advice.edge_beside(lower, band, 600.0) == pytest.approx(17, abs=1.5)
    told = advice.causes(0, advice.Hints(band, subject(lower), 0.2))
    assert re.match(r"another edge runs along it, 3\.[45] mm away", told[0])
    assert advice.edge_beside(feature("disc", DISC), band, 600.0) == np.inf
    assert advice.edge_beside(feature("box", BOX), band, 600.0) == np.inf


def test_advice_is_given_for_trouble_only():
    hints = advice.Hints(picture(), subject(feature("stroke", STROKE, closed=False)), 0.2)
    good = Row("stroke", 6, 6, 2, 1.0, 0.2, 0.4, 0)
    assert advice.advise(0, good, [], [], hints) == ""
    bad = dataclasses.replace(good, gain=0.4)
    assert advice.advise(0, bad, [], [], hints).startswith("shows 40 % of its moves: this curve is ambiguous")
    lost = dataclasses.replace(good, found=1)
    assert advice.advise(0, lost, ["Too faint."], [], hints).startswith("seldom found: mostly because too faint; this curve")
    assert advice.advise(0, dataclasses.replace(good, false_items=1), [], [], hints).startswith("listed on a perfect copy")
    assert "more than its class B allows" in advice.advise(0, dataclasses.replace(good, error_mm=9.0), [], [], hints)


def test_advice_says_what_a_feature_was_taken_for_and_what_to_try():
    disc = advice.Hints(picture(), subject(), 0.2)
    bad = Row("disc", 6, 6, 2, 0.4, 0.2, 0.4, 0)
    told = advice.advise(0, bad, [], [(mistaken.OTHER, "rim"), (mistaken.OTHER, "rim"), (mistaken.STAYED, "")], disc)
    assert re.match(r"shows 40 % of its moves: on 2 of 6 drawings it was taken for 'rim'; its edge is plain \(1\d\d of", told)
    assert "name one of the two only" in told
    told = advice.advise(0, bad, [], [(mistaken.STAYED, "")], disc)
    assert "on 1 of 6 drawings it was found where it was before it was moved" in told and "a texture" in told
    assert "--keep DIR" in advice.advise(0, bad, [], [], disc)


def test_what_a_feature_was_taken_for_is_known():
    found = subject()
    placement = measure.placed(found, SHAPE)
    sheet = SimulatedSheet(np.zeros((8, 8, 3), np.uint8), 6.0, placement, moves.moving(found, [0], SHAPE, 0))
    true = sheet.true_mm(found.features[0].points)
    assert mistaken.taken_for(0, sheet.true_mm(found.features[1].points), found, sheet) == (mistaken.OTHER, "box on the right")
    assert mistaken.taken_for(0, apply(placement.matrix, found.features[0].points), found, sheet)[0] == mistaken.STAYED
    assert mistaken.taken_for(0, true + [0.0, 4.0], found, sheet) == (mistaken.ELSEWHERE, "4.0 mm below its place")
    assert mistaken.taken_for(0, true + [-4.0, 0.0], found, sheet) == (mistaken.ELSEWHERE, "4.0 mm left of its place")


# ---------------------------------------------------------------- the checks


def by_name(detector):
    return {check.name: check for check in checks.conforms(detector, PICTURE, quick=True)}


def test_a_sound_detector_passes_every_check():
    found = by_name(Things())
    assert list(found) == list(checks.CHECKS)
    assert not [check for check in found.values() if check.passed is not True], found


def reach_out(pixels):
    socket.getaddrinfo("localhost", 1)


def draw_on_it(pixels):
    cv2.circle(pixels, (5, 5), 3, (0, 0, 0), -1)


def small_only(pixels):
    if max(pixels.shape) < 100:
        raise IndexError("list index out of range")


@pytest.mark.parametrize(
    ("detector", "name", "told"),
    [
        (Things(sitters=True), "sides right when mirrored", "'thing on the left' lies right of 'thing on the right'"),
        (Things(fault=reach_out), "no network", "it reached for the network (socket.getaddrinfo)"),
        (Things(fault=draw_on_it), "picture left as it is", "find() changed picture.pixels"),
        (Things(fault=small_only), "odd pictures", "a picture of 1 x 1 px: Detector 'things'"),
    ],
)
def test_a_fault_fails_its_check_and_no_other(detector, name, told):
    found = by_name(detector)
    assert found[name].passed is False and told in found[name].told
    others = {check.name for check in found.values() if check.passed is False} - {name}
    assert not others, [found[other].told for other in others]


def test_a_detector_that_depends_on_chance_fails():
    rng = np.random.default_rng(1)

    class Shaky(Things):
        def find(self, picture, settings):
            found = super().find(picture, settings)
            return dataclasses.replace(
                found, features=tuple(dataclasses.replace(f, points=f.points + rng.normal(0, 15, 2)) for f in found.features)
            )

    found = by_name(Shaky())
    assert [found[name].passed for name in ("same when scaled", "same when turned a little", "same when repeated")] == [False] * 3
    assert "beyond their limit: thing on the" in found["same when scaled"].told


def test_one_side_alone_is_seen_when_the_picture_is_flipped():
    """Without its twin a name gives no order away: only the mirror shows whose side it tells."""

    class One(Things):
        def find(self, picture, settings):
            found = super().find(picture, settings)
            wide = max(found.features, key=lambda f: np.ptp(f.points[:, 0]))
            return dataclasses.replace(found, features=(dataclasses.replace(wide, name="box on the right"),))

    check = by_name(One())["sides right when mirrored"]
    assert check.passed is False and "'box on the right' keeps its side when the picture is flipped" in check.told


def test_names_told_by_their_order_say_no_side():
    names = ("jug third from the left", "left side of the jug", "left side of the jug third from the left")
    found = subject(*(feature(name, DISC) for name in names))
    assert [f.name for f in steady.sided(found)] == ["left side of the jug"]
    assert steady.other_side("left side of the jug third from the left") == "right side of the jug third from the left"


def test_lines_are_compared_wherever_their_points_lie():
    coarse = DISC[::3]
    assert steady.apart(DISC, coarse, closed=True) < 1.5  # the chords of a circle of 120 px, 12 degrees apart
    assert steady.apart(DISC, DISC + [10.0, 0.0], closed=True) == pytest.approx(2 / np.pi * 10, rel=0.05)  # mean of |cos|


def test_of_lines_that_slide_only_the_common_stretch_is_compared():
    long, cut = np.array([[0.0, 0], [100, 0]]), np.array([[60.0, 3], [140, 3]])
    assert steady.apart(long, cut) > 5
    long, cut = (np.column_stack([np.linspace(*ends, 50), np.full(50, y)]) for ends, y in (((0, 100), 0.0), ((60, 140), 3.0)))
    assert steady.apart(long, cut, slides=True) == pytest.approx(3, abs=0.1)
    assert steady.apart(long, cut + [200, 0], slides=True) > 100  # nothing in common


# ---------------------------------------------------------------- pictures


def test_pictures_and_their_maps_agree():
    """A dot's centre of gravity goes where the matrix says."""
    dot = np.full((200, 300, 3), 255, np.uint8)
    cv2.circle(dot, (90, 60), 6, (0, 0, 0), -1)

    def centre(pixels):
        weight = 255.0 - pixels[..., 0]
        ys, xs = np.mgrid[: weight.shape[0], : weight.shape[1]]
        return np.array([(weight * xs).sum(), (weight * ys).sum()]) / weight.sum()

    at = centre(dot)[None]
    for made, matrix in (
        (pictures.resized(Picture(dot, "x"), 0.7), pictures.resizing(Picture(dot, "x"), 0.7)),
        pictures.turned(Picture(dot, "x"), 20.0),
        pictures.mirrored(Picture(dot, "x")),
    ):
        assert centre(made.pixels) == pytest.approx(apply(matrix, at)[0], abs=0.1)
    clockwise = apply(pictures.turned(Picture(dot, "x"), 20.0)[1], np.array([[149.5, 0.0]]))[0]
    assert clockwise[0] > 149.5, "a turn is clockwise as you look at it"


# ---------------------------------------------------------------- text


def test_the_text_tells_all_of_it():
    row = Row("disc on the left", 6, 5, 2, 0.4, 0.25, 3.0, 1, "shows 40 % of its moves: why.")
    table = Measured("a.jpg", (row,), 160.0, 8, 2, ("Move the disc.",), 0.5, 1.5, 20.0, ("tonal hand: not alike",))
    trial = Trial("things", (Check("no network", True, "none"), Check("odd pictures", False, "noise"), Check("sides", None, "-")),
                  (table,), 12.0)  # fmt: skip
    told = text(trial)
    assert "things: 1 of 2 checks passed, median gain 0.40, 12 s" in told
    assert "pass no network: none\nFAIL odd pictures: noise\n-    sides: -" in told
    assert "disc on the left     5/6   0.40    0.2    3.0      1" in told
    assert "listed on a perfect copy: Move the disc." in told and "disc on the left: shows 40 %" in told
    assert not trial.passed
    assert measured_from(trial.to_dict()["tables"][0]) == table


def test_progress_is_one_line_on_a_terminal_and_a_line_each_elsewhere(monkeypatch):
    from featurediff.cli.trying import _Progress

    for terminal in (True, False):
        stream = io.StringIO()
        stream.isatty = lambda terminal=terminal: terminal
        monkeypatch.setattr("sys.stderr", stream)
        progress = _Progress()
        progress("drawing 1 of 8")
        progress.end()
        told = stream.getvalue()
        assert "drawing 1 of 8" in told
        assert ("\033" in told) is terminal and ("\n" in told) is not terminal


# ---------------------------------------------------------------- marks


def test_marks_are_asked_what_marks_can_answer(monkeypatch):
    boat = Path(__file__).parents[2] / "demo_cases" / "marks" / "toy-boat"
    asked = {}

    def stand_in(detector, picture, settings, **options):
        asked.update(picture=picture.name, features=len(detector.find(picture, settings).features))
        return Measured(picture.name, (), 1.0, 1, 1, (), 0.0, 0.0, 0.0)

    monkeypatch.setattr(measure, "measured", stand_in)
    told = []
    job = {"target": str(boat / "marks.yaml"), "file": True, "marks": True, "name": "", "settings": {}, "quick": True,
           "references": [str(boat / "reference.jpg")], "verbose": False, "keep": None, "done": []}  # fmt: skip
    child._work(job, lambda **message: told.append(message))
    found = {message["check"]["name"]: message["check"]["passed"] for message in told if "check" in message}
    assert set(found) == set(checks.CHECKS)
    assert {name for name, passed in found.items() if passed is None} == set(child.ONE_PICTURE)
    assert all(passed is True for name, passed in found.items() if name not in child.ONE_PICTURE)
    assert asked["picture"] == "reference.jpg" and asked["features"] > 10


def test_marks_want_their_picture():
    with pytest.raises(CallError, match="Marks know one picture only"):
        tried("boat.yaml")
