"""Outlines on another edge of the reference: not judged there; a mistake of the hand, on no edge, is."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from featurediff.api import Feature, Group, Subject
from featurediff.matching.found import Found
from featurediff.matching.otheredge import on_other_edge, without_other_edges

SIZE = 600.0
AT = np.linspace(40, 560, 120)


def wave(off: float = 0.0) -> np.ndarray:
    """(120, 2): an outline that swings about y = 200."""
    return np.column_stack([AT, 200 + off + 25 * np.sin(AT / 90)])


def picture(*edges: tuple[float, float, float]) -> np.ndarray:
    """A grey field (400, 600) that steps down below the outline moved by each (px), by how much, left of each x (px) only."""
    grey = np.full((400, 600), 200.0)
    rows, x = np.arange(400)[:, None], np.arange(600)[None]
    for off, step, until in edges:
        y = 200 + off + 25 * np.sin(x / 90)
        grey -= step * np.clip(rows - y + 0.5, 0, 1) * (x < until)
    grey += np.random.default_rng(2).normal(0, 2, grey.shape)
    return cv2.GaussianBlur(grey, (0, 0), 1.0).astype(np.float32)


def subject(apart: bool = True) -> Subject:
    feature = Feature("outline of the cup", "table/cup/outline", "curve", wave(), False, ("across", "down", "shape"), slides=True)
    other = replace(feature, name="other", part="table/pear/outline")
    groups = (Group("table/cup", "cup", "placement", apart=apart),)
    return Subject((feature, other), 300.0, "height", wave(), groups=groups)


def drawn(offset: np.ndarray | float, grey: np.ndarray, apart: bool = True) -> Found:
    """What is left of an outline found so far (px) below its own place."""
    shifts = np.column_stack([0 * AT, np.broadcast_to(offset, AT.shape)])
    place = Found("", shifts, np.repeat(np.eye(2)[None], len(AT), 0), np.eye(2), 0.8)
    return without_other_edges(subject(apart), [wave(), wave()], [place, Found("gone")], np.eye(3), grey, SIZE)[0]


BOTH = picture((0, 60, 600), (8, 25, 600))


def test_an_outline_drawn_along_the_other_edge_is_not_judged():
    found = drawn(8.0, BOTH)
    assert found.shifts is None and "another edge" in found.why


@pytest.mark.parametrize("offset", [14.0, -8.0, 4.0, 0.5])
def test_one_drawn_along_no_other_edge_is(offset):
    assert drawn(offset, BOTH).shifts is not None


def test_a_faint_other_edge_counts_and_one_that_ends_early_does_not():
    assert drawn(8.0, picture((0, 60, 600), (8, 9, 600))).shifts is None
    assert drawn(8.0, picture((0, 60, 600), (8, 25, 180))).shifts is not None
    assert drawn(8.0, picture((0, 60, 600))).shifts is not None


def test_only_the_stretch_that_lies_on_it_is_left_out():
    found = drawn(np.where(AT < 200, 8.0, 0.0), BOTH)
    assert found.shifts is not None
    assert found.unseen[AT < 190].all() and not found.unseen[AT > 210].any()


def test_within_a_face_or_a_body_lines_may_run_side_by_side():
    assert drawn(8.0, BOTH, apart=False).shifts is not None


def test_it_is_told_point_by_point():
    across = np.tile([0.0, 1.0], (len(AT), 1))
    flags = on_other_edge(picture((0, 60, 600), (8, 25, 300)), wave(), across, np.full(len(AT), 8.0), SIZE)
    assert flags[AT < 270].mean() > 0.9 and flags[AT > 330].mean() < 0.2
