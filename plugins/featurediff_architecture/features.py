"""Records of the chosen lines: segments, corners, meeting points."""

from __future__ import annotations

import numpy as np

from featurediff.api import Feature, Junction, Meeting
from featurediff_architecture.choose import Candidates
from featurediff_architecture.curves import Arc
from featurediff_architecture.directions import SPREAD, Directions
from featurediff_architecture.joints import Joint
from featurediff_architecture.naming import Named
from featurediff_architecture.vocabulary import ROLES
from featurediff_architecture.working import Working

# Standard uncertainty of a line's place on the working copy in px: measured on rendered buildings
# (tests/benchmark/architecture_reference.py); an edge is also a choice among the mouldings beside it.
SIGMA = 0.5


def line_features(named: list[Named], ends: np.ndarray, joints: tuple[Joint, ...], working: Working) -> tuple[Feature, ...]:
    """One segment for each line; ``ends`` (n, 2, 2) in working px, upper or left end first."""
    real = {end for joint in joints for end in joint.ends}
    found = []
    for k, line in enumerate(named):
        kind = ROLES[line.role.what]
        corners = [(k, 0) in real, (k, 1) in real]
        slides = not all(corners)
        points = working.to_picture(ends[k])
        across = abs(points[1] - points[0])
        long = "width" if across[0] > across[1] else "height"
        found.append(
            Feature(
                line.name,
                line.part,
                "segment",
                points,
                measures=("across", "down", "tilt") if slides else ("across", "down", long, "tilt"),
                tolerance=kind.tolerance,
                importance=kind.importance,
                stage=kind.stage,
                sigma_px=SIGMA / working.scale,
                slides=slides,
                anchors=_anchors(points),
            )
        )
    return tuple(found)


def _anchors(points: np.ndarray) -> dict[str, int]:
    across = np.abs(points[1] - points[0])
    return {"left end": 0, "right end": 1} if across[0] > across[1] else {"top": 0, "foot": 1}


def arc_features(named: list[tuple[str, str, Arc]], working: Working) -> tuple[Feature, ...]:
    """One sliding curve for each named arc: (name, part, arc)."""
    kind = ROLES["arc"]
    return tuple(
        Feature(
            name,
            part,
            "curve",
            working.to_picture(arc.points),
            measures=("across", "down", "width", "height", "shape"),
            tolerance=kind.tolerance,
            importance=kind.importance,
            stage=kind.stage,
            sigma_px=SIGMA / working.scale,
            slides=True,
            anchors={"top": int(arc.points[:, 1].argmin())},
        )
        for name, part, arc in named
    )


def junctions(named: list[Named], ends: np.ndarray, joints: tuple[Joint, ...]) -> tuple[Junction, ...]:
    """Corner records; each is named by its most important line and the end of it."""
    found: list[Junction] = []
    used: dict[str, int] = {}
    for joint in joints:
        lines = sorted(joint.ends, key=lambda end: -ROLES[named[end[0]].role.what].importance)
        label = _corner_label(named, ends, lines)
        used[label] = used.get(label, 0) + 1
        if used[label] > 1:
            label = f"{label} ({used[label]})"
        found.append(Junction(label, tuple((named[line].name, -end) for line, end in joint.ends)))
    return tuple(found)


def _corner_label(named: list[Named], points: np.ndarray, ends: list[tuple[int, int]]) -> str:
    slopes = [k for k, end in ends if named[k].role.what == "roof slope" and points[k, end, 1] <= points[k, :, 1].min()]
    if len(slopes) > 1:
        return "peak of the gable"
    line, end = ends[0]
    across, down = np.abs(points[line, 1] - points[line, 0])
    where = ("left end", "right end")[end] if across > down else ("top", "foot")[end]
    return f"{named[line].name}, {where}"


def meetings(chosen: Candidates, named: list[Named], directions: Directions, working: Working) -> tuple[Meeting, ...]:
    """The vanishing points that the chosen lines tell: those whose lines spread by `SPREAD` degrees or more."""
    found = []
    for number, direction in enumerate(directions.level):
        members = np.flatnonzero(chosen.aim == number)
        if len(members) < 2 or not direction.finite:
            continue
        angle = chosen.lines.angle[members]
        spread = float(np.ptp((angle - angle[0] + 90.0) % 180.0))
        if spread < SPREAD:
            continue
        at = working.to_picture(direction.at)
        side = "right" if direction.at[0] > float(chosen.lines.middle[members, 0].mean()) else "left"
        label = f"lines that recede to the {side}"
        if any(label == other.label for other in found):
            label = f"other {label}"
        found.append(Meeting(label, tuple(named[k].name for k in members), at))
    return tuple(found)
