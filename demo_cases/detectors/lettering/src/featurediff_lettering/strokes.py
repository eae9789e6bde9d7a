"""The straight sides of upright stems, and what is left of a letter's outline between them."""

from dataclasses import dataclass

import numpy as np

STEM_LEAN = 17.0  # degrees: what leans more is a slanting stroke, told by the outline
SHORTEST = 0.4  # of the letter's height
STRAIGHT = 0.008  # of the letter's height: how far a side may leave its line
WINDOW = 0.05  # of the letter's height: over which the outline's direction is taken
WIDEST = 0.5  # a stroke's width, of the letter's height


@dataclass(eq=False)
class Side:
    """One side of a stem: ``line`` (2, 2) px from top to bottom, and which stretch of the outline it is, as indices."""

    line: np.ndarray
    start: int
    end: int
    ink_right: bool

    @property
    def x(self):
        return float(self.line[:, 0].mean())


def stems(outline):
    """The stems of a letter from left to right, each its one or two `Side`s; only sides on the letter's outer outline."""
    sides = sorted(_sides(outline), key=lambda side: side.x)
    height, found = np.ptp(outline[:, 1]), []
    for side in sides:
        before = found[-1][-1] if found else None
        pair = before is not None and before.ink_right and not side.ink_right and side.x - before.x < WIDEST * height
        if pair:
            found[-1].append(side)
        else:
            found.append([side])
    return found


def rest(outline, sides):
    """The stretches (n, 2) of the outline between these sides, from the top down; the sides' own ends belong to them."""
    sides = sorted(sides, key=lambda side: side.start)
    runs = []
    for side, after in zip(sides, sides[1:] + sides[:1], strict=True):
        end = after.start if after.start > side.end else after.start + len(outline)
        runs.append(outline[np.arange(side.end, end + 1) % len(outline)])
    return sorted(runs, key=lambda run: run[:, 1].mean())


def _sides(outline):
    """Long straight upright stretches: grown from where the outline runs upright for as long as they keep to their line."""
    height, count = np.ptp(outline[:, 1]), len(outline)
    step = max(1, round(WINDOW * height / _spacing(outline)))
    way = np.roll(outline, -step, axis=0) - np.roll(outline, step, axis=0)
    downward = np.sign(way[:, 1])
    upright = np.abs(np.degrees(np.arctan2(way[:, 0], np.abs(way[:, 1])))) < STEM_LEAN
    clockwise = _area(outline) > 0
    for first, last in _runs(np.where(upright, downward, 0)):
        body = outline[np.arange(first, last + 1) % count]
        if np.ptp(body[:, 1]) < SHORTEST * height:
            continue
        for _ in range(3):  # the ends bend into serifs: keep what lies on the line of the rest
            slope, at = np.polyfit(body[:, 1], body[:, 0], 1)
            on = np.flatnonzero(np.abs(slope * body[:, 1] + at - body[:, 0]) < max(1.2, STRAIGHT * height))
            if len(on) < 4:
                break
            first, body = first + on[0], body[on[0] : on[-1] + 1]
        top, bottom = body[:, 1].min(), body[:, 1].max()
        if bottom - top > SHORTEST * height and len(on) > 0.9 * len(body):
            line = np.array([[slope * top + at, top], [slope * bottom + at, bottom]])
            start = int(first % count)
            yield Side(line, start, start + len(body) - 1, bool((downward[first % count] < 0) == clockwise))


def _runs(values):
    """(first, last) indices of the stretches of equal values other than 0 round a closed curve."""
    count = len(values)
    starts = [i for i in range(count) if values[i] and values[i - 1] != values[i]]
    for start in starts:
        end = start
        while values[(end + 1) % count] == values[start] and end - start < count - 1:
            end += 1
        yield start, end


def _area(outline):
    """Signed: positive when the outline runs clockwise as seen, y down."""
    x, y = outline.T
    return float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)))


def _spacing(outline):
    return float(np.median(np.hypot(*np.diff(outline, axis=0).T)))


def length(run):
    """px along an open curve (n, 2)."""
    return float(np.hypot(*np.diff(run, axis=0).T).sum())
