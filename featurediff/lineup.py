"""Line-up: the similarity that lays the reference on the sheet. Reflection and skew are never fitted.

The default rule leaves the fewest things to change: of all similarities through pairs of found points, the one with the least
importance-weighted amount beyond tolerance, refined on the features that agree with it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from featurediff import geometry
from featurediff.errors import CallError, RegistrationError
from featurediff.naming import did_you_mean
from featurediff.records import Feature, LineUp, Located, Subject, under
from featurediff.settings import Settings, Tolerances
from featurediff.weights import weight_of

# Beyond this many tolerances a feature is simply wrong; how much more does not matter to the line-up.
WRONG_ENOUGH = 3.0
# What a feature off by more than its noise costs at most, within its tolerance (which costs so much at twice its size): else a
# similarity that shares one part's error out among all, each within its tolerance, would leave less to change than the true one.
_WITHIN = 1.0
# A feature's noise is its own standard uncertainty and this share of its tolerance; at so many of it, it no longer belongs.
_NOISE, _APART = 0.25, 2.5


@dataclass(frozen=True)
class Supports:
    """Points that carry a line-up: ``reference`` (n, 2) px, ``drawing`` (n, 2) mm, ``whiten`` (n, 2, 2) that turns a residual in
    mm into tolerances, ``noise`` (n, 2, 2) into noises, ``weights`` (n,), ``owner`` (n,): the index of the feature."""

    reference: np.ndarray
    drawing: np.ndarray
    whiten: np.ndarray
    noise: np.ndarray
    weights: np.ndarray
    owner: np.ndarray


def line_up(subject: Subject, located: tuple[Located, ...], rule: str, settings: Settings, start: np.ndarray) -> LineUp:
    """The line-up of ``subject`` by ``rule``: "fewest", "eyes" (any label of a pair or group) or "NAME,NAME".

    ``start``: the (3, 3) registration, used for the size that tolerances refer to. Raises CallError for an unknown name and
    RegistrationError when the features asked for, or too few features, were found.
    """
    found = {place.feature: place for place in located if place.found}
    fewest = _fewest(subject, found, settings, start)
    if rule == "fewest":
        matrix, remark = fewest, ""
    else:
        sets = chosen_features(subject, rule)
        matrix = _through(subject, found, sets, rule)
        remark = _difference(subject, found, sets, (matrix, fewest), rule)
    scale, turn, move = geometry.split_similarity(matrix)
    return LineUp(rule, scale, turn, move, _carriers(subject, found, settings, start, matrix), remark)


def matrix_of(lineup: LineUp) -> np.ndarray:
    """(3, 3) matrix reference px -> mm of a line-up."""
    return geometry.similarity_matrix(lineup.scale, lineup.turn_deg, lineup.move_mm)


def class_limit(tolerances: Tolerances, name: str, size: float, unit: str) -> float:
    """The limit of tolerance class ``name`` for a subject of ``size`` sheet units; floors in mm hold only on a sheet in mm."""
    group = getattr(tolerances, name, tolerances.B)
    floor = group.floor_mm if unit == "mm" else 0.0
    return max(floor, group.percent / 100.0 * size)


def check_rule(subject: Subject, rule: str) -> None:
    """Raise CallError when ``rule`` names nothing of ``subject``, before any time is spent on it."""
    if rule != "fewest":
        chosen_features(subject, rule)


def chosen_features(subject: Subject, rule: str) -> list[tuple[Feature, ...]]:
    """The two sets of features that ``rule`` names: the sides of a pair, or two names. Raises CallError."""
    for pair in subject.pairs:
        if rule.lower() == pair.label.lower():
            return [_under(subject, pair.left), _under(subject, pair.right)]
    names = [name.strip() for name in rule.split(",")]
    known = [f.name for f in subject.features]
    if len(names) != 2:
        allowed = ", ".join(["fewest", *(p.label for p in subject.pairs)])
        raise CallError(f"Unknown line-up {rule!r}.", f"Use one of {allowed}, or two feature names with a comma between.")
    sets = []
    for name in names:
        if name not in known:
            raise CallError(f"There is no feature {name!r} to line up on{did_you_mean(name, known, '.')}")
        sets.append((subject.feature(name),))
    return sets


def _under(subject: Subject, part: str) -> tuple[Feature, ...]:
    return tuple(f for f in subject.features if under(f.part, part))


def _through(subject: Subject, found: dict[str, Located], sets: list[tuple[Feature, ...]], rule: str) -> np.ndarray:
    source, target = [], []
    for side in sets:
        seen = [f for f in side if f.name in found]
        if not seen:
            missing = " and ".join(f.name for f in side)
            raise RegistrationError(
                f"The drawing can't be lined up by {rule!r}: {missing} was not found in it.", "Use the line-up 'fewest'."
            )
        best = _carrier(side, found)
        source.append(best.points.mean(0))
        target.append(found[best.name].points_mm.mean(0))
    return geometry.fit_similarity(np.array(source), np.array(target))


def _supports(subject: Subject, found: dict[str, Located], settings: Settings, size_mm: float) -> Supports:
    """Centre and ends of every found feature; a sliding curve's points count across it only."""
    rows: list[tuple] = []
    for index, feature in enumerate(subject.features):
        place = found.get(feature.name)
        if place is None:
            continue
        limit = class_limit(settings.tolerances, feature.tolerance, size_mm, "mm")
        importance = weight_of(feature, settings.importance)
        picks = _pick(feature)
        normal = geometry.normals(feature.points, feature.closed) if feature.slides else None
        for k in picks:
            sigma = place.point_sigma_mm[k]
            if not np.isfinite(sigma):
                continue
            loose = np.zeros((2, 2))
            if normal is not None:
                along = np.array([-normal[k][1], normal[k][0]])
                loose = (20 * limit) ** 2 * np.outer(along, along)
            whiten, noise = (_whitening((part**2 + sigma**2) * np.eye(2) + loose) for part in (limit, _NOISE * limit))
            rows.append((feature.points[k], place.points_mm[k], whiten, noise, importance / len(picks), index))
    if len({row[-1] for row in rows}) < 2:
        raise RegistrationError(
            "Fewer than two features were found in the drawing, too few to line it up.",
            "Draw more before you compare, or photograph it closer and in even light.",
        )
    supports = Supports(*(np.array(column) for column in zip(*rows, strict=True)))
    if not supports.weights.any():  # nothing that was found counts: all counts alike
        supports = replace(supports, weights=np.ones_like(supports.weights))
    return supports


