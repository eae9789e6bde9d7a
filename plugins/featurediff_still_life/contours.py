"""An outline split where an artist would: sides from lip to foot with their levels, base, stem, handle and spout.

All pieces are in working px; nothing here knows names of objects.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from featurediff_still_life.ellipses import Ellipse
from featurediff_still_life.forms import Axis
from featurediff_still_life.outlines import Outline, smoothed

STEM = 0.16  # of the widest: a top narrower than this on a body that closes is a stem
NECK_DEPTH = 0.04  # of the widest: how much narrower than lip and shoulder a neck is
BASE_ARC = 0.9  # of the base's half width: where side ends and base begins on a round bottom
LEAST_SIDE = 0.25  # of its full length: less of a side is not judged
BRIDGE = 0.2  # of the height: a handle grows from no longer a stretch, and a side goes on behind no longer one
INTERRUPTED = 0.95  # of what is seen of a side: a stretch shorter than this is not all of it
STANDS_OUT = 0.2  # of the half width beyond the widest: a part without a space inside it stands out at least so far
SWELLING = 0.02  # of the half width
OFF_ELLIPSE = 0.04  # of the half axis
UNEVEN = 0.05  # of the half width: how much lower one half of a base may be than the other
MOST_TIPPED = 0.15  # difference of level over half width
LEAST_ACROSS = 0.05  # of an arc's width: a base is judged by its ellipse where at least this much lies on the axis' far side
ARC_OFF = 0.007  # of the half width: a base's near arc keeps to an ellipse as well as this (root mean square)
LEAST_OPEN = 0.15  # of an ellipse whose near arc a base is
ARC_WIDTHS = (0.75, 1.25)  # of the half width where a side ends: how wide a base's ellipse may be
BASE_DEPTH = 0.3  # of the height: a base's near arc is no deeper
LEAST_STRETCH = 0.06  # of the whole outline: shorter ones are bits between things in front
SHARP = 38.0  # degrees of turn that make a corner of a general outline
LEAST_APART = 0.2  # of the whole outline: a stretch as long as twice this is cut once more
APART = 0.08  # of the height: a shoulder nearer to the widest point is the same place
PROTRUSION = 0.06  # of the height: a handle or a spout is at least this long


@dataclass(frozen=True)
class Piece:
    """One stretch of an outline. ``what``: "left side", "base", "stem", "handle on the left" ...; ``points`` (n, 2) in order;
    ``sigma``: standard uncertainty across it, working px; ``anchors``: names -> index."""

    what: str
    points: np.ndarray
    closed: bool = False
    slides: bool = True
    sigma: float = 0.5
    anchors: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True)
class Profile:
    """Half widths of a symmetric body. ``levels`` (k,) px along the axis, ``half`` (k,), ``inner`` (2, k) the same for each side.

    ``grows`` and ``beside`` (2, k) bool, left and right: a handle or spout grows from that side there, or stands beside it.
    ``top``, ``base``: levels at which the sides begin and end; ``stem``: level where a stem ends, or None.
    """

    levels: np.ndarray
    half: np.ndarray
    inner: np.ndarray
    grows: np.ndarray
    beside: np.ndarray
    top: float
    base: float
    stem: float | None = None

    @property
    def stands_out(self) -> np.ndarray:
        """(2, k) bool: where something grows from either side or stands beside it, one stretch for each handle and spout."""
        least = max(round(PROTRUSION * len(self.levels)), 3)
        return np.array([sustained(flags, least) for flags in self.grows | self.beside])


def find_stem(levels: np.ndarray, half: np.ndarray) -> float | None:
    """The level at which a stem at the top ends and the body begins, or None."""
    widest = half.max()
    narrow = half < STEM * widest
    if not narrow[: max(len(levels) // 40, 2)].all():
        return None
    ends = int(np.argmin(narrow)) if not narrow.all() else 0
    # A pointed or round top is narrow for a moment only; a stem stays so.
    if levels[ends] - levels[0] < 0.035 * (levels[-1] - levels[0]) or levels[ends] - levels[0] > 0.4 * (levels[-1] - levels[0]):
        return None
    return float(levels[ends])


def sustained(flags: np.ndarray, least: int) -> np.ndarray:
    """(k,) bool: runs of True of at least ``least`` levels, after gaps of a third of that are closed."""
    out = flags.copy()
    for value, shortest in ((False, max(least // 3, 1)), (True, least)):
        for start, stop in runs(out == value):
            inner = start > 0 and stop < len(out)
            if stop - start < shortest and (value or inner):
                out[start:stop] = not value
    return out


def with_swelling(grows: np.ndarray, more: np.ndarray, widest: float) -> np.ndarray:
    """Levels at which a handle or spout grows, and on either side those where its root swells the body already.

    ``more`` (k,) px: how far this side stands out beyond the body.
    """
    swollen = np.nan_to_num(more) > SWELLING * widest
    reach = max(len(grows) // 40, 1)
    out = np.convolve(grows, np.ones(2 * reach + 1), "same") > 0.5
    for start, stop in runs(out | swollen):
        if grows[start:stop].any():
            out[start:stop] = True
    return out


def standing_out(flags: np.ndarray, more: np.ndarray, widest: float) -> np.ndarray:
    """Those runs of levels in which a side stands out far beyond the body. ``more`` (k,) px: how far."""
    out = np.zeros_like(flags)
    for start, stop in runs(flags):
        out[start:stop] = np.nan_to_num(more[start:stop]).max() > STANDS_OUT * widest
    return out


def runs(flags: np.ndarray) -> list[tuple[int, int]]:
    """(start, stop) of every run of True."""
    padded = np.concatenate([[False], flags, [False]]).astype(int)
    steps = np.diff(padded)
    return list(zip(np.nonzero(steps == 1)[0], np.nonzero(steps == -1)[0], strict=True))


def base_level(axis: Axis, outline: Outline, levels: np.ndarray, half: np.ndarray, rim: Ellipse | None) -> float:
    """The level at which the sides end and the base's near arc begins.

    The base's near side is half an ellipse, about as open as the rim or a little more, because it is seen more from above.
    Where the silhouette below some level is such an arc, that level is taken; else the last tenth of the half width counts.
    """
    bottom = float(levels[-1])
    local = axis.local(outline.points)
    best, best_off = None, np.inf
    least, most = (0.8 * rim.openness, 1.7 * rim.openness + 0.08) if rim is not None else (0.05, 0.6)
    for level, wide in zip(levels[::-1][1:], half[::-1][1:], strict=True):
        short = bottom - level
        if short > min(most * half.max(), BASE_DEPTH * (bottom - levels[0])):
            break
        if not least * wide <= short <= most * wide or wide < 0.15 * half.max():
            continue
        below = (local[:, 1] > level) & ~outline.hidden
        if below.sum() < 6:
            continue
        x = np.clip(np.abs(local[below, 0]) / wide, 0, 1)
        off = local[below, 1] - (level + short * np.sqrt(1 - x * x))
        rms = float(np.sqrt((off**2).mean())) / np.sqrt(wide)
        if rms < best_off:
            best, best_off = level, rms
    if best is not None and best_off * np.sqrt(half.max()) < 0.03 * half.max():
        return float(best)
    return bottom - (1 - BASE_ARC) * float(half[-max(len(half) // 5, 2) :].max())


def side(axis: Axis, outline: Outline, profile: Profile, name: str) -> Piece | None:
    """The left or the right side from top to base, without what stands out; its longest stretch that is not hidden for long."""
    which = int(name == "right")
    local = axis.local(outline.points)
    mine = ((local[:, 0] > 0) == (name == "right")) & (local[:, 1] >= profile.top) & (local[:, 1] <= profile.base)
    visible = mine & outline.seen & ~outline.hidden
    stretch = longest_run(visible)
    points = np.zeros((0, 2)) if stretch is None else outline.points[stretch]
    interrupted = len(points) < INTERRUPTED * visible.sum()
    if interrupted or (profile.grows[which] | profile.beside[which]).any():
        points = _side_by_levels(axis, profile, which)
    if len(points) < 8:
        return None
    if (points[0] - points[-1]) @ axis.down > 0:
        points = points[::-1]
    if np.hypot(*np.diff(points, axis=0).T).sum() < LEAST_SIDE * (profile.base - profile.top):
        return None
    return Piece(f"{name} side", points, anchors=_levels_on(axis, profile, points))


def _side_by_levels(axis: Axis, profile: Profile, which: int) -> np.ndarray:
    """A side beside a handle or a spout, level by level. Across the short stretches where one grows, or where something stands in
    front, it follows the other side."""
    levels, inner = profile.levels, profile.inner[which]
    within = (levels >= profile.top) & (levels <= profile.base)
    seen = within & np.isfinite(inner) & ~profile.grows[which]
    across = np.where(seen, inner, profile.half)
    for start, stop in runs(within & ~seen):
        bridged_over = start > 0 and stop < len(levels) and seen[start - 1] and seen[stop]
        if bridged_over and levels[stop] - levels[start] < BRIDGE * (levels[-1] - levels[0]):
            # The other side's outline, shifted to meet this one at both ends.
            ends = inner[[start - 1, stop]] - profile.half[[start - 1, stop]]
            across[start:stop] += np.interp(np.arange(start, stop), [start - 1, stop], ends)
            seen[start:stop] = True
    if not seen.any():
        return np.zeros((0, 2))
    start, stop = max(runs(seen), key=lambda run: run[1] - run[0])
    sign = 1.0 if which else -1.0
    return axis.picture(np.column_stack([sign * across[start:stop], levels[start:stop]]))


def base(axis: Axis, outline: Outline, profile: Profile) -> Piece | None:
    """The near arc of the base, left to right."""
    local = axis.local(outline.points)
    stretch = longest_run((local[:, 1] > profile.base) & outline.seen & ~outline.hidden)
    if stretch is None:
        return None
    points = outline.points[stretch]
    points = points if points[0, 0] < points[-1, 0] else points[::-1]
    if len(points) < 6 or np.ptp(points[:, 0]) < 0.35 * 2 * profile.half[-max(len(profile.half) // 12, 1) :].max():
        return None
    local = axis.local(points)
    if not _even(local) and not _elliptic(local, float(np.interp(profile.base, profile.levels, profile.half))):
        return None
    return Piece("base", points, anchors={"lowest point": int((points @ axis.down).argmax())})


def _even(local: np.ndarray) -> bool:
    """Whether an arc (n, 2), left to right across an axis, is as low on its left as on its right; a shadow's edge is not."""
    reach = min(-local[0, 0], local[-1, 0])
    if reach <= 0 or reach < 0.3 * np.ptp(local[:, 0]):
        return False
    across = np.linspace(0.15, 0.9, 16) * reach
    order = np.argsort(local[:, 0])
    right, left = (np.interp(way * across, local[order, 0], local[order, 1]) for way in (1, -1))
    # A base that tips a little is no shadow: what counts is unevenness beyond a tilt.
    tilt = np.sum((right - left) * across) / np.sum(across**2)
    return float(np.abs(right - left - tilt * across).max()) < UNEVEN * reach and abs(tilt) < MOST_TIPPED


