"""How well four sides of an upright rectangle stand on edges of a facade seen straight on, and where exactly they stand."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

# A side lies on an edge where the colour changes by so much per px (CIELAB units); less is grain of the wall.
FAINTEST = 1.2
# A side's ends are left out, where the neighbouring sides' edges disturb.
TRIM = 0.12
# An area whose lightness spreads less than this (80 % of it, CIELAB) is even.
EVEN = 14.0
# What lies left and right of an opening ought to be alike; what lies above (a wall over shutters) or below (a sill, the ground)
# less so.
BESIDE, ABOVE, BELOW = 2.0, 1.0, 0.5


@dataclass(frozen=True)
class Edges:
    """Colour changes of a picture: ``gx`` and ``gy`` (h, w, 3), CIELAB per px, and their sums along y and x.

    ``down`` (h + 1, w, 3) holds the sums of gx over all rows above, ``along`` (h, w + 1, 3) those of gy over all columns to the
    left: so the mean over a whole side costs two look-ups. ``busy`` (h + 1, w + 1) holds the sums of the changes' sizes over all
    px above and to the left; ``colour`` (h + 1, w + 1, 3) those of the colours.
    """

    lab: np.ndarray
    gx: np.ndarray
    gy: np.ndarray
    down: np.ndarray
    along: np.ndarray
    busy: np.ndarray
    colour: np.ndarray

    @property
    def size(self) -> tuple[int, int]:
        """Width and height, px."""
        return self.lab.shape[1], self.lab.shape[0]


def edges_of(pixels: np.ndarray) -> Edges:
    """Colour changes of (h, w, 3) uint8 RGB ``pixels``."""
    lab = cv2.cvtColor(pixels.astype(np.float32) / 255, cv2.COLOR_RGB2Lab)
    lab = cv2.GaussianBlur(lab, (0, 0), 0.8)
    gx = np.zeros_like(lab)
    gy = np.zeros_like(lab)
    gx[:, 1:-1] = (lab[:, 2:] - lab[:, :-2]) / 2
    gy[1:-1] = (lab[2:] - lab[:-2]) / 2
    height, width = lab.shape[:2]
    down = np.zeros((height + 1, width, 3), np.float32)
    np.cumsum(gx, axis=0, out=down[1:])
    along = np.zeros((height, width + 1, 3), np.float32)
    np.cumsum(gy, axis=1, out=along[:, 1:])
    size = np.sqrt((gx**2).sum(2) + (gy**2).sum(2))
    return Edges(lab, gx, gy, down, along, cv2.integral(size), cv2.integral(lab))


def column_profile(edges: Edges, top: float, bottom: float) -> np.ndarray:
    """Mean colour change across x over the rows from ``top`` to ``bottom``, (w, 3)."""
    height = edges.lab.shape[0]
    a = _within(round(top), 0, height - 1)
    b = _within(round(bottom), a + 1, height)
    return (edges.down[b] - edges.down[a]) / (b - a)


def row_profile(edges: Edges, left: float, right: float) -> np.ndarray:
    """Mean colour change across y over the columns from ``left`` to ``right``, (h, 3)."""
    width = edges.lab.shape[1]
    a = _within(round(left), 0, width - 1)
    b = _within(round(right), a + 1, width)
    return (edges.along[:, b] - edges.along[:, a]) / (b - a)


def peak_near(profile: np.ndarray, at: float, reach: float) -> float:
    """Sub-px place of the strongest change of an (n, 3) profile within ``reach`` px of ``at``; nearer ones are preferred."""
    low, high = max(int(np.floor(at - reach)), 1), min(int(np.ceil(at + reach)) + 1, len(profile) - 1)
    if high - low < 1:
        return float(at)
    strength = np.sqrt((profile[low - 1 : high + 1] ** 2).sum(1))
    places = np.arange(low, high)
    preferred = strength[1:-1] * np.exp(-0.5 * ((places - at) / max(reach, 1.0)) ** 2)
    best = low + int(np.argmax(preferred))
    before, here, after = strength[best - low : best - low + 3]
    bend = before - 2 * here + after
    step = 0.5 * (before - after) / bend if bend < -1e-9 else 0.0
    return best + min(max(float(step), -0.5), 0.5)


def refine(edges: Edges, box: np.ndarray, reach: float, upright: float = 0.0) -> np.ndarray:
    """``box`` (left, top, right, bottom) with each side moved to the strongest edge within ``reach`` px; top and bottom at first
    within ``upright`` of its height, where that is more."""
    left, top, right, bottom = (float(v) for v in box)
    for turn in range(2):
        trim_x, trim_y = TRIM * (right - left), TRIM * (bottom - top)
        columns = column_profile(edges, top + trim_y, bottom - trim_y)
        rows = row_profile(edges, left + trim_x, right - trim_x)
        left, right = peak_near(columns, left, reach), peak_near(columns, right, reach)
        reach_y = reach if turn else max(reach, upright * (bottom - top))
        top, bottom = peak_near(rows, top, reach_y), peak_near(rows, bottom, reach_y)
        reach = min(reach, 2.0)
    return np.array([left, top, right, bottom])


def cover(edges: Edges, box: np.ndarray) -> np.ndarray:
    """(4,) share of each side, left, top, right, bottom, that stands on one edge: of one direction of change all along."""
    left, top, right, bottom = (float(v) for v in box)
    trim_x, trim_y = TRIM * (right - left), TRIM * (bottom - top)
    shares = [
        cover_side(edges.gx, left, top + trim_y, bottom - trim_y),
        cover_side(edges.gy.transpose(1, 0, 2), top, left + trim_x, right - trim_x),
        cover_side(edges.gx, right, top + trim_y, bottom - trim_y),
        cover_side(edges.gy.transpose(1, 0, 2), bottom, left + trim_x, right - trim_x),
    ]
    return np.array(shares)


def lower_cover(edges: Edges, box: np.ndarray) -> np.ndarray:
    """(2,) `cover` of the left and right sides over their lower third, upright even in an arched opening."""
    left, top, right, bottom = (float(v) for v in box)
    start, stop = bottom - (bottom - top) / 3, bottom - TRIM / 2 * (bottom - top)
    return np.array([cover_side(edges.gx, left, start, stop), cover_side(edges.gx, right, start, stop)])


def taller(edges: Edges, box: np.ndarray, most: float = 1.0) -> np.ndarray | None:
    """``box`` with its top where both its sides end, when they go on above it (its top was a bar), or None.

    ``most``: how far up, by the box's height.
    """
    left, top, right, bottom = (float(v) for v in box)
    start, stop = max(int(top - most * (bottom - top)), 0), int(top) - 1
    if stop - start < 4:
        return None
    runs = []
    for at in (left, right):
        centre = _within(round(at), 2, edges.size[0] - 3)
        own = edges.gx[int(top) : int(bottom), centre - 1 : centre + 2].mean((0, 1))
        length = float(np.linalg.norm(own))
        if length < FAINTEST * 0.7:
            return None
        above = (edges.gx[start:stop, centre - 1 : centre + 2] @ (own / length)).max(1) > max(FAINTEST, 0.35 * length)
        # The bar itself, just above the top, interrupts nothing.
        above[-4:] = True
        gaps = np.flatnonzero(~above)
        runs.append(stop - start - (gaps[-1] + 1 if len(gaps) else 0))
    rise = min(runs)
    return np.array([left, top - rise, right, bottom]) if rise > 0.08 * (bottom - top) + 4 else None


def cover_side(change: np.ndarray, at: float, start: float, stop: float, reach: int = 2) -> float:
    """Share of the stretch ``start``..``stop`` along the first axis whose change near ``at`` on the second is the side's own."""
    first, last = max(int(np.floor(start)), 0), min(int(np.ceil(stop)) + 1, change.shape[0])
    centre = round(at)
    low, high = max(centre - reach, 0), min(centre + reach + 1, change.shape[1])
    if last - first < 3 or high - low < 2:
        return 0.0
    strip = change[first:last, low:high]
    mean = strip.mean(0)
    column = int(np.argmax((mean**2).sum(1)))
    direction = mean[column]
    length = float(np.linalg.norm(direction))
    if length < FAINTEST * 0.7:
        return 0.0
    along = (strip @ (direction / length)).max(1)
    return float((along > max(FAINTEST, 0.35 * length)).mean())


