"""Openings that may not be what they seem: shutters beside windows, and members of a row that are not of its size."""

from __future__ import annotations

import numpy as np

# Neighbours stand flush within this share of the opening's height, and so many px at least.
LEVEL, APART = 0.06, 5.0
# A neighbour is a shutter, or a window to a shutter, from this share of its width on.
LEAST, MOST = 0.28, 1.6
# So many of a row with neighbours make the row doubtful; so many of a facade the whole of it.
OF_ROW, OF_FACADE = 0.34, 0.34
# Left and right of a row's openings are no more unlike than this, those of any of them no more than that.
UNEVEN, CUT = 0.45, 0.65
# So much of its sides shows of an opening that is judged.
LEAST_SCORE = 0.8
# What lies in a row and is not of its size is a mistake about one of it up to this ratio of widths.
NEAR_SIZE = 1.6


def shuttered(boxes: np.ndarray, every: np.ndarray, rows: list[list[int]], uneven: np.ndarray) -> np.ndarray:
    """(n,) True for boxes (n, 4) that can't be told from their shutters.

    ``every`` (m, 4): all that stood on edges, chosen or not; ``rows``: numbers of ``boxes`` by row. Others of its height flush
    beside it make an opening doubtful, and a left and a right that are not alike (``uneven`` (n,),
    `openings_edges.uneven_beside`), as beside a window with one of its two shutters; many doubtful ones make all so.
    """
    beside = np.array([_has_neighbour(box, every) for box in boxes], bool)
    doubtful = np.zeros(len(boxes), bool)
    for row in rows:
        doubtful[row] = beside[row].mean() > OF_ROW or np.median(uneven[row]) > UNEVEN
    if len(boxes) and doubtful.mean() > OF_FACADE:
        doubtful[:] = True
    return doubtful


def unclear(uneven: np.ndarray, score: np.ndarray) -> np.ndarray:
    """(n,) True for openings that something hides or cuts: their left and right are not alike, or their sides show badly."""
    return (uneven > CUT) | (score < LEAST_SCORE)


def _has_neighbour(box: np.ndarray, every: np.ndarray) -> bool:
    wide, high = box[2:] - box[:2]
    slack = max(LEVEL * high, APART)
    level = (np.abs(every[:, 1] - box[1]) < slack) & (np.abs(every[:, 3] - box[3]) < slack)
    ratio = (every[:, 2] - every[:, 0]) / wide
    gap = max(0.06 * wide, APART)
    flush = (np.abs(every[:, 2] - box[0]) < gap) | (np.abs(every[:, 0] - box[2]) < gap)
    return bool((level & flush & (ratio > LEAST) & (ratio < MOST)).any())


def out_of_row(boxes: np.ndarray, rows: list[list[int]], standing: np.ndarray) -> np.ndarray:
    """(n,) True for boxes (n, 4) that lie in a row of others but begin, end or reach otherwise: mistakes about its members.

    ``rows``: numbers of boxes by size and level; ``standing`` (n,) those that reach the ground, which may differ. A small one
    among large ones is an opening of its own.
    """
    wrong = np.zeros(len(boxes), bool)
    for row in rows:
        if len(row) < 2:
            continue
        top, bottom = np.median(boxes[row, 1]), np.median(boxes[row, 3])
        wide = float(np.median(boxes[row, 2] - boxes[row, 0]))
        inner = np.minimum(boxes[:, 3], bottom) - np.maximum(boxes[:, 1], top)
        ratio = (boxes[:, 2] - boxes[:, 0]) / wide
        share = inner / np.minimum(bottom - top, boxes[:, 3] - boxes[:, 1])
        strange = (share > 0.6) & (ratio < NEAR_SIZE) & (ratio > 1 / NEAR_SIZE) & ~standing
        strange[row] = False
        smaller = [k for other in rows if len(other) > len(row) for k in other]
        strange[smaller] = False
        equal = [k for other in rows if other is not row and len(other) == len(row) for k in other]
        strange[equal] = False
        wrong |= strange
    return wrong