def _elliptic(local: np.ndarray, half: float) -> bool:
    """Whether an arc (n, 2) is of the near half of an ellipse on the axis, about as wide as the sides' end (``half`` px).

    So the rest of a base is known that something stands in front of; what a shadow hides of one bends otherwise.
    """
    if min(-local[0, 0], local[-1, 0]) < LEAST_ACROSS * np.ptp(local[:, 0]):
        return False
    for wide in np.linspace(*ARC_WIDTHS, 11) * half:
        across = local[:, 0] / wide
        if np.abs(across).max() > 1 + ARC_OFF:
            continue
        terms = np.column_stack([np.ones(len(local)), local[:, 0], np.sqrt(np.maximum(1 - across**2, 0))])
        found = np.linalg.lstsq(terms, local[:, 1], rcond=None)[0]
        off, tilt, short = terms @ found - local[:, 1], found[1], found[2]
        if short >= LEAST_OPEN * wide and abs(tilt) < MOST_TIPPED / 2 and np.sqrt((off**2).mean()) < ARC_OFF * half:
            return True
    return False


def stem(axis: Axis, outline: Outline, profile: Profile) -> Piece | None:
    """Around the stem, from its left foot over the top to its right foot."""
    if profile.stem is None:
        return None
    local = axis.local(outline.points)
    near = np.abs(local[:, 0]) < 0.5 * profile.half.max()
    stretch = longest_run((local[:, 1] < profile.stem) & near & ~outline.hidden)
    if stretch is None or len(stretch) < 6:
        return None
    points = outline.points[stretch]
    return Piece("stem", points, slides=False, anchors={"top": int(points[:, 1].argmin())})