def restless(edges: Edges, box: np.ndarray, near: float = 3.0, far: float = 10.0) -> float:
    """Mean size of the colour changes in the rim ``near`` to ``far`` px outside ``box``: small on a wall, large in leaves."""
    inner, inner_area = _busy(edges, box + np.array([-near, -near, near, near]))
    outer, outer_area = _busy(edges, box + np.array([-far, -far, far, far]))
    return (outer - inner) / max(outer_area - inner_area, 1.0)


def _busy(edges: Edges, box: np.ndarray) -> tuple[float, float]:
    """Sum of the sizes of the changes within ``box``, cut at the picture's border, and its area."""
    width, height = edges.size
    x0, x1 = (_within(round(float(box[k])), 0, width) for k in (0, 2))
    y0, y1 = (_within(round(float(box[k])), 0, height) for k in (1, 3))
    sums = edges.busy
    return float(sums[y1, x1] - sums[y0, x1] - sums[y1, x0] + sums[y0, x0]), float((x1 - x0) * (y1 - y0))


def side_strengths(edges: Edges, box: np.ndarray) -> np.ndarray:
    """(4,) mean colour change across each side, left, top, right, bottom; CIELAB per px."""
    left, top, right, bottom = (float(v) for v in box)
    trim_x, trim_y = TRIM * (right - left), TRIM * (bottom - top)
    columns = column_profile(edges, top + trim_y, bottom - trim_y)
    rows = row_profile(edges, left + trim_x, right - trim_x)
    places = ((columns, left), (rows, top), (columns, right), (rows, bottom))
    near = [line[max(round(at) - 1, 0) : round(at) + 2] for line, at in places]
    return np.array([np.sqrt((part**2).sum(1)).max(initial=0.0) for part in near])