def _whitening(covariance: np.ndarray) -> np.ndarray:
    """(2, 2) that turns residuals of this covariance into standard ones."""
    values, vectors = np.linalg.eigh(covariance)
    return vectors @ np.diag(values**-0.5) @ vectors.T


def _pick(feature: Feature) -> list[int]:
    count = len(feature.points)
    if count == 1:
        return [0]
    if feature.kind == "segment":
        return [0, count - 1]
    return sorted({int(k) for k in np.linspace(0, count - 1, 4 if feature.closed else 3)[:3]})


def _costs(matrices: np.ndarray, s: Supports) -> np.ndarray:
    """(m,) what each of the similarities (m, 3, 3) leaves beyond noise and tolerance. All at once: there are some 1500."""
    residual = np.einsum("mij,nj->min", matrices[:, :2, :2], s.reference) + matrices[:, :2, 2:] - s.drawing.T
    size, noisy = (np.hypot(*np.einsum("nij,mjn->imn", metric, residual)) for metric in (s.whiten, s.noise))
    within = _WITHIN * np.minimum(noisy / _APART, 1.0) ** 2
    return (np.clip(size - 1.0, 0.0, WRONG_ENOUGH) + within) @ s.weights


def _fewest(subject: Subject, found: dict[str, Located], settings: Settings, start: np.ndarray) -> np.ndarray:
    size_mm = subject.size_px * geometry.split_similarity(start)[0]
    s = _supports(subject, found, settings, size_mm)
    matrices = np.concatenate([start[None], _pair_similarities(s, subject.size_px, start)])
    costs = _costs(matrices, s)
    best, least = matrices[costs.argmin()], costs.min()
    # Many similarities leave nothing beyond tolerance; of those, the one in the middle of what agrees with it.
    for _ in range(12):
        refined = _refine(best, s)
        if _costs(refined[None], s)[0] > 1.05 * least + 1e-3 * s.weights.sum():
            break
        best = refined
    return best


def _pair_similarities(s: Supports, size_px: float, start: np.ndarray) -> np.ndarray:
    """(m, 3, 3) similarities through pairs of well separated points, none of them far from the registration."""
    scale0, turn0, _ = geometry.split_similarity(start)
    i, j = np.triu_indices(len(s.reference), 1)
    a = s.reference[j] - s.reference[i]
    b = s.drawing[j] - s.drawing[i]
    length = np.hypot(*a.T)
    apart = length > 0.25 * size_px
    i, j, a, b, length = i[apart], j[apart], a[apart], b[apart], length[apart]
    ratio = (b[:, 0] + 1j * b[:, 1]) / (a[:, 0] + 1j * a[:, 1])
    near = (np.abs(np.abs(ratio) / scale0 - 1) < 0.2) & (np.abs(np.angle(ratio * np.exp(-1j * np.radians(turn0)))) < 0.2)
    middle_from = (s.reference[i] + s.reference[j]) / 2
    middle_to = (s.drawing[i] + s.drawing[j]) / 2
    order = np.argsort(-(s.weights[i] * s.weights[j] * length)[near])[:1500]
    chosen = np.nonzero(near)[0][order]
    matrices = np.tile(np.eye(3), (len(chosen), 1, 1))
    real, imaginary = ratio[chosen].real, ratio[chosen].imag
    matrices[:, :2, :2] = np.array([[real, -imaginary], [imaginary, real]]).transpose(2, 0, 1)
    matrices[:, :2, 2] = middle_to[chosen] - np.einsum("mij,mj->mi", matrices[:, :2, :2], middle_from[chosen])
    return matrices


