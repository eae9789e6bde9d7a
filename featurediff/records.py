"""The records that flow through a run, in the order in which they appear.

Conventions, stated once:

* Points are float64 arrays of shape (n, 2), x to the right, y down. On a picture the unit is px and
  the centre of the top left pixel is (0, 0); on the sheet the unit is mm and (0, 0) is the sheet's top left corner.
* Angles are in degrees, positive clockwise as seen on the paper (because y points down).
* Left and right are the picture's, as you look at the paper - never the sitter's.
* ``off`` always means drawing minus reference: positive x is "too far right", positive y is "too low".
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np

# ---------------------------------------------------------------- pictures and sheet


@dataclass(frozen=True)
class Advice:
    """One remark about a capture, a reference or a run. ``level`` is "note", "warning" or "stop"."""

    level: str
    text: str


@dataclass(frozen=True)
class Picture:
    """A decoded picture: sRGB, upright by its EXIF orientation, without alpha.

    ``pixels`` is (h, w, 3) uint8. ``name`` is the bare file name (never a path) or "array". ``focal_35mm`` is the lens's focal
    length in mm as on 35 mm film, where the file says it.
    """

    pixels: np.ndarray
    name: str
    orientation: int = 1
    notes: tuple[str, ...] = ()
    focal_35mm: float | None = None


@dataclass(frozen=True)
class Sheet:
    """Where the paper lies in the drawing's photograph.

    ``to_mm`` is the (3, 3) homography photo px -> sheet units; ``corners_px`` (4, 2) runs top left, top right,
    bottom right, bottom left as the sheet is seen upright, or is None when no sheet was found.
    ``unit`` is "mm", or "%" when no length on the paper is known (then 100 units are the subject's size).
    ``found`` says in words how it was found. ``trust_mm``: 95 % of the false errors that this capture alone can
    put into a position are smaller than this. ``corner_sigma_mm`` (4,) holds the standard uncertainty at the
    corners, between which it is interpolated. ``squared`` is False when tilt could not be removed.
    """

    size_mm: tuple[float, float] | None
    found: str
    to_mm: np.ndarray
    corners_px: np.ndarray | None
    tilt_deg: float | None
    px_per_mm: float
    trust_mm: float
    corner_sigma_mm: np.ndarray
    unit: str = "mm"
    squared: bool = True
    advice: tuple[Advice, ...] = ()


# ---------------------------------------------------------------- what a detector supplies


@dataclass(frozen=True)
class Feature:
    """One named thing on the reference that the drawing is compared in.

    ``name``: plain words, side last and the picture's: "brow on the left". Unique within a subject.
    ``part``: place on the parts tree, "head/eyes/left/brow".
    ``kind``: "point", "curve", "segment" or "ellipse". ``points`` (n, 2) in reference px: one point, the curve from one
    end to the other, the two ends of a straight line, or the ellipse's outline sampled in order. ``closed`` joins last to first.
    ``measures``: what of it is judged: any of "across", "down", "width", "height", "tilt", "openness", "shape", and of an
    ellipse "ends", whether they come to points.
    ``tolerance``: class "A", "B" or "C"; ``importance`` 0..1; ``stage`` one of `STAGES`.
    ``sigma_px``: how well its own place on the reference is known; larger for estimated (hidden, bony) features.
    ``slides``: True for a smooth curve that is known only across itself (aperture): its ends are no corners.
    ``anchors``: named positions on the curve as indices into ``points``: {"inner end": 0, "peak": 7}.
    ``sitter_name``: the same name by the sitter's own side; "" if it has no side.
    ``beside``: curves (m, 2) in reference px, taken as closed, close beside it that a hand may draw too: the inner edge of a lip.
    They help to tell its own line from theirs, and are not judged.
    """

    name: str
    part: str
    kind: str
    points: np.ndarray
    closed: bool = False
    measures: tuple[str, ...] = ("across", "down")
    tolerance: str = "B"
    importance: float = 0.5
    stage: str = "placement"
    sigma_px: float = 0.0
    slides: bool = False
    estimated: bool = False
    anchors: Mapping[str, int] = field(default_factory=dict)
    sitter_name: str = ""
    beside: tuple[np.ndarray, ...] = ()


STAGES = ("size", "proportion", "placement", "tilt", "shape", "detail")


@dataclass(frozen=True)
class Group:
    """A block of the parts tree that may be moved, scaled or turned as one: every feature whose part starts with ``part``.

    ``label`` is used in mid-sentence after a verb and "the": "eye on the left and its brow", "word BOAT"; one that begins with
    "a", "an", "the", "both", "each", "all", "its" or "your" stands as it is: "both hands". ``plural`` picks "them" over "it".
    ``apart``: a thing by itself beside others; its place across is told by the gap to its neighbour.
    """

    part: str
    label: str
    stage: str = "placement"
    plural: bool = False
    sitter_label: str = ""
    apart: bool = False


@dataclass(frozen=True)
class Gap:
    """A stretch whose length error carries all that lies beyond it ("shorten the nose; mouth and chin come up with it").

    ``direction``: "down" or "across", along the subject's own axes. ``label`` is the thing lengthened or shortened ("nose").
    ``beyond``: the names of all features that move with its far end. ``follow`` names them in words. Which end is fixed is seen
    from where they lie: of a gap "down" whose ``beyond`` lies above the rest of the subject in line with it (the tip of a finger
    that points up) the lower end is fixed, of one "across" whose ``beyond`` lies on the left, the right end.
    """

    label: str
    direction: str
    beyond: tuple[str, ...]
    follow: str
    stage: str = "proportion"


@dataclass(frozen=True)
class Pair:
    """Two blocks that mirror each other, whose spacing can be wrong as one error: "bring the eyes closer".

    ``left`` and ``right`` are part prefixes. ``width`` is True when they are the two sides of one thing, whose error is then
    worded as its width: "narrow the face".
    """

    label: str
    left: str
    right: str
    stage: str = "proportion"
    width: bool = False


@dataclass(frozen=True)
class Junction:
    """A corner: straight features ("segment") whose ends lie in one place: lines drawn too long or too short still tell it.

    ``ends``: two or more of (feature name, 0 for its first point or -1 for its last). ``label`` names it: "top of the corner".
    """

    label: str
    ends: tuple[tuple[str, int], ...]


@dataclass(frozen=True)
class Meeting:
    """Straight features that all aim at one point, a vanishing point.

    ``label`` is what aims there ("lines that recede to the right"), ``members`` are their names. ``at`` (2,) is the point in
    reference px, on the picture or far off it. ``level``: it lies on the eye level, so that its height is the eye level's.
    ``carried``: names of further features that lie between the members and go with them (windows of that side).
    """

    label: str
    members: tuple[str, ...]
    at: np.ndarray
    level: bool = True
    carried: tuple[str, ...] = ()
    stage: str = "proportion"


@dataclass(frozen=True)
class Row:
    """Like things repeated along a line: the windows of a storey, columns of windows, storeys, posts.

    ``label`` names them together ("windows of the first floor"), ``names`` one by one ("window 3 of the first floor").
    ``items``: for each, in order from left to right or top to bottom, the names of the features that make it up.
    ``direction``: "across" or "down", the subject's axis nearest to the row.
    """

    label: str
    names: tuple[str, ...]
    items: tuple[tuple[str, ...], ...]
    direction: str
    stage: str = "placement"


@dataclass(frozen=True)
class Form:
    """A form that is symmetric about an axis: it can lean, and its two sides can be uneven.

    ``label`` names it ("jug"), all its features lie under ``part``. ``axis`` (2, 2) in reference px: its foot and its top.
    ``left`` and ``right``: names of the features that bound it on either side. The picture's own axis and outline are the
    target, not perfect symmetry.
    """

    label: str
    part: str
    axis: np.ndarray
    left: tuple[str, ...] = ()
    right: tuple[str, ...] = ()


@dataclass(frozen=True)
class Start:
    """A length that is measured before the first line is drawn.

    ``ends``: one end, whose distance from the sheet's edge is told, or two, whose distance from each other is. Each end is the
    mean of spots, (feature name, where): ``where`` is the name of one of the feature's anchors, or "middle", "left", "right",
    "top", "bottom" of its extent. ``direction``: "down", "across", or, between two ends, "apart": straight from one to the other.
    """

    label: str
    direction: str
    ends: tuple[tuple[tuple[str, str], ...], ...]


def under(part: str, prefix: str) -> bool:
    """True when ``part`` is ``prefix`` or lies below it on the parts tree."""
    return part == prefix or part.startswith(prefix.rstrip("/") + "/")


@dataclass(frozen=True)
class NotJudged:
    """A feature of the vocabulary that is left out, and why, in words for the artist."""

    feature: str
    why: str


@dataclass(frozen=True)
class Subject:
    """What a detector found on the reference.

    ``size_px``: the size that tolerances refer to (head height); ``size_label`` names it.
    ``axis_deg``: how far the subject's own vertical leans clockwise from the picture's (0 = upright).
    ``region`` (m, 2): a polygon around all that belongs to the subject, in reference px.
    ``top_label`` and ``bottom_label`` name its two ends when it leans ("crown", "chin"); "" reads "top" and "bottom".
    ``numbered``: its features are known by numbers too, 1 for the first of ``features``, in texts and pictures, because their
    names alone are not found at a glance.
    ``starts``: the lengths worth measuring first, the height that ``size_px`` is among them; without any, general ones are taken.
    ``near_deg``: when the subject's size fills more degrees of the camera's view than this, the camera stood so near that what is
    nearest to it looks too large; 0: not judged.
    """

    features: tuple[Feature, ...]
    size_px: float
    size_label: str
    region: np.ndarray
    axis_deg: float = 0.0
    groups: tuple[Group, ...] = ()
    gaps: tuple[Gap, ...] = ()
    pairs: tuple[Pair, ...] = ()
    not_judged: tuple[NotJudged, ...] = ()
    advice: tuple[Advice, ...] = ()
    top_label: str = ""
    bottom_label: str = ""
    junctions: tuple[Junction, ...] = ()
    meetings: tuple[Meeting, ...] = ()
    rows: tuple[Row, ...] = ()
    forms: tuple[Form, ...] = ()
    numbered: bool = False
    starts: tuple[Start, ...] = ()
    near_deg: float = 0.0

    def feature(self, name: str) -> Feature:
        """The feature of that name. Raises KeyError."""
        for feature in self.features:
            if feature.name == name:
                return feature
        raise KeyError(name)


@dataclass(frozen=True)
class Guess:
    """One idea of where the subject lies in the drawing, for registration to confirm or reject.

    ``reference`` and ``drawing`` are (n, 2) arrays of corresponding points, in reference px and in px of the picture
    that the detector was shown.
    """

    reference: np.ndarray
    drawing: np.ndarray
    source: str


# ---------------------------------------------------------------- what matching and line-up find


@dataclass(frozen=True)
class Located:
    """Where a feature is on the drawing, or why that is not known.

    ``points_mm`` (n, 2): the feature's points, one for one, on the sheet. ``point_sigma_mm`` (n,): standard uncertainty of
    each point (across the curve, where it slides), infinite where it was not seen. ``covariance`` (2, 2) mm^2: of the feature's
    position as a whole. ``quality`` 0..1: how alike drawing and reference look there. ``partly``: what of a found feature can't
    be judged, in words, or "". When ``found`` is False, ``why`` says why and the arrays are None.
    """

    feature: str
    found: bool
    why: str = ""
    points_mm: np.ndarray | None = None
    point_sigma_mm: np.ndarray | None = None
    covariance: np.ndarray | None = None
    quality: float = 0.0
    partly: str = ""


@dataclass(frozen=True)
class LineUp:
    """The similarity that lays the reference on the sheet: reference px -> mm by scale, turn and move only.

    p_mm = ``scale`` * R(``turn_deg``) p_px + ``move_mm``. ``carried_by``: the features that agree with it within tolerance.
    ``remark``: how the second-best rule differs, in words, or "".
    """

    rule: str
    scale: float
    turn_deg: float
    move_mm: tuple[float, float]
    carried_by: tuple[str, ...] = ()
    remark: str = ""


# ---------------------------------------------------------------- what is said


@dataclass(frozen=True)
class Deviation:
    """One measure of one feature: ``value`` is drawing minus reference in ``unit`` ("mm", "deg", "ratio" or "%").

    ``sigma``: its standard uncertainty as stated. ``cautious``: what decisions allow for in its place (whether something is
    listed, whether it has changed since the last round), never less than ``sigma``; 0 where no other is known.
    """

    feature: str
    measure: str
    value: float
    unit: str
    sigma: float
    tolerance: float
    cautious: float = 0.0


@dataclass(frozen=True)
class Correction:
    """One statement of the to-fix list.

    ``move_mm`` is the move to *make* (reference minus drawing), ``turn_deg`` the turn to make (clockwise positive),
    ``scale`` the factor to apply; each is None when it is not part of the statement. ``explains`` names the features whose
    deviations vanish once it is done. ``sure`` 0..1: the measured share of hits among statements of its sort. ``size``: the
    error divided by its tolerance.
    ``arrows``: places on the sheet and the move to make at each, ((x, y), (dx, dy)) in mm, for pictures of the list.
    ``kind``: what sort of statement it is ("move", "gap", "turn", "width", "shape", ...); "" when it does not say.
    """

    rank: int
    stage: str
    text: str
    check: str
    at_mm: tuple[float, float]
    move_mm: tuple[float, float] | None
    turn_deg: float | None
    scale: float | None
    explains: tuple[str, ...]
    sure: float
    size: float
    arrows: tuple[tuple[tuple[float, float], tuple[float, float]], ...] = ()
    kind: str = ""


@dataclass(frozen=True)
class Block:
    """Features that are spoken of together when many drawings are looked at: "eyes".

    ``kind``: "whole" for all of the subject, "pair" for what mirrors itself (``left`` and ``right`` hold the names of either
    side, ``width``: they are two sides of one thing), "group" for what moves as one, "like" for features alike in form
    (verticals, ellipses), "edge" for those that are known only across themselves.
    """

    label: str
    kind: str
    names: tuple[str, ...]
    plural: bool = False
    left: tuple[str, ...] = ()
    right: tuple[str, ...] = ()
    width: bool = False


@dataclass(frozen=True)
class FeatureResult:
    """What is known of one feature after line-up; ``off_mm`` is drawing minus reference, x right, y down.

    ``number``: by which it is known in texts and pictures too, or 0.
    """

    name: str
    part: str
    found: bool
    why: str
    at_mm: tuple[float, float] | None
    off_mm: tuple[float, float] | None
    sigma_mm: float | None
    number: int = 0


@dataclass(frozen=True)
class Report:
    """Everything one comparison found. `to_dict` gives the JSON form.

    ``sitter_names``: feature name -> its name by the sitter's own side, for texts when ``sides`` is "sitter". Records and JSON
    name features by the picture's sides always. ``blocks``: which features are spoken of together.
    """

    subject: str
    sides: str
    sheet: Sheet
    size_mm: float
    size_label: str
    lineup: LineUp
    features: tuple[FeatureResult, ...]
    deviations: tuple[Deviation, ...]
    corrections: tuple[Correction, ...]
    later: tuple[Correction, ...]
    good: tuple[str, ...]
    not_judged: tuple[NotJudged, ...]
    capture: tuple[Advice, ...]
    seconds: Mapping[str, float] = field(default_factory=dict)
    sitter_names: Mapping[str, str] = field(default_factory=dict)
    blocks: tuple[Block, ...] = ()

    def to_dict(self) -> dict:
        """The JSON form of this report (see `featurediff.report.data`)."""
        from featurediff.report.data import report_to_dict

        return report_to_dict(self)