def wall_around(edges: Edges, box: np.ndarray, springing: float | None = None, near: float = 2.0, far: float = 7) -> float:
    """How unlike the wall is on the sides of ``box``, by the step from wall to opening: about 0 for a hole in one wall.

    The colours just outside are compared left with right, and with those above (not over an arched head, which ends its sides at
    ``springing``) and below; a pane beside its bar, or a pier between two windows, has not the same beside it as above it.
    """
    left, top, right, bottom = (float(v) for v in box)
    high = top if springing is None else springing
    trim_x, trim_y = TRIM * (right - left), TRIM * (bottom - high)
    level, upright = (left + trim_x, right - trim_x), (high + trim_y, bottom - trim_y)

    def strip(x0: float, x1: float, y0: float, y1: float) -> np.ndarray:
        return _colour(edges, x0, y0, x1, y1)

    beside = [strip(left - far, left - near, *upright), strip(right + near, right + far, *upright)]
    within = [strip(left + near, left + far, *upright), strip(right - far, right - near, *upright)]
    step = np.mean([np.linalg.norm(a - b) for a, b in zip(beside, within, strict=True)])

    def apart(colour: np.ndarray) -> float:
        return float(min(np.linalg.norm(colour - side) for side in beside))

    total = BESIDE * float(np.linalg.norm(beside[0] - beside[1])) + BELOW * apart(strip(*level, bottom + near, bottom + far))
    if springing is None:
        total += ABOVE * apart(strip(*level, top - far, top - near))
    return total / max(float(step), 1.0)


def stands_out(edges: Edges, boxes: np.ndarray, near: float = 2.0, far: float = 7.0) -> np.ndarray:
    """(n,) how unlike the inside of boxes (n, 4) is to what stands on their left, on their right and above: the smallest of the
    three, CIELAB. The mean over places inside, because the glass as a whole may mirror just the wall's colour.

    A pier between two openings goes on above, and the stones of a wall differ little.
    """
    if len(boxes) == 0:
        return np.zeros(0)
    left, top, right, bottom = boxes.T
    wide, high = right - left, bottom - top
    upper, lower = top + TRIM * high, bottom - TRIM * high
    around = [
        _colours(edges, left - far, upper, left - near, lower),
        _colours(edges, right + near, upper, right + far, lower),
        _colours(edges, left + TRIM * wide, top - far, right - TRIM * wide, top - near),
    ]
    share = np.linspace(0.08, 0.92, 9)
    x = np.clip(np.round(left[:, None] + share * wide[:, None]).astype(int), 0, edges.size[0] - 1)
    y = np.clip(np.round(top[:, None] + share * high[:, None]).astype(int), 0, edges.size[1] - 1)
    inner = edges.lab[y[:, :, None], x[:, None, :]].reshape(len(boxes), -1, 3)
    return np.min([np.linalg.norm(inner - colour[:, None], axis=2).mean(1) for colour in around], axis=0)


def is_panel(edges: Edges, box: np.ndarray) -> bool:
    """True for an even area lighter than what is beside it: a wall's panel. By day an opening is dark, or has several tones."""
    left, top, right, bottom = (float(v) for v in box)
    trim_x, trim_y = TRIM * (right - left), TRIM * (bottom - top)
    sides = [
        _colour(edges, left - 5.0, top + trim_y, left - 1.0, bottom - trim_y),
        _colour(edges, right + 1.0, top + trim_y, right + 5.0, bottom - trim_y),
    ]
    x0, x1 = max(int(left + trim_x), 0), int(right - trim_x) + 1
    y0, y1 = max(int(top + trim_y), 0), int(bottom - trim_y) + 1
    step = max(1, int(((y1 - y0) * (x1 - x0) / 600) ** 0.5))
    light = edges.lab[y0:y1:step, x0:x1:step, 0]
    ranked = np.sort(light, axis=None)
    low, middle, high = (float(ranked[round(share * (len(ranked) - 1))]) for share in (0.1, 0.5, 0.9))
    return middle > max(side[0] for side in sides) + 5.0 and high - low < EVEN