def protrusions(axis: Axis, outline: Outline, profile: Profile) -> list[tuple[str, Piece, tuple[float, float]]]:
    """What stands out on one side: (side, its outer outline from top to bottom, its levels)."""
    found = []
    local = axis.local(outline.points)
    for name, sign, out in (("left", -1.0, profile.stands_out[0]), ("right", 1.0, profile.stands_out[1])):
        for start, stop in runs(out):
            low, high = profile.levels[start], profile.levels[stop - 1]
            half = np.interp(local[:, 1], profile.levels, profile.half)
            mine = (local[:, 1] >= low) & (local[:, 1] <= high) & (sign * local[:, 0] > half + 1.0)
            stretch = longest_run(mine & ~outline.hidden)
            if stretch is None or len(stretch) < 8:
                continue
            points = outline.points[stretch]
            if local[stretch[0], 1] > local[stretch[-1], 1]:
                points = points[::-1]
            furthest = int((sign * axis.local(points)[:, 0]).argmax())
            found.append((name, Piece("", points, slides=False, anchors={"furthest point": furthest}), (float(low), float(high))))
    return found


def beside_ellipse(outline: Outline, ellipse: Ellipse) -> list[Piece]:
    """What of an outline does not lie on the thing's ellipse: the body under a wide mouth, a handle."""
    off = np.abs(ellipse.off(outline.points)) > OFF_ELLIPSE * ellipse.long
    if off.all() or not off.any():
        return []
    first = int(np.argmin(off))
    points, flags = np.roll(outline.points, -first, 0), np.roll(off & outline.seen & ~outline.hidden, -first)
    least = max(0.06 * len(points), 8)
    found = [points[start:stop] for start, stop in runs(flags) if stop - start >= least]
    return _told_apart([Piece(_place_of(line, outline.points), line) for line in found])


