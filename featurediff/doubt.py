"""How large true errors are beside what matching takes them to be, by the form of a feature and what is measured of it.

Matching states an uncertainty from how sharp and how high its correlation peaks are. Measured against the truth it is too small
for some kinds of measures and too large for others. Two factors set that right, and are kept apart:

* `STATED` makes the uncertainty that is told (`Deviation.sigma`): 68 % of true errors within one, 95 % within two. Errors have
  heavier tails than a Gaussian, so no factor gives both exactly: the one is taken that misses the worse of the two by least.
* `CAUTIOUS` makes the one that decisions allow for (`Deviation.cautious`): whether an error is listed, whether it has changed
  since the last round. It never narrows what matching or `STATED` has: simulated hands are tidier than real ones, and a measure
  taken too surely becomes a false correction. Its values are older measurements on true copies, kept by choice, for each decides
  about what is told and what is missed: change one only with both counted anew (portraits.py, facades.py, table.py).

`STATED` is data, measured on photographs of true copies and known mistakes in five hands, of scenes to develop on, by

    python tests/benchmark/trust.py doubt --subjects faces --scenes 3,5,8,21 --keep faces.pickle
    python tests/benchmark/trust.py doubt --subjects architecture --scenes 2,3,7,11 --keep buildings.pickle
    python tests/benchmark/trust.py doubt --subjects still-life --scenes 1,3,6,8 --keep tables.pickle
    python tests/benchmark/trust_fit.py faces.pickle buildings.pickle tables.pickle

which also prints shares of hits, as in `featurediff.corrections.rank`.
"""

from __future__ import annotations

from featurediff.records import Feature

# The number of measures, and how many of them in % lie within one and two of the sigmas that come of it.
STATED: dict[tuple[str, str], float] = {
    ("edge", "bulge"): 0.94,  # 710: 69, 94 %
    ("edge", "neck"): 1.20,  # 282: 68, 96 %
    ("edge", "place"): 0.84,  # 3163: 70, 93 %
    ("edge", "shoulder"): 1.08,  # 173: 69, 95 %
    ("edge", "tilt"): 0.79,  # 326: 67, 94 %
    ("edge", "widest point"): 1.19,  # 496: 68, 95 %
    ("edge", "width"): 1.04,  # 117: 69, 94 %
    ("ellipse", "ends"): 0.59,  # 261: 90, 95 %
    ("ellipse", "height"): 0.60,  # 261: 72, 90 %
    ("ellipse", "openness"): 0.61,  # 261: 70, 93 %
    ("ellipse", "place"): 0.50,  # 896: 72, 92 %
    ("ellipse", "tilt"): 0.59,  # 261: 74, 91 %
    ("ellipse", "width"): 0.55,  # 469: 70, 93 %
    ("line", "place"): 0.70,  # 1472: 69, 95 %
    ("line", "tilt"): 0.33,  # 208: 75, 88 %
    ("line", "width"): 1.01,  # 104: 66, 96 %
    ("outline", "height"): 0.90,  # 1028: 75, 89 %
    ("outline", "openness"): 0.32,  # 208: 71, 92 %
    ("outline", "place"): 0.49,  # 2056: 72, 92 %
    ("outline", "tilt"): 0.32,  # 416: 71, 93 %
    ("outline", "width"): 0.92,  # 1028: 70, 93 %
    ("point", "place"): 0.55,  # 504: 69, 95 %
    ("segment", "place"): 0.90,  # 673: 76, 87 %
    ("segment", "tilt"): 0.84,  # 673: 74, 89 %
    ("segment", "width"): 0.51,  # 59: 71, 90 %
}
CAUTIOUS: dict[tuple[str, str], float] = {
    ("edge", "neck"): 1.6,
    ("edge", "widest point"): 1.1,
    ("edge", "width"): 1.6,
    ("line", "width"): 1.35,
    ("outline", "width"): 1.1,
}


def form_of(feature: Feature) -> str:
    """ "point", "segment", "ellipse", "outline" (closed), "edge" (slides along itself) or "line" (has ends of its own)."""
    if feature.kind != "curve":
        return feature.kind
    return "outline" if feature.closed else "edge" if feature.slides else "line"


def sort_of(measure: str) -> str:
    """The measures of a place, whichever way, are one sort."""
    return "place" if measure in ("across", "down", "normal") else measure


def stated_factor(form: str, measure: str) -> float:
    """By what matching's standard uncertainty is multiplied as it is stated; 1 where nothing is known."""
    return STATED.get((form, sort_of(measure)), 1.0)


def cautious_factor(form: str, measure: str) -> float:
    """By what it is multiplied where something is decided: never below 1, nor below what is stated."""
    return max(CAUTIOUS.get((form, sort_of(measure)), 1.0), stated_factor(form, measure), 1.0)
