"""How much of a straight line the drawing itself backs: along which share of it an edge runs just there, that way.

A correlation can be high where half of a line lies on its own edge and the other half runs from there across bare paper to
another. Looked at part by part, a drawn line stands out from what lies beside it along nearly all of its course.
"""

from __future__ import annotations

import numpy as np

from featurediff.matching.channels import at_orientation
from featurediff.matching.correlate import Field
from featurediff.matching.strips import Course, positions, strip

# As shares of the size: the steps along and across, the length of a part, what counts as on the line, and how far beside it is
# looked.
ALONG = 0.003
ACROSS = 0.0012
PART = 0.02
ON = 0.0036
BESIDE = (0.005, 0.012)


def backing(drawing: Field, course: Course, size: float) -> float:
    """Share (0 to 1) of ``course`` along which the strongest edge of its direction, in the drawing, lies on it and not beside."""
    at = positions(course, ALONG * size)
    steps = round(BESIDE[1] / ACROSS)
    aside = np.arange(-steps, steps + 1) * ACROSS
    seen = np.moveaxis(strip(drawing.layers, course, at, aside * size), 2, 0)
    strength = at_orientation(seen, 2 * np.arctan2(course.across[1], course.across[0]))
    parts = max(round(2 * course.half / (PART * size)), 2)
    means = np.stack([part.mean(0) for part in np.array_split(strength, parts)])
    on, beside = np.abs(aside) <= ON, np.abs(aside) >= BESIDE[0]
    return float((means[:, on].max(1) > means[:, beside].max(1)).mean())
