"""Letters on a picture: patches of one tone with sharp edges that stand in lines."""

from dataclasses import dataclass, field

import cv2
import numpy as np

COARSE_PX = 600  # longer side on which the letters' tone is looked for
WORKING_PX = 1400  # and their edges
LEVELS = 12  # thresholds tried in each of three colour channels
LOWEST, HIGHEST = 0.03, 0.9  # a letter's height as a part of the picture's
NARROWEST, WIDEST = 0.08, 2.2  # width over height
LINKED = 2.2  # heights of neighbours in a line differ by less than this
APART = 1.3  # the space between neighbours, in heights of the taller
SMALLEST_COUNTER = 0.004  # of the square of the letter's height
FEWEST = 3


@dataclass(eq=False)
class Letter:
    """Outlines (n, 2) in px of the picture: the letter's own, its counters, and a dot above it if there is one."""

    outline: np.ndarray
    counters: list = field(default_factory=list)
    dot: np.ndarray | None = None

    @property
    def box(self):
        """(left, top, right, bottom) of the outline."""
        return np.concatenate([self.outline.min(0), self.outline.max(0)])

    @property
    def height(self):
        return float(np.ptp(self.outline[:, 1]))


def lines_of_letters(pixels):
    """Lines from top to bottom, each a list of `Letter` from left to right; [] when there are none."""
    if min(pixels.shape[:2]) < 20:
        return []
    coarse, _ = _lab(pixels, COARSE_PX)
    choice = _tone(coarse)
    if choice is None:
        return []
    number, level, bright = choice
    fine, scale = _lab(pixels, WORKING_PX)
    channel = fine[number]
    mask = channel > level if bright else channel < level
    patches, boxes = _boxes(mask)
    lines = [_with_dots(_read(line, channel, mask, patches, scale), line, mask, scale) for line in _lines(boxes)]
    return sorted(lines, key=lambda line: np.mean([letter.box[1] + letter.height / 2 for letter in line]))


def _lab(pixels, longer_px):
    """Lightness and two colour channels at that size at most, a little smoothed, and the scale."""
    scale = min(1.0, longer_px / max(pixels.shape[:2]))
    small = cv2.resize(pixels, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA) if scale < 1 else pixels
    return cv2.split(cv2.GaussianBlur(cv2.cvtColor(small, cv2.COLOR_RGB2LAB), (0, 0), max(small.shape) / 1000)), scale


def _tone(channels):
    """Which channel, which level of it, and whether above it: where what stands in lines has the sharpest edges."""
    steep = np.max([_steepness(channel) for channel in channels], axis=0)
    usual = 2 * np.percentile(steep, 75)
    best, most = None, 0.0
    for number, channel in enumerate(channels):
        low, high = np.percentile(channel, (1, 99))
        for level in np.linspace(low, high, LEVELS + 2)[1:-1]:
            for bright in (True, False):
                patches, boxes = _boxes(channel > level if bright else channel < level)
                labels = [label for line in _lines(boxes) for label, _ in line]
                if len(labels) >= FEWEST:
                    sharp = steep[_rim(patches, labels)]
                    # An edge counts for what it is steeper than most of the picture: grain and shadows are not.
                    worth = float(np.clip(sharp - usual, 0, None).sum() * np.median(sharp))
                    if worth > most:
                        best, most = (number, level, bright), worth
    return best


def _rim(patches, labels):
    """(h, w) bool: the edges of these patches."""
    chosen = np.zeros(patches.max() + 1, np.uint8)
    chosen[labels] = 1
    return cv2.morphologyEx(chosen[patches], cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8)) > 0


def _steepness(channel):
    channel = channel.astype(np.float32)
    return cv2.magnitude(cv2.Sobel(channel, cv2.CV_32F, 1, 0), cv2.Sobel(channel, cv2.CV_32F, 0, 1))


def _boxes(mask):
    """The patches (h, w) by number, and (number, (left, top, width, height)) of those that could be letters."""
    height, width = mask.shape
    _, patches, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8))
    x, y, w, h, area = stats.T
    fits = (x > 0) & (y > 0) & (x + w < width) & (y + h < height) & (h > LOWEST * height) & (h < HIGHEST * height)
    fits &= (w > NARROWEST * h) & (w < WIDEST * h) & (area > 0.12 * w * h)
    fits[0] = False  # the ground
    return patches, [(int(k), tuple(int(value) for value in stats[k, :4])) for k in np.flatnonzero(fits)]


