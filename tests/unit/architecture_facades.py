"""A facade painted flat and seen by a pinhole camera: a small stand-in where a whole rendered scene is not needed."""

import cv2
import numpy as np

PX_PER_M = 60.0


class Facade:
    """A wall of ``width`` x ``height`` metres with openings: (kind, x, y, w, h), y down from the wall's top."""

    def __init__(self, width, height, openings, wall=(196, 178, 150), glass=(58, 66, 78), seed=0, bands=()):
        self.openings = openings
        random = np.random.default_rng(seed)
        shape = (int(height * PX_PER_M), int(width * PX_PER_M))
        grain = cv2.GaussianBlur(random.normal(0, 22, shape).astype(np.float32), (0, 0), 2.0)
        self.paint = np.clip(np.array(wall, np.float32) + grain[..., None], 0, 255)
        for y in bands:
            cv2.rectangle(self.paint, self._px(0, y), self._px(width, y + 0.18), [c * 1.15 for c in wall], -1)
        for kind, *box in openings:
            self._open(kind, box, glass, random)

    @staticmethod
    def _px(x, y):
        return round(x * PX_PER_M), round(y * PX_PER_M)

    def _open(self, kind, box, glass, random):
        outline = opening_outline(kind, *box)
        area = np.round(outline * PX_PER_M).astype(np.int32)
        cv2.fillPoly(self.paint, [area], glass)
        x, y, w, h = box
        mask = np.zeros(self.paint.shape[:2], np.uint8)
        cv2.fillPoly(mask, [area], 255)
        inner = cv2.erode(mask, np.ones((9, 9), np.uint8))
        shine = self.paint * (0.7 + 0.8 * random.random())
        if kind != "door":
            lit = self.paint.copy()
            cv2.line(lit, self._px(x, y + h * random.random()), self._px(x + w, y), (150, 160, 170), 14)
            self.paint[inner > 0] = (0.5 * lit + 0.5 * shine)[inner > 0]
            bars = [(self._px(x + w / 2, y), self._px(x + w / 2, y + h)), (self._px(x, y + h / 3), self._px(x + w, y + h / 3))]
            for a, b in bars:
                bar = np.zeros_like(mask)
                cv2.line(bar, a, b, 255, 4)
                self.paint[(bar > 0) & (inner > 0)] = (225, 222, 214)
        cv2.polylines(self.paint, [area], True, [c * 0.6 for c in glass], 2)

    def seen(self, turn=0.0, tilt=0.0, focal=900.0, size=(1000, 750), distance=None, clutter=0, seed=0):
        """(pixels, homography wall metres -> px, across, up) from a camera turned and tilted by degrees."""
        h, w = np.array(self.paint.shape[:2]) / PX_PER_M
        distance = distance or max(w * focal / size[0], h * focal / size[1]) * 1.25
        a, b = np.radians([turn, tilt])
        yaw = np.array([[np.cos(a), 0, np.sin(a)], [0, 1, 0], [-np.sin(a), 0, np.cos(a)]])
        pitch = np.array([[1, 0, 0], [0, np.cos(b), -np.sin(b)], [0, np.sin(b), np.cos(b)]])
        turned = pitch @ yaw
        k = np.array([[focal, 0, (size[0] - 1) / 2], [0, focal, (size[1] - 1) / 2], [0, 0, 1]])
        move = np.array([0, 0, distance]) - turned @ np.array([w / 2, h / 2, 0])
        plane = k @ np.column_stack([turned[:, 0], turned[:, 1], move])
        # Painted px -> metres: cv2 fills up to and with the px named, so edges lie half a px around round numbers.
        paint_to_picture = plane @ np.diag([1 / PX_PER_M, 1 / PX_PER_M, 1.0])
        sky = np.zeros((size[1], size[0], 3), np.float32)
        sky[:] = (176, 200, 222)
        sky[int(size[1] * 0.5) :] = (120, 118, 112)
        seen = cv2.warpPerspective(
            self.paint, paint_to_picture, size, dst=sky, flags=cv2.INTER_AREA, borderMode=cv2.BORDER_TRANSPARENT
        )
        random = np.random.default_rng(seed)
        for _ in range(clutter):
            _bush(seen, random)
        seen = seen + random.normal(0, 2.5, seen.shape)
        pixels = np.clip(cv2.GaussianBlur(seen, (0, 0), 0.6), 0, 255).astype(np.uint8)
        return pixels, plane, plane[:, 0], plane[:, 1]


def _bush(seen, random):
    height, width = seen.shape[:2]
    centre = np.array([random.uniform(0.1, 0.9) * width, random.uniform(0.7, 0.95) * height])
    for _ in range(350):
        at = centre + random.normal(0, width * 0.035, 2)
        colour = np.array([60, 95, 45]) * random.uniform(0.4, 1.5)
        cv2.ellipse(
            seen,
            at.astype(int).tolist(),
            (random.integers(3, 9), random.integers(2, 5)),
            random.uniform(0, 180),
            0,
            360,
            colour,
            -1,
        )


def opening_outline(kind, x, y, w, h):
    """Outline in metres: a rectangle, or for "arch" a round head over upright sides (springing at y + w/2)."""
    if kind != "arch":
        return np.array([[x, y], [x + w, y], [x + w, y + h], [x, y + h]], float)
    a = np.linspace(np.pi, 2 * np.pi, 25)
    head = np.column_stack([x + w / 2 + w / 2 * np.cos(a), y + w / 2 + w / 2 * np.sin(a)])
    return np.vstack([head, [[x + w, y + h], [x, y + h]]])


def grid(columns, rows, x0, y0, dx, dy, w, h, kind="window"):
    return [(kind, x0 + i * dx, y0 + j * dy, w, h) for j in range(rows) for i in range(columns)]


def segments_of(pixels):
    grey = cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY)
    found = cv2.createLineSegmentDetector().detect(grey)[0]
    return np.zeros((0, 4)) if found is None else found.reshape(-1, 4)