def stretches(outline: Outline, most: int = 6) -> list[Piece]:
    """An outline without symmetry cut into a few stretches at its sharpest corners, and where there are none at its diagonals;
    what is hidden is left out."""
    points = outline.points
    count = len(points)
    cuts = _corners(points, most, max(round(count / (most + 2)), 6))
    cuts += _diagonals(points, cuts)
    cuts.sort()
    found = []
    for start, stop in zip(cuts, [*cuts[1:], cuts[0] + count], strict=True):
        whole = np.arange(start, stop + 1) % count
        visible = outline.seen[whole] & ~outline.hidden[whole]
        longest = max(runs(visible), key=lambda run: run[1] - run[0], default=(0, 0))
        index = whole[longest[0] : longest[1]]
        if len(index) >= max(LEAST_STRETCH * count, 8):
            found.append(Piece(_place_of(points[index], points), points[index]))
    return _told_apart(found)


def _corners(points: np.ndarray, most: int, least: int) -> list[int]:
    """Where a closed line (n, 2) turns sharply, the sharpest ``most``, no two nearer than ``least`` points."""
    count = len(points)
    arm = max(round(0.035 * count), 3)
    before, after = points - np.roll(points, arm, 0), np.roll(points, -arm, 0) - points
    turn = np.abs(np.arctan2(before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0], (before * after).sum(1)))
    free = smoothed(turn, 2.0)
    cuts: list[int] = []
    while len(cuts) < most and free.max() > np.radians(SHARP):
        k = int(free.argmax())
        cuts.append(k)
        free[np.arange(k - least, k + least + 1) % count] = -1.0
    return cuts


def _diagonals(points: np.ndarray, cuts: list[int]) -> list[int]:
    """Where a closed line (n, 2) lies straight up left, up right, down right, down left of its middle, as seen in its own box,
    far enough from its ``cuts``: a round thing has no corners, and its highest point is nowhere in particular."""
    low, high = points.min(0), points.max(0)
    x, y = ((points - (low + high) / 2) / np.maximum(high - low, 1.0)).T
    angle = np.arctan2(y, x)
    count = len(points)
    found: list[int] = []
    for way in np.radians([-135.0, -45.0, 45.0, 135.0]):
        k = int(np.abs((angle - way + np.pi) % (2 * np.pi) - np.pi).argmin())
        gaps = [min((k - cut) % count, (cut - k) % count) for cut in cuts]
        if min(gaps, default=count) > LEAST_APART * count:
            found.append(k)
    return found