def _lines(boxes):
    """Boxes that stand side by side, two or more; linked one to the next from left to right."""
    boxes = sorted(boxes, key=lambda each: each[1][0])
    line_of = list(range(len(boxes)))
    for i, (_, (x1, y1, w1, h1)) in enumerate(boxes):
        for j, (_, (x2, y2, w2, h2)) in enumerate(boxes[i + 1 :], start=i + 1):
            space = x2 - (x1 + w1)
            level = min(y1 + h1, y2 + h2) - max(y1, y2)
            if (
                -0.25 * min(w1, w2) < space < APART * max(h1, h2)
                and level > 0.6 * min(h1, h2)
                and max(h1, h2) < LINKED * min(h1, h2)
            ):
                line_of = [line_of[i] if each == line_of[j] else each for each in line_of]
    lines = [[boxes[k] for k in range(len(boxes)) if line_of[k] == line] for line in sorted(set(line_of))]
    return [line for line in lines if len(line) > 1]


def _read(line, channel, mask, patches, scale):
    return [_letter(channel, mask, patches == label, box, scale) for label, box in line]


def _letter(channel, mask, patch, box, scale):
    """The letter's outlines by the middle between its own tone and that of the ground around it, to part of a pixel."""
    x, y, w, h = box
    pad = max(3, round(0.06 * h))
    rows, columns = slice(max(0, y - pad), y + h + pad), slice(max(0, x - pad), x + w + pad)
    tone, own = channel[rows, columns].astype(np.float32), patch[rows, columns]
    near = cv2.dilate(own.astype(np.uint8), np.ones((3, 3), np.uint8), iterations=pad) > 0
    strange = mask[rows, columns] & ~own  # a neighbour that reaches into the box
    ink, ground = np.median(tone[own]), np.median(tone[near & ~mask[rows, columns]])
    inked = np.clip((tone - ground) / (ink - ground), 0, 1)
    inked[cv2.dilate(strange.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0] = 0
    fine = 4
    large = cv2.resize(inked, None, fx=fine, fy=fine, interpolation=cv2.INTER_CUBIC)
    found, inside = cv2.findContours((large > 0.5).astype(np.uint8), cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    offset = np.array([columns.start, rows.start])
    curves = [(((line[:, 0] + 0.5) / fine - 0.5 + offset) + 0.5) / scale - 0.5 for line in found]
    outer = max((i for i in range(len(found)) if inside[0][i][3] < 0), key=lambda i: cv2.contourArea(found[i]))
    least = SMALLEST_COUNTER * (h * fine) ** 2
    counters = [_even(curves[i]) for i in range(len(found)) if inside[0][i][3] == outer and cv2.contourArea(found[i]) > least]
    return Letter(_even(curves[outer]), sorted(counters, key=lambda counter: counter[:, 1].mean()))


def _even(curve, step=2.0):
    """The closed curve with its stairs smoothed away and a point about every two pixels."""
    count = max(16, int(len(curve) / 4 / step))
    kernel = np.ones(5) / 5
    smooth = np.column_stack([np.convolve(np.r_[c[-2:], c, c[:2]], kernel, "valid") for c in curve.T])
    return smooth[np.linspace(0, len(smooth), count, endpoint=False).astype(int)]


def _with_dots(letters, line, mask, scale):
    """Small patches just above a letter of the line and over its middle are its dot."""
    _, patches, stats, middles = cv2.connectedComponentsWithStats(mask.astype(np.uint8))
    _dx, dy, dw, dh, _ = stats.T
    for letter, (_, (x, y, w, h)) in zip(letters, line, strict=True):
        above = (x < middles[:, 0]) & (middles[:, 0] < x + w) & (dy + dh - y > -0.6 * h) & (dy + dh - y < 0.02 * h)
        small = (dh > 0.08 * h) & (dh < 0.35 * h) & (dw > 0.5 * dh) & (dw < 2 * dh)
        for label in np.flatnonzero(above & small)[:1]:
            letter.dot = _letter(mask.astype(np.uint8), mask, patches == label, tuple(stats[label, :4].tolist()), scale).outline
    return letters