def lopsided(edges: Edges, boxes: np.ndarray, count: int = 12) -> np.ndarray:
    """(n,) how unlike the left and right halves of what lies around the middles of boxes (n, 4) are, one width each way: 0 for a
    mirror image, near 1 for its opposite. A window with one of its two shutters is lopsided, the window alone is not."""
    if len(boxes) == 0:
        return np.zeros(0)
    left, top, right, bottom = boxes.T
    width, height = edges.size
    places = ((left + right) / 2)[:, None] + np.linspace(-1, 1, 2 * count + 1) * (right - left)[:, None]
    x = np.clip(np.round(places).astype(int), 0, width)
    y0 = np.clip(np.round(top).astype(int), 0, height - 1)
    y1 = np.clip(np.round(bottom).astype(int), y0 + 1, height)
    sums = edges.colour[y1[:, None], x] - edges.colour[y0[:, None], x]
    area = np.diff(x, axis=1) * (y1 - y0)[:, None]
    strips = np.diff(sums, axis=1) / np.maximum(area, 1)[..., None]
    spread = np.linalg.norm(strips - strips.mean(1, keepdims=True), axis=2).sum(1)
    apart = np.linalg.norm(strips - strips[:, ::-1], axis=2).sum(1)
    return apart / 2 / np.maximum(spread, 1e-6)


def uneven_beside(edges: Edges, boxes: np.ndarray, count: int = 6) -> np.ndarray:
    """(n,) how unlike the half width on the left of boxes (n, 4) is to that on their right, by how unlike both are to what is
    within: about 0 for a window in a wall, whether its jamb shows or not, near 1 for a window with one of its two shutters."""
    if len(boxes) == 0:
        return np.zeros(0)
    left, top, right, bottom = boxes.T
    trim = TRIM * (bottom - top)
    step = (right - left) / 2 / count

    def strips(start: np.ndarray, way: int) -> np.ndarray:
        return np.stack(
            [
                _colours(edges, np.minimum(a, a + way * step), top + trim, np.maximum(a, a + way * step), bottom - trim)
                for a in (start + way * k * step for k in range(count))
            ],
            1,
        )

    a, b = strips(left - 1, -1), strips(right + 1, 1)
    inner = np.stack(
        [_colours(edges, left + k * 2 * step, top + trim, left + (k + 1) * 2 * step, bottom - trim) for k in range(6)], 1
    )
    step_in = np.linalg.norm(np.concatenate([a, b], 1)[:, :, None] - inner[:, None], axis=3).mean((1, 2))
    return np.linalg.norm(a - b, axis=2).mean(1) / np.maximum(step_in, 2.0)


def _colours(edges: Edges, left: np.ndarray, top: np.ndarray, right: np.ndarray, bottom: np.ndarray) -> np.ndarray:
    """Mean colours (n, 3) of areas, cut at the picture's border."""
    width, height = edges.size
    x0, y0 = np.clip(np.round(left).astype(int), 0, width - 1), np.clip(np.round(top).astype(int), 0, height - 1)
    x1 = np.clip(np.round(right).astype(int), x0 + 1, width)
    y1 = np.clip(np.round(bottom).astype(int), y0 + 1, height)
    sums = edges.colour
    return (sums[y1, x1] - sums[y0, x1] - sums[y1, x0] + sums[y0, x0]) / ((x1 - x0) * (y1 - y0))[:, None]


def _colour(edges: Edges, left: float, top: float, right: float, bottom: float) -> np.ndarray:
    """Mean colour (3,) of an area, cut at the picture's border."""
    width, height = edges.size
    x0, x1 = _within(round(left), 0, width - 1), _within(round(right), 1, width)
    y0, y1 = _within(round(top), 0, height - 1), _within(round(bottom), 1, height)
    x1, y1 = max(x1, x0 + 1), max(y1, y0 + 1)
    sums = edges.colour
    return (sums[y1, x1] - sums[y0, x1] - sums[y1, x0] + sums[y0, x0]) / ((x1 - x0) * (y1 - y0))


def _within(value: int, low: int, high: int) -> int:
    """``value``, at least ``low`` and at most ``high``; for single numbers much faster than numpy's."""
    return min(max(value, low), high)
