"""An ellipse looked for the whole way round: beside another line, partly undrawn, with ends that come to points."""

import cv2
import numpy as np
import pytest

from featurediff.matching.closeup import CloseUps
from featurediff.matching.ellipses import changes, fit_rim
from featurediff.matching.frame import Frame

SIZE = 400.0
SHAPE = (300, 400)
CENTRE = np.array([200.0, 150.0])


def ellipse(long=110.0, short=40.0, turn=0.0, centre=CENTRE, count=240):
    t = np.linspace(0, 2 * np.pi, count, endpoint=False)
    turn = np.radians(turn)
    arm = np.column_stack([long * np.cos(t), short * np.sin(t)])
    return centre + arm @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])


def picture(*lines):
    """A drawing of closed lines; a pair is a line and the share of it that is drawn, from its first point on."""
    canvas = np.full((4 * SHAPE[0], 4 * SHAPE[1]), 255, np.uint8)
    for line in lines:
        points, share = line if isinstance(line, tuple) else (line, 1.0)
        fixed = np.round(((points + 0.5) * 4 - 0.5) * 16).astype(np.int32)
        fixed = fixed[: round(share * len(fixed))]
        cv2.polylines(canvas, [fixed], share == 1.0, 60, 5, cv2.LINE_AA, 4)
    return cv2.resize(canvas, SHAPE[::-1], interpolation=cv2.INTER_AREA).astype(np.float32) / 255.0


def found(reference, drawing, beside=(), start=(0.0, 0.0)):
    """The rim's points in the drawing, and the fit."""
    curve = ellipse()
    looks = CloseUps(reference, drawing, Frame(np.eye(3), SHAPE, SIZE), np.eye(3))
    fit = fit_rim(looks.look([curve, *beside], 0.06 * SIZE), curve, np.array(start))
    return curve + np.tensordot(fit.amounts, changes(curve, curve), 1), fit


def off(points, other):
    """Largest distance of points from another outline."""
    gap = np.hypot(*(points[:, None] - other[None]).transpose(2, 0, 1))
    return float(gap.min(1).max())


@pytest.mark.parametrize(
    "drawn",
    [ellipse(), ellipse(short=36.0), ellipse(long=114.0), ellipse(turn=2.0), ellipse(centre=CENTRE + [4.0, -3.0])],
    ids=["same", "flat", "long", "turned", "moved"],
)
def test_a_changed_ellipse_is_found(drawn):
    points, fit = found(picture(ellipse()), picture(drawn))
    assert off(points, np.vstack([drawn])) < 1.3 and fit.score > 0.8


def test_of_two_lines_the_one_with_the_other_on_the_same_side_is_meant():
    """A lip: the inner edge lies 5 px within. The drawn pair has moved by nearly its own distance."""
    inner = ellipse(105.0, 38.0)
    drawn, drawn_inner = ellipse(106.0, 36.0), ellipse(101.0, 34.0)
    points, _ = found(picture(ellipse(), inner), picture(drawn, drawn_inner), [inner])
    assert off(points, drawn) < 1.2


def test_a_third_that_is_not_drawn_and_a_line_across_do_not_matter():
    across = np.array([[60.0, 100.0], [340.0, 170.0], [340.0, 171.0], [60.0, 101.0]])
    drawn = ellipse(short=37.0)
    points, _ = found(picture(ellipse()), picture((drawn, 0.67), across))
    assert off(points, drawn) < 1.6


def test_pointed_ends_are_told_in_full():
    curve = ellipse()
    arm = curve - CENTRE
    t = np.clip(np.abs(arm[:, 0]) / 110.0, 0, 1)
    # Between the ellipse sqrt(1 - t^2) and two parabolic arcs 1 - t^2 (geometry), six tenths of the way.
    drawn = curve + np.column_stack([0 * t, 0.6 * arm[:, 1] * (np.sqrt(1 - t**2) - 1)])
    _, fit = found(picture(curve), picture(drawn))
    assert 4 * fit.amounts[5] / 40.0 == pytest.approx(0.6, abs=0.15)
    _, fit = found(picture(curve), picture(curve))
    assert 4 * fit.amounts[5] / 40.0 == pytest.approx(0.0, abs=0.08)
