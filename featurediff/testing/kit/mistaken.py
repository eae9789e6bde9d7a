"""What a feature that was found in the wrong place was taken for."""

from __future__ import annotations

import numpy as np

from featurediff.geometry import apply
from featurediff.records import Subject
from featurediff.testing.hands import SimulatedSheet
from featurediff.testing.kit.moves import main_normal
from featurediff.testing.kit.steady import apart

# mm on the paper: lines as near as this to each other are the same pencil line.
SAME_LINE_MM = 0.8
OTHER, STAYED, ELSEWHERE = "other", "stayed", "elsewhere"


def taken_for(k: int, found_mm: np.ndarray, subject: Subject, sheet: SimulatedSheet) -> tuple[str, str]:
    """What the ``k``-th feature, found at (n, 2) mm on a simulated sheet, was taken for: a kind and the words for it.

    `OTHER` with the name of a feature whose line lies there; `STAYED` when it was found where it was before it was moved;
    `ELSEWHERE` with how far away and on which side.
    """
    names = {}
    for j, each in enumerate(subject.features):
        if j != k and each.kind != "point":
            names[each.name] = apart(found_mm, sheet.true_mm(each.points), each.closed)
    nearest = min(names, key=names.get, default="")
    if nearest and names[nearest] < SAME_LINE_MM:
        return OTHER, nearest
    each = subject.features[k]
    true, before = sheet.true_mm(each.points), apply(sheet.placement.matrix, each.points)
    if apart(found_mm, before, each.closed) < min(SAME_LINE_MM, 0.5 * apart(true, before, each.closed)):
        return STAYED, ""
    off = found_mm.mean(0) - true.mean(0)
    if each.slides or each.kind == "segment":
        across, _ = main_normal(each)
        off = across * (across @ off)
    return ELSEWHERE, _side(off)


def _side(off: np.ndarray) -> str:
    """ "3.2 mm below its place"."""
    x, y = off
    side = ("right of" if x > 0 else "left of") if abs(x) > abs(y) else ("below" if y > 0 else "above")
    return f"{float(np.hypot(x, y)):.1f} mm {side} its place"