def _refine(matrix: np.ndarray, s: Supports) -> np.ndarray:
    """One reweighted least-squares step, in the metric of the noise; what lies beyond it has a fading say."""
    residual = geometry.apply(matrix, s.reference) - s.drawing
    size = np.hypot(*np.einsum("nij,nj->in", s.noise, residual)) / _APART
    weights = s.weights / (1.0 + size**4)
    x, y = s.reference.T
    zero, one = np.zeros_like(x), np.ones_like(x)
    design = np.stack([np.stack([x, -y, one, zero], 1), np.stack([y, x, zero, one], 1)], 1)
    design = np.einsum("nij,njk->nik", s.noise, design) * np.sqrt(weights)[:, None, None]
    target = np.einsum("nij,nj->ni", s.noise, s.drawing) * np.sqrt(weights)[:, None]
    (a, b, tx, ty), *_ = np.linalg.lstsq(design.reshape(-1, 4), target.reshape(-1), rcond=None)
    return np.array([[a, -b, tx], [b, a, ty], [0.0, 0.0, 1.0]])


def _carriers(
    subject: Subject, found: dict[str, Located], settings: Settings, start: np.ndarray, matrix: np.ndarray
) -> tuple[str, ...]:
    size_mm = subject.size_px * geometry.split_similarity(start)[0]
    s = _supports(subject, found, settings, size_mm)
    residual = geometry.apply(matrix, s.reference) - s.drawing
    size = np.hypot(*np.einsum("nij,nj->in", s.whiten, residual))
    return tuple(f.name for k, f in enumerate(subject.features) if (s.owner == k).any() and size[s.owner == k].max() <= 1.0)


def rule_in_words(rule: str) -> str:
    """A rule other than "fewest" as it is told: "the eyes", "the brow on the left and the mouth line"."""
    return " and ".join(f"the {name.strip()}" for name in rule.split(","))


def _difference(
    subject: Subject,
    found: dict[str, Located],
    sets: list[tuple[Feature, ...]],
    matrices: tuple[np.ndarray, np.ndarray],
    rule: str,
) -> str:
    """How the line-up by ``rule`` differs from the one by the fewest changes: ``matrices`` are both, in this order.

    A difference that the carriers' own uncertainty explains is none.
    """
    (scale, turn, _), (scale_fewest, turn_fewest, _) = (geometry.split_similarity(matrix) for matrix in matrices)
    percent = 100 * (scale / scale_fewest - 1)
    degrees = (turn - turn_fewest + 180.0) % 360.0 - 180.0
    apart = np.hypot(*(geometry.apply(matrices[0], subject.region) - geometry.apply(matrices[1], subject.region)).T).max()
    share = f"{100 * apart / (subject.size_px * scale_fewest):.1f} % of the {subject.size_label}"
    doubt = 2.0 * _doubt(found, sets)
    parts = []
    if abs(percent) >= max(1.0, 100.0 * doubt):
        parts.append(f"{abs(percent):.0f} % too {'far apart' if percent > 0 else 'close together'}")
    if abs(degrees) >= max(1.0, np.degrees(doubt)):
        plural = "degree" if round(abs(degrees)) == 1 else "degrees"
        parts.append(f"tilted {abs(degrees):.0f} {plural} {'clockwise' if degrees > 0 else 'anticlockwise'}")
    told = rule_in_words(rule)
    if not parts and max(abs(percent), abs(degrees)) < 1.0:
        return f"Lining up by what leaves the fewest changes gives nearly the same (within {share})."
    if not parts:
        return f"Lining up by what leaves the fewest changes differs by up to {share}; {told} can't be measured more closely."
    return (
        f"Lined up by {told}, other things look wrong that are not: by what leaves the fewest changes, {told} themselves are "
        f"{' and '.join(parts)}."
    )


def _doubt(found: dict[str, Located], sets: list[tuple[Feature, ...]]) -> float:
    """Standard uncertainty of the line through the two carriers: of its direction in radians, and of its length as a share."""
    places = [found[_carrier(side, found).name] for side in sets]
    length = float(np.hypot(*(places[1].points_mm.mean(0) - places[0].points_mm.mean(0))))
    return float(np.sqrt(sum(np.trace(place.covariance) / 2 for place in places))) / max(length, 1e-9)


def _carrier(side: tuple[Feature, ...], found: dict[str, Located]) -> Feature:
    """The feature that stands for one side of a chosen pair."""
    return max((f for f in side if f.name in found), key=lambda f: f.importance)
