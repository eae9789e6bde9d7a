"""What repeats along a storey: its period, one size and one pair of level lines for all of a row, and its missing ones."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from featurediff_architecture.openings_edges import Edges, column_profile, row_profile

# A strip that is so like itself, moved by a period, repeats.
REPEATS = 0.3
# A facade holds no more than about so many openings side by side: 1 / SHORTEST.
SHORTEST = 0.06
# An opening's width by its storey's period.
NARROWEST, BROADEST = 0.12, 0.92


def likeness_by_lag(strip: np.ndarray) -> np.ndarray:
    """(w,) correlation of a strip (h, w, c) with itself moved along x by 0, 1, 2 ... px, each over what then overlaps."""
    strip = strip - strip.mean(1, keepdims=True)
    width = strip.shape[1]
    spectrum = np.fft.rfft(strip, 2 * width, axis=1)
    product = np.fft.irfft(np.abs(spectrum) ** 2, axis=1)[:, :width].sum((0, 2))
    energy = np.concatenate([[0.0], np.cumsum((strip**2).sum((0, 2)))])
    lag = np.arange(width)
    both = energy[width - lag] + energy[-1] - energy[lag]
    return 2 * product / np.maximum(both, 1e-9)


class Periods:
    """The distance at which each storey repeats; strips once looked at are remembered."""

    def __init__(self, edges: Edges, inside: np.ndarray):
        size = (max(edges.size[0] // 2, 1), max(edges.size[1] // 2, 1))
        self._half = cv2.resize(edges.lab, size, interpolation=cv2.INTER_AREA)
        self._inside = cv2.resize(inside.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
        self._known: dict[tuple[int, int], float] = {}
        # Columns mostly stand above one another: the facade as a whole speaks for storeys that do not tell.
        self._whole = first_peak(self._likeness(0, size[1]))

    def at(self, top: float, bottom: float) -> float:
        """The period in px of the storey between ``top`` and ``bottom``, or 0 when it does not repeat clearly."""
        key = (round(top / 12), round(bottom / 12))
        if key not in self._known:
            own = self._likeness(6 * key[0], max(6 * key[1], 6 * key[0] + 3))
            period = first_peak(own) or self._whole
            # A door among the windows hides a storey's period, not a multiple of it.
            several = self._whole > 0 and period > 1.5 * self._whole
            self._known[key] = 2.0 * (self._whole if several else period)
        return self._known[key]

    def fits(self, box: np.ndarray) -> bool:
        """False when ``box`` is too wide, or far too narrow, for the period of its storey."""
        period = self.at(box[1], box[3])
        return period == 0 or NARROWEST * period <= box[2] - box[0] <= BROADEST * period

    def _likeness(self, top: int, bottom: int) -> np.ndarray:
        rows = slice(max(top, 0), bottom)
        strip = self._half[rows]
        seen = self._inside[rows].mean(0) > 0.8 if len(strip) else np.zeros(0, bool)
        if seen.sum() < 20:
            return np.zeros(0)
        first, last = np.flatnonzero(seen)[[0, -1]]
        few = cv2.resize(strip[:, first : last + 1], (last + 1 - first, min(len(strip), 12)), interpolation=cv2.INTER_AREA)
        return likeness_by_lag(few)


def first_peak(likeness: np.ndarray) -> int:
    """The first lag at which a strip is about as like itself as at any, 0 for none: its period, not a multiple of it."""
    if len(likeness) < 12:
        return 0
    part = likeness[: int(0.7 * len(likeness))]
    lag = np.arange(1, len(part) - 1)
    peaks = lag[(part[1:-1] > part[:-2]) & (part[1:-1] >= part[2:]) & (lag > SHORTEST * len(likeness))]
    high = peaks[part[peaks] > REPEATS]
    if len(high) == 0:
        return 0
    return int(high[part[high] >= 0.6 * part[high].max()][0])


@dataclass(frozen=True, eq=False)
class Row:
    """Boxes of one size on one level: ``lefts`` (n,) their left sides' places, and what they share."""

    lefts: np.ndarray
    wide: float
    top: float
    bottom: float

    def boxes(self) -> np.ndarray:
        """(n, 4)."""
        level = np.ones_like(self.lefts)
        return np.column_stack([self.lefts, self.top * level, self.lefts + self.wide, self.bottom * level])


def families(boxes: np.ndarray, tolerance: float = 0.12) -> list[list[int]]:
    """Numbers of boxes (n, 4) of about one size on one level, largest family first."""
    wide, high = boxes[:, 2] - boxes[:, 0], boxes[:, 3] - boxes[:, 1]
    same = np.abs(np.log(wide[:, None] / wide)) < tolerance
    same &= np.abs(boxes[:, None, 1] - boxes[:, 1]) < tolerance * high
    same &= np.abs(boxes[:, None, 3] - boxes[:, 3]) < tolerance * high
    free = np.ones(len(boxes), bool)
    found = []
    while free.any():
        votes = (same & free).sum(1) * free
        first = int(np.argmax(votes))
        own = np.flatnonzero(same[first] & free)
        free[own] = False
        free[first] = False
        found.append(sorted({first, *own.tolist()}, key=lambda k: boxes[k, 0]))
    return found