def longest_run(flags: np.ndarray) -> np.ndarray | None:
    """Indices of the longest run of True around a closed line, small gaps bridged; None when there is none."""
    if not flags.any():
        return None
    if flags.all():
        return np.arange(len(flags))
    first = int(np.argmin(flags))
    rolled = bridged(np.roll(flags, -first), 4)
    start, stop = max(runs(rolled), key=lambda run: run[1] - run[0])
    return (np.arange(start, stop) + first) % len(flags)


def bridged(flags: np.ndarray, longest: int) -> np.ndarray:
    """Runs of False of at most ``longest`` between True are closed."""
    out = flags.copy()
    for start, stop in runs(~flags):
        if stop - start <= longest and start > 0 and stop < len(flags):
            out[start:stop] = True
    return out


def _levels_on(axis: Axis, profile: Profile, points: np.ndarray) -> dict[str, int]:
    """The meaningful levels of a side as anchors: neck, shoulder, widest point, foot."""
    at = axis.local(points)[:, 1]
    inside = (profile.levels >= profile.top) & (profile.levels <= profile.base)
    levels, half = profile.levels[inside], profile.half[inside]
    if len(levels) < 12:
        return {}
    half = smoothed(half, max(len(half) / 60, 1.0), closed=False)
    found = {name: level for name, level in _marks(levels, half).items() if at.min() - 2 <= level <= at.max() + 2}
    return {name: int(np.abs(at - level).argmin()) for name, level in found.items()}


def _marks(levels: np.ndarray, half: np.ndarray) -> dict[str, float]:
    widest = int(half.argmax())
    found: dict[str, float] = {}
    inner = len(levels) // 20
    if inner < widest < len(levels) - 1 - inner:
        found["widest point"] = float(levels[widest])
    above = half[: widest + 1]
    if len(above) > 8:
        neck = int(above.argmin())
        if inner < neck < widest - 2 and above[:neck].max() - above[neck] > 0.5 * NECK_DEPTH * half[widest]:
            found["neck"] = float(levels[neck])
        if half[widest] - above.min() > 2 * NECK_DEPTH * half[widest] and neck < widest - 8:
            # The shoulder is where the outline, coming down from the neck, turns most from outwards to downwards.
            bend = _bend(levels[neck : widest + 1], half[neck : widest + 1])
            k = int(bend.argmax())
            far = abs(levels[neck + k] - levels[widest]) > APART * (levels[-1] - levels[0])
            if bend[k] > 0 and k > 2 and far:
                found["shoulder"] = float(levels[neck + k])
    below = half[widest:]
    if len(below) > 8:
        foot = int(below.argmin())
        if 2 < foot < len(below) - 1 - inner // 2 and below[foot:].max() - below[foot] > 0.5 * NECK_DEPTH * half[widest]:
            found["top of the foot"] = float(levels[widest + foot])
    return found


def _bend(levels: np.ndarray, half: np.ndarray) -> np.ndarray:
    """(k,) how fast the side turns downwards, radians per px, over a tenth of the stretch."""
    direction = np.arctan2(np.gradient(half), np.gradient(levels))
    return -np.gradient(smoothed(direction, max(len(levels) / 20, 1.5), closed=False))


def _place_of(points: np.ndarray, whole: np.ndarray) -> str:
    """Where a stretch lies on the outline, in words."""
    low, high = whole.min(0), whole.max(0)
    x, y = (points.mean(0) - (low + high) / 2) / np.maximum((high - low) / 2, 1.0)
    across = "left" if x < -0.3 else "right" if x > 0.3 else ""
    down = "top" if y < -0.3 else "bottom" if y > 0.3 else ""
    upright = {"top": "upper", "bottom": "lower"}.get(down, "")
    if across and down:
        return f"{upright} {across} of the outline"
    return f"{across or down or 'middle'} of the outline"


def _told_apart(pieces: list[Piece]) -> list[Piece]:
    """Equal names get an ordinal, in the order of the outline."""
    words = ("first", "second", "third", "fourth", "fifth", "sixth")
    out = []
    for k, piece in enumerate(pieces):
        same = [j for j, other in enumerate(pieces) if other.what == piece.what]
        what = piece.what if len(same) == 1 else f"{words[same.index(k)]} part of the {piece.what}"
        out.append(Piece(what, piece.points, piece.closed, piece.slides, piece.sigma, piece.anchors))
    return out
