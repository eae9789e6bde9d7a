"""Corners: where ends of the chosen lines meet."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from featurediff_architecture.segments import Lines

# Ends this near (share of the size) to where two lines cross make a corner; more is allowed where both stop short of it.
NEAR = 0.015
# Lines that cross at less than this angle (degrees) tell no corner.
CROSS = 12.0
# A line passes a corner that it ends at within this share of the size.
OFF = 0.004


@dataclass(frozen=True)
class Joint:
    """A corner at ``at`` (2,) px; ``ends``: (line, 0 or 1) of each line that ends there."""

    at: np.ndarray
    ends: tuple[tuple[int, int], ...]


def find_joints(lines: Lines, size: float) -> tuple[np.ndarray, tuple[Joint, ...]]:
    """Ends (n, 2, 2) laid on the corners and on the lines they run up to, and the corners."""
    ends = lines.ends.copy()
    links = _links(lines, NEAR * size)
    joints = []
    for cluster in _clusters(links):
        cluster, at = _agreeing(lines, cluster, OFF * size)
        if at is None or max(np.hypot(*(lines.ends[line, end] - at)) for line, end in cluster) > 2.5 * NEAR * size:
            continue
        joints.append(Joint(at, tuple(cluster)))
        for line, end in cluster:
            # The end slides along its own line: the line itself is known better than the corner.
            ends[line, end] += ((at - ends[line, end]) @ lines.direction[line]) * lines.direction[line]
    at_corner = {end for joint in joints for end in joint.ends}
    _run_up(lines, ends, at_corner, NEAR * size)
    return ends, tuple(joints)


def _links(lines: Lines, near: float) -> list[tuple[tuple[int, int], tuple[int, int]]]:
    """Pairs of ends of two lines that lie near those lines' crossing."""
    links = []
    for i in range(len(lines)):
        for j in range(i + 1, len(lines)):
            if _angle(lines, i, j) < CROSS:
                continue
            at = _crossing(lines, [i, j])
            if at is None:
                continue
            a, b = (np.hypot(*(lines.ends[k] - at).T) for k in (i, j))
            if a.min() < near and b.min() < near:
                links.append(((i, int(a.argmin())), (j, int(b.argmin()))))
    return links


def _clusters(links) -> list[list[tuple[int, int]]]:
    """Ends joined by links, each line once."""
    groups: list[set[tuple[int, int]]] = []
    for a, b in links:
        touching = [group for group in groups if a in group or b in group]
        merged = {a, b}.union(*touching)
        groups = [group for group in groups if group not in touching] + [merged]
    return [sorted(group) for group in groups if len({line for line, _ in group}) == len(group) > 1]


def _agreeing(lines: Lines, cluster: list[tuple[int, int]], off: float):
    """The ends of a cluster whose lines pass within ``off`` of one point, and the point (None when fewer than two do)."""
    while len(cluster) > 1:
        members = [line for line, _ in cluster]
        at = _crossing(lines, members)
        if at is None:
            return cluster, None
        away = np.abs(((at - lines.middle[members]) * lines.normal[members]).sum(1))
        if away.max() <= off:
            return cluster, at
        cluster = [end for k, end in enumerate(cluster) if k != int(away.argmax())]
    return cluster, None


def _angle(lines: Lines, i: int, j: int) -> float:
    return abs((float(lines.angle[i] - lines.angle[j]) + 90.0) % 180.0 - 90.0)


def _crossing(lines: Lines, members: list[int]) -> np.ndarray | None:
    """The point nearest to all lines (least squares), or None when they are parallel."""
    normal = lines.normal[members]
    target = np.einsum("nc,nc->n", normal, lines.middle[members])
    if len(members) == 2:
        (a, b), (c, d) = normal.tolist()
        cross = a * d - b * c
        if abs(cross) < 0.14:
            return None
        e, f = target.tolist()
        return np.array([(e * d - b * f) / cross, (a * f - e * c) / cross])
    square = normal.T @ normal
    if np.linalg.eigvalsh(square)[0] < 0.01:
        return None
    return np.linalg.solve(square, normal.T @ target)


def _run_up(lines: Lines, ends: np.ndarray, fixed: set[tuple[int, int]], near: float) -> None:
    """Ends that stop just before or beyond another line are laid on it."""
    for i in range(len(lines)):
        for end in (0, 1):
            if (i, end) in fixed:
                continue
            for j in range(len(lines)):
                if i == j or _angle(lines, i, j) < CROSS:
                    continue
                at = _crossing(lines, [i, j])
                if at is None or np.hypot(*(ends[i, end] - at)) > near:
                    continue
                along = (at - lines.ends[j, 0]) @ lines.direction[j]
                if -near < along < lines.length[j] + near:
                    ends[i, end] = at  # on the line itself, which it only lengthens
                    break


def in_order(ends: np.ndarray, joints: tuple[Joint, ...]) -> tuple[np.ndarray, tuple[Joint, ...]]:
    """Each line from its upper or left end on, and the corners with the ends' new numbers."""
    ends = ends.copy()
    turned = np.zeros(len(ends), bool)
    for k, (first, last) in enumerate(ends):
        axis = 0 if abs(last[0] - first[0]) > abs(last[1] - first[1]) else 1
        turned[k] = first[axis] > last[axis]
    ends[turned] = ends[turned][:, ::-1]
    joints = tuple(Joint(j.at, tuple((line, 1 - end if turned[line] else end) for line, end in j.ends)) for j in joints)
    return ends, joints