def settled(edges: Edges, boxes: np.ndarray, heads: bool = False) -> Row:
    """One row of boxes (n, 4), n >= 2: its sides where the edges of all are strongest together.

    The median over the row is taken, so that a tree before one of them, or a mirrored sky, has no say. Arched boxes
    (``heads``) keep their tops.
    """
    wide, high = np.median(boxes[:, 2] - boxes[:, 0]), np.median(boxes[:, 3] - boxes[:, 1])
    top, bottom = np.median(boxes[:, 1]), np.median(boxes[:, 3])
    centre = (boxes[:, 0] + boxes[:, 2]) / 2
    trim_x, trim_y = 0.15 * wide, (0.4 if heads else 0.12) * high
    rows = np.median([_strength(row_profile(edges, c - wide / 2 + trim_x, c + wide / 2 - trim_x)) for c in centre], axis=0)
    reach = 0.08 * high
    top = top if heads else _peak(rows, top, reach)
    bottom = _peak(rows, bottom, reach)
    columns = _strength(column_profile(edges, top + trim_y, bottom - 0.12 * high))
    reach = max(0.1 * wide, 2.0)
    offsets = np.arange(-reach, reach + 0.5, 0.5)
    sides = []
    for index, sign in ((0, -0.5), (2, 0.5)):
        at = np.median(boxes[:, index] - centre) if len(boxes) > 2 else sign * wide
        values = np.array([np.interp(centre + at + d, np.arange(len(columns)), columns) for d in offsets])
        sides.append(at + _peak_of(offsets, np.median(values, axis=1)))
    return Row(centre + sides[0], sides[1] - sides[0], top, bottom)


def aligned(edges: Edges, row: Row, reach: float = 2.5) -> Row:
    """The row with each box moved along it to where both its sides together stand best."""
    columns = _strength(
        column_profile(edges, row.top + 0.15 * (row.bottom - row.top), row.bottom - 0.12 * (row.bottom - row.top))
    )
    offsets = np.arange(-reach, reach + 0.25, 0.25)
    places = np.arange(len(columns))
    lefts = []
    for left in row.lefts:
        both = [np.interp(left + offsets + d, places, columns) for d in (0.0, row.wide)]
        lefts.append(left + _peak_of(offsets, both[0] + both[1]))
    return replace(row, lefts=np.array(lefts))


def missing_places(row: Row, edge: float, hints: np.ndarray, period: float = 0.0) -> np.ndarray:
    """Left sides (k,) at which a row may have further boxes: at its steps beside those it has, and at ``hints`` (m,); none that
    overlaps one it has, all between 2 px and ``edge``. ``period``: the storey's, or 0 when it has none."""
    tried = list(hints)
    if period > 0:
        tried += [place for left in row.lefts for place in (left - period, left + period)]
    elif len(row.lefts) >= 3:
        gaps = np.diff(np.sort(row.lefts))
        step = float(np.median(gaps[gaps < 1.5 * np.min(gaps)]))
        tried += [place for left in row.lefts for place in (left - step, left + step)]
    kept: list[float] = []
    for place in sorted(tried):
        clear = np.abs(row.lefts - place).min() > 0.6 * row.wide and all(abs(place - other) > 4 for other in kept)
        if clear and 2.0 <= place <= edge:
            kept.append(float(place))
    return np.array(kept)


def _strength(profile: np.ndarray) -> np.ndarray:
    return np.sqrt((profile**2).sum(1))


def _peak(strength: np.ndarray, at: float, reach: float) -> float:
    """Sub-px place of the greatest ``strength`` (n,) within ``reach`` of ``at``."""
    low = int(np.clip(np.floor(at - reach), 1, len(strength) - 2))
    high = int(np.clip(np.ceil(at + reach), low, len(strength) - 2))
    places = np.arange(low, high + 1)
    preferred = strength[low : high + 1] * (1 - 0.3 * ((places - at) / max(reach, 1.0)) ** 2)
    best = low + int(np.argmax(preferred))
    return best + _bend(*strength[best - 1 : best + 2])


def _peak_of(places: np.ndarray, values: np.ndarray) -> float:
    """Place of the greatest of evenly spaced ``values``, by a parabola; nearer to 0 is preferred."""
    best = int(np.argmax(values * (1 - 0.3 * (places / max(abs(places[0]), 1e-6)) ** 2)))
    if best in (0, len(values) - 1):
        return float(places[best])
    return float(places[best] + _bend(*values[best - 1 : best + 2]) * (places[1] - places[0]))


def _bend(before: float, here: float, after: float) -> float:
    curve = before - 2 * here + after
    return float(np.clip(0.5 * (before - after) / curve, -0.5, 0.5)) if curve < -1e-9 else 0.0
