"""Straight lines looked at along their whole length: the field beside a line, laid out flat.

A strip is sampled along a line and across it. Across, the reference's strip is correlated with the drawing's row by row; the
rows' sums are then added up along every slanted course, so that one search covers shift and turn, and the whole line has its
say: a piece that lies on a parallel neighbour, in a gap or under a crossing line is outvoted.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from featurediff.matching.channels import CHANNELS
from featurediff.matching.correlate import Field


@dataclass(frozen=True)
class Course:
    """A straight line in frame px: ``middle`` (2,), unit vector ``along`` (2,), ``half`` its half length."""

    middle: np.ndarray
    along: np.ndarray
    half: float

    @property
    def across(self) -> np.ndarray:
        """Unit normal (2,): ``along`` turned clockwise on the paper by 90 degrees."""
        return np.array([-self.along[1], self.along[0]])

    @property
    def ends(self) -> np.ndarray:
        """(2, 2): first and last point."""
        return np.stack([self.middle - self.half * self.along, self.middle + self.half * self.along])

    def shifted(self, offset: float, turn: float) -> Course:
        """The course moved ``offset`` px across and turned, its end moved by ``turn`` px per px of half length."""
        along = self.along + turn * self.across
        return Course(self.middle + offset * self.across, along / np.hypot(*along), self.half)


def course_of(ends: np.ndarray) -> Course:
    """The course from one point to another, ``ends`` (2, 2) frame px."""
    span = ends[-1] - ends[0]
    length = max(float(np.hypot(*span)), 1e-6)
    return Course(ends.mean(0), span / length, length / 2)


@dataclass(frozen=True)
class Profile:
    """The reference's strip of one line, ready to be looked for.

    ``kernel`` (n, w, K): weight times zero-mean value; ``weight`` (w,): Gaussian across the line; ``at`` (n,): px along from
    its middle; ``step`` px across; ``energy`` (n,): each row's own weighted square.
    """

    kernel: np.ndarray
    weight: np.ndarray
    at: np.ndarray
    step: float
    energy: np.ndarray


@dataclass(frozen=True)
class Rows:
    """What a `Profile` finds, row by row: ``product``, ``first``, ``second`` (n, m) at offsets ``offsets`` (m,) px."""

    product: np.ndarray
    first: np.ndarray
    second: np.ndarray
    offsets: np.ndarray


def strip(layers: np.ndarray, course: Course, at: np.ndarray, aside: np.ndarray) -> np.ndarray:
    """(n, m, K) values of ``layers`` (h, w, K) at ``at`` (n,) px along and ``aside`` (m,) px across a course."""
    x = course.middle[0] + at[:, None] * course.along[0] + aside[None] * course.across[0]
    y = course.middle[1] + at[:, None] * course.along[1] + aside[None] * course.across[1]
    return cv2.remap(layers, x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)


def positions(course: Course, step: float) -> np.ndarray:
    """Px along a course from its middle, about ``step`` apart and half a step from its ends."""
    count = max(round(2 * course.half / step), 4)
    return ((np.arange(count) + 0.5) / count * 2 - 1) * course.half


def profile(field: Field, course: Course, at: np.ndarray, sigma: float, step: float) -> Profile | None:
    """The reference's strip around a course, weighted by a Gaussian of ``sigma`` px across; None where nothing is to be seen."""
    aside = across_of(sigma, step)
    return profile_of(strip(field.layers, course, at, aside), at, sigma, step)


def across_of(sigma: float, step: float) -> np.ndarray:
    """Px across a line at which its profile is taken, as far as a Gaussian of ``sigma`` px counts."""
    reach = int(np.ceil(2.5 * sigma / step))
    return np.arange(-reach, reach + 1) * step


def profile_of(values: np.ndarray, at: np.ndarray, sigma: float, step: float) -> Profile | None:
    """The profile of values (n, w, K) already sampled ``at`` (n,) along a line and `across_of` it."""
    weight = np.exp(-0.5 * (across_of(sigma, step) / sigma) ** 2)
    mean = float((weight * values[..., 0]).sum() / (weight.sum() * len(at)))
    values[..., 0] -= mean
    kernel = (weight[:, None] * values).astype(np.float32)
    energy = np.einsum("twk,twk->t", kernel, values)
    if energy.sum() < 1e-6 * weight.sum() * len(at) * CHANNELS:
        return None
    return Profile(kernel, weight, at, step, energy)


def look(found: Profile, layers: np.ndarray, course: Course, radius: float) -> Rows:
    """Look for a profile beside ``course`` in the drawing's ``layers`` (h, w, K), up to ``radius`` px to either side."""
    reach = (len(found.weight) - 1) // 2
    steps = int(np.ceil(radius / found.step))
    seen = strip(layers, course, found.at, np.arange(-reach - steps, reach + steps + 1) * found.step)
    return rows_of(found, seen)


def rows_of(found: Profile, seen: np.ndarray) -> Rows:
    """What a profile finds in the drawing's values (n, m + w - 1, K) sampled beside the line, m offsets about the middle."""
    reach = (len(found.weight) - 1) // 2
    steps = (seen.shape[1] - 1) // 2 - reach
    windows = np.lib.stride_tricks.sliding_window_view(seen, 2 * reach + 1, axis=1)
    product = np.einsum("tokw,twk->to", windows, found.kernel, optimize=True)
    view = np.lib.stride_tricks.sliding_window_view
    weight = found.weight.astype(np.float32)
    first = CHANNELS**0.5 * (view(seen[..., 0], 2 * reach + 1, axis=1) @ weight)
    second = view(np.einsum("tok,tok->to", seen, seen), 2 * reach + 1, axis=1) @ weight
    return Rows(product, first, second, np.arange(-steps, steps + 1) * found.step)


def correlation(
    found: Profile, product: np.ndarray, first: np.ndarray, second: np.ndarray, rows: float, energy: float
) -> np.ndarray:
    """Zero-mean normalised correlation from sums over ``rows`` rows whose own weighted square is ``energy``."""
    total = rows * float(found.weight.sum()) * CHANNELS
    variance = np.maximum(second - first * first / total, 1e-6 * total)
    return product / np.sqrt(energy * variance)


def over_turns(found: Profile, rows: Rows, turns: np.ndarray) -> np.ndarray:
    """(len(turns), m) correlation of the whole line at every turn (px across per px along) and offset."""
    count, width = rows.product.shape
    lag = np.round(turns[:, None] * found.at[None] / found.step).astype(int)
    columns = np.clip(np.arange(width)[None, None] + lag[:, :, None], 0, width - 1)
    sums = [
        np.take_along_axis(np.broadcast_to(each, (len(turns), count, width)), columns, 2).sum(1)
        for each in (rows.product, rows.first, rows.second)
    ]
    return correlation(found, *sums, count, float(found.energy.sum()))
