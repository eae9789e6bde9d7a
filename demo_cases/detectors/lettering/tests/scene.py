"""A picture to test with: four block letters, HOLE, whose places are known, dark on a pale ground or the other way round."""

import cv2
import numpy as np

TEXT = "HOLE"
TOP, BASE, STEM = 300, 700, 80
# letter -> (left, right) px
ACROSS = {"H": (150, 410), "O": (470, 790), "L": (860, 1080), "E": (1140, 1370)}


def reference(ink=(60, 60, 80), ground=(232, 226, 208)):
    """(h, w, 3) uint8 RGB."""
    picture = np.full((1000, 1500, 3), ground, np.uint8)

    def bar(left, top, right, bottom):
        picture[top:bottom, left:right] = ink

    left, right = ACROSS["H"]
    bar(left, TOP, left + STEM, BASE)
    bar(right - STEM, TOP, right, BASE)
    bar(left, 460, right, 530)
    left, right = ACROSS["O"]
    cv2.ellipse(picture, ((left + right) // 2, 500), ((right - left) // 2, 200), 0, 0, 360, ink, -1, cv2.LINE_AA)
    cv2.ellipse(picture, ((left + right) // 2, 500), (85, 130), 0, 0, 360, ground, -1, cv2.LINE_AA)
    for letter, bars in (("L", (BASE - 70,)), ("E", (TOP, 460, BASE - 70))):
        left, right = ACROSS[letter]
        bar(left, TOP, left + STEM, BASE)
        for top in bars:
            bar(left, top, right, top + 70)
    return cv2.GaussianBlur(picture, (0, 0), 1.0)
