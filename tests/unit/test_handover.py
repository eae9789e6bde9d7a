"""What a detector does wrong is told in one sentence that names the plugin, its method and the feature."""

import dataclasses
import math
import re
import signal
import threading
import time

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from featurediff import api, discovery
from featurediff.errors import ConfigError, DetectorError, FeaturediffError, SubjectError
from featurediff.handover import calls, wellformed
from featurediff.records import STAGES, Advice, Form, Gap, Group, Guess, Junction, Meeting, NotJudged, Pair, Picture, Row, Start
from featurediff.timelimit import TimeUp, time_limit

PICTURE = Picture(np.full((300, 400, 3), 200, np.uint8), "kite.png")
SQUARE = np.array([[100.0, 100.0], [300.0, 100.0], [300.0, 200.0], [100.0, 200.0]])
REGION = SQUARE + [[-10, -10], [10, -10], [10, 10], [-10, 10]]


class Kites(api.Detector):
    """Its methods return or raise what a test wants."""

    name = "kites"

    def __init__(self, **does):
        self.does = does

    def _do(self, what, otherwise):
        made = self.does.get(what, otherwise)
        if isinstance(made, BaseException):
            raise made
        return made() if callable(made) else made

    def prepare(self, picture, settings):
        return self._do("prepare", picture)

    def find(self, picture, settings):
        return self._do("find", lambda: subject())

    def guess(self, drawing, subject):
        return self._do("guess", ())


def feature(name="tail", **changes):
    return dataclasses.replace(api.Feature(name, f"kite/{name}", "curve", SQUARE, True, ("across", "down")), **changes)


def subject(*features, **changes):
    return dataclasses.replace(api.Subject(features or (feature(),), 200.0, "length of the kite", REGION), **changes)


def told(detector, method="find"):
    """What is said about a fault of ``method``, and that it is one line that names plugin and method."""
    run = {
        "find": lambda: calls.find(detector, PICTURE, {}),
        "prepare": lambda: calls.prepare(detector, PICTURE, {}),
        "guess": lambda: calls.guess(detector, PICTURE, subject()),
    }[method]
    with pytest.raises(DetectorError) as caught:
        run()
    what = caught.value.what
    assert what.startswith("Detector 'kites' (") and f"'{method}'" in what and "\n" not in what
    return what


# ---------------------------------------------------------------- what is right passes, made what the records promise


def test_a_sound_subject_passes():
    found = calls.find(Kites(), PICTURE, {})
    assert [f.name for f in found.features] == ["tail"]
    assert np.array_equal(found.features[0].points, SQUARE)


def test_lists_of_pairs_are_good_enough():
    loose = subject(feature(points=[(100, 100), (300, 100), (300, 200)], importance=1), region=[[90, 90], [310, 90], [310, 210]])
    found = calls.find(Kites(find=dataclasses.replace(loose, features=list(loose.features), size_px=200)), PICTURE, {})
    points = found.features[0].points
    assert (points.dtype, points.shape, found.region.dtype) == (np.float64, (3, 2), np.float64)
    assert isinstance(found.features, tuple) and isinstance(found.size_px, float)


@pytest.mark.parametrize("name", ["œil\u00a0gauche", "چشم\u200cها", "凧の尾", "queue à gauche"])  # noqa: RUF001
def test_names_in_any_language(name):
    assert calls.find(Kites(find=subject(feature(name))), PICTURE, {}).features[0].name == name


def test_what_the_detector_says_itself_is_passed_on():
    with pytest.raises(SubjectError, match="no kite"):
        calls.find(Kites(find=SubjectError("There is no kite.")), PICTURE, {})
    with pytest.raises(KeyboardInterrupt):
        calls.find(Kites(find=KeyboardInterrupt()), PICTURE, {})


# ---------------------------------------------------------------- what it raises, how long it takes


@pytest.mark.parametrize("method", ["prepare", "find", "guess"])
@pytest.mark.parametrize("error", [ZeroDivisionError("division by zero"), SystemExit(3), RecursionError("deep"), KeyError("x")])
def test_what_it_raises_is_told(method, error):
    what = told(Kites(**{method: error}), method)
    assert f"failed in '{method}': {type(error).__name__}" in what


def test_the_traceback_is_kept_for_verbose():
    error = ZeroDivisionError("division by zero")
    with pytest.raises(DetectorError) as caught:
        calls.find(Kites(find=error), PICTURE, {})
    assert caught.value.__cause__ is error


def busy():
    while True:
        pass


def asleep():
    time.sleep(60)


def stubborn():
    try:
        busy()
    except:  # noqa: E722 - that is what is tried here
        busy()


needs_alarm = pytest.mark.skipif(not hasattr(signal, "setitimer"), reason="no alarm signals on this system")


@needs_alarm
@pytest.mark.parametrize("hang", [busy, asleep, stubborn])
def test_a_hang_is_ended(hang):
    detector = Kites(find=hang)
    detector.time_limit_s = 0.2
    begun = time.monotonic()
    assert "took longer than 0.2 s in 'find' and was stopped" in told(detector)
    assert time.monotonic() - begun < 5


@needs_alarm
def test_the_limit_leaves_nothing_behind():
    with time_limit(5.0):
        pass
    assert signal.getitimer(signal.ITIMER_REAL) == (0.0, 0.0)
    with pytest.raises(TimeUp), time_limit(0.05):
        busy()
    time.sleep(0.6)  # no late interruption


def test_in_another_thread_the_limit_does_nothing():
    seen = []

    def work():
        with time_limit(0.05):
            time.sleep(0.2)
            seen.append("done")

    thread = threading.Thread(target=work)
    thread.start()
    thread.join()
    assert seen == ["done"]


def test_settings_it_does_not_declare_are_refused():
    detector = Kites()
    calls.find(detector, PICTURE, {"wind": 3})  # it declares nothing and checks for itself
    detector.settings = {"wind": "how strong it is, in m/s"}
    calls.find(detector, PICTURE, {"wind": 3})
    with pytest.raises(ConfigError, match=r"detector: unknown setting 'wnd' for kites; did you mean 'wind'\?") as caught:
        calls.find(detector, PICTURE, {"wnd": 3})
    assert "kites takes wind: how strong it is, in m/s." in str(caught.value)
    detector.settings = {}
    with pytest.raises(ConfigError, match="kites takes none"):
        calls.prepare(detector, PICTURE, {"wind": 3})


# ---------------------------------------------------------------- what it returns


def endless():
    while True:
        yield feature()


@pytest.mark.parametrize(
    ("found", "said"),
    [
        (None, "it is None; a Subject record is wanted"),
        ((feature(),), "it is a tuple; a Subject record is wanted"),
        (subject(features=()), "there is no feature; what is not there is told by raising SubjectError"),
        (subject(features=(feature(), "tail")), "feature 2 is a str; a Feature record is wanted"),
        (subject(features=[feature()] * 1_000_000), "features: 1000000 of them; 500 at most"),
        (subject(features=endless()), "features: more than 500 of them"),
        (subject(features="tail"), "features is a str"),
        (subject(feature(), feature("cross"), feature()), "two features are called 'tail'"),
        (subject(feature(name=3)), "feature 1: name is a int; words are wanted"),
        (subject(feature(name=" ")), "feature 1: name is empty"),
        (subject(feature(name="ta\nil")), r"feature 1: name is 'ta\nil'"),
        (subject(feature(name="tail\ud800")), "letters that can be printed"),
        (subject(feature(kind="line")), "feature 'tail': kind is 'line'; 'point', 'segment', 'curve' or 'ellipse' is wanted"),
        (subject(feature(points=SQUARE * np.nan)), "feature 'tail': points: number 0 is (nan, nan)"),
        (subject(feature(points=SQUARE + [[0, 0], [0, math.inf], [0, 0], [0, 0]])), "number 1 is (300, inf)"),
        (subject(feature(points=SQUARE.T)), "feature 'tail': points is an array of shape (2, 4); (n, 2) is wanted"),
        (subject(feature(points=np.zeros((0, 2)))), "feature 'tail': points holds 0 points"),
        (subject(feature(points=np.zeros((4, 3)))), "of shape (4, 3)"),
        (subject(feature(points=[[1, 2], [3]])), "feature 'tail': points is no array of points"),
        (subject(feature(points=SQUARE.astype(complex))), "of the type complex128"),
        (subject(feature(points=None)), "feature 'tail': points is None"),
        (subject(feature(points=SQUARE + 1e6)), "feature 'tail': points: (1e+06, 1e+06) is far off a picture of 400 x 300 px"),
        (subject(feature(points=np.full((4, 2), 7.0))), "feature 'tail': all its points lie in one place"),
        (subject(feature(kind="segment")), "feature 'tail': a segment has two points, its ends, not 4"),
        (subject(feature(kind="point")), "feature 'tail': a point has one point, not 4"),
        (subject(feature(kind="ellipse")), "five points of its outline at least, not 4"),
        (subject(feature(measures="width")), "measures is the word 'width'; a tuple is wanted: ('width',)"),
        (subject(feature(measures=("breadth",))), "feature 'tail': measures is 'breadth'; 'across'"),
        (subject(feature(tolerance="D")), "feature 'tail': tolerance is 'D'; 'A', 'B' or 'C' is wanted"),
        (subject(feature(importance=2.0)), "feature 'tail': importance is 2; a number from 0 to 1 is wanted"),
        (subject(feature(importance=math.nan)), "importance is nan"),
        (subject(feature(importance=True)), "importance is a bool"),
        (subject(feature(importance=0.0)), "no feature has any importance"),
        (subject(feature(stage="later")), "feature 'tail': stage is 'later'"),
        (subject(feature(sigma_px=-1.0)), "feature 'tail': sigma_px is -1; a number of 0 or more is wanted"),
        (subject(feature(anchors={"tip": 4})), "feature 'tail': anchor 'tip' is 4; an index into its 4 points"),
        (subject(feature(anchors=["tip"])), "feature 'tail': anchors is a list"),
        (subject(feature(part="/kite")), "feature 'tail': part is '/kite'"),
        (subject(feature(beside=(np.zeros(3),))), "feature 'tail': beside is an array of shape (3,)"),
        (subject(size_px=0.0), "size_px is 0"),
        (subject(size_px=math.nan), "size_px is nan"),
        (subject(size_px="large"), "size_px is a str; a number is wanted"),
        (subject(size_px=1e9), "size_px is 1e+09, but region is 220 px long"),
        (subject(size_label=""), "size_label is empty"),
        (subject(region=SQUARE[:2]), "region holds 2 points"),
        (subject(region=SQUARE * 0 + 5), "region has no extent"),
        (subject(axis_deg=math.inf), "axis_deg is inf"),
        (subject(groups=(Group("", "kite"),)), "Group 'kite': part is empty"),
        (subject(groups="kite"), "groups is a str"),
        (subject(groups=(feature(),)), "number 1 of groups is a Feature; a Group record is wanted"),
        (subject(gaps=(Gap("tail", "up", ("tail",), ""),)), "Gap 'tail': direction is 'up'; 'down' or 'across'"),
        (subject(pairs=(Pair("wings", "kite/", "kite"),)), "Pair 'wings': left is 'kite/'"),
        (subject(junctions=(Junction("tip", (("tail", 0),)),)), "Junction 'tip': ends: 'tail' is a curve; only segments"),
        (subject(junctions=(Junction("tip", (("tail", 5),)),)), "Junction 'tip': the end of 'tail' is 5"),
        (subject(meetings=(Meeting("lines", (), np.array([np.nan, 0])),)), "Meeting 'lines': at is an array"),
        (subject(rows=(Row("kites", ("kite 1",), (), "across"),)), "Row 'kites' has 1 names for 0 items"),
        (subject(forms=(Form("kite", "kite", SQUARE[:1].repeat(2, 0)),)), "Form 'kite': its axis has no length"),
        (subject(starts=(Start("tail", "down", ((("tail", "tip"),),)),)), "Start 'tail': 'tail' has no anchor 'tip'"),
        (subject(not_judged=(NotJudged("string", ""),)), "not_judged 1: why is empty"),
        (subject(advice=(Advice("shout", "look"),)), "advice 1: level is 'shout'"),
    ],
)
def test_what_it_returns_is_checked(found, said):
    what = told(Kites(find=lambda: found))
    assert "returned from 'find' what can't be used" in what
    assert said in what


def test_a_record_that_can_not_be_read():
    class Trap(api.Feature):
        @property
        def name(self):
            raise RuntimeError("trap")

    trap = object.__new__(Trap)
    assert "what can't be read: RuntimeError: trap" in told(Kites(find=lambda: subject(features=(trap,))))


@pytest.mark.parametrize(
    ("made", "said"),
    [
        (PICTURE.pixels, "it is an array of shape (300, 400, 3) and type uint8; a Picture record is wanted"),
        (Picture(PICTURE.pixels[..., 0], "x"), "pixels are an array of shape (300, 400) and type uint8"),
        (Picture(PICTURE.pixels / 255, "x"), "type float64"),
        (Picture(PICTURE.pixels[:0], "x"), "the picture has no pixels"),
    ],
)
def test_what_prepare_returns_is_checked(made, said):
    assert said in told(Kites(prepare=lambda: made), "prepare")


@pytest.mark.parametrize(
    ("made", "said"),
    [
        (7, "the guesses is a int"),
        ((SQUARE,), "guess 1 is an array"),
        ((Guess(SQUARE, SQUARE[:3], "x"),), "guess 1 has 4 points on the reference and 3 on the drawing"),
        ((Guess(SQUARE, SQUARE * np.nan, "x"),), "guess 1: drawing: number 0 is (nan, nan)"),
        ((Guess(SQUARE, SQUARE * 0, "x"),), "guess 1: its points coincide"),
    ],
)
def test_what_guess_returns_is_checked(made, said):
    assert said in told(Kites(guess=lambda: made), "guess")


def test_what_is_not_on_this_picture_is_left_out_of_what_names_it():
    gap = Gap("tail", "down", ("tail", "string"), "the string")
    rows = Row("kites", ("kite 1", "kite 2"), (("string",), ("tail",)), "across")
    lost = {"junctions": (Junction("tip", (("string", 0), ("cord", -1))),), "pairs": (Pair("wings", "wing/left", "wing/right"),)}
    start = Start("string", "down", ((("string", "top"),),))
    found = calls.find(Kites(find=subject(gaps=(gap,), rows=(rows,), starts=(start,), **lost)), PICTURE, {})
    assert found.gaps[0].beyond == ("tail",)
    assert (found.rows[0].names, found.rows[0].items) == (("kite 2",), (("tail",),))
    assert (found.junctions, found.pairs, found.starts) == ((), (), ())
    raw = subject(gaps=(gap,), rows=(rows,), **lost)
    assert wellformed.unknown_names(raw) == ("string", "cord")


def test_the_package_is_named(tmp_path, monkeypatch):
    for store in ("_loaded", "_from_file", "_files", "_plugins"):
        monkeypatch.setattr(discovery, store, {})
    source = """
from featurediff.api import Detector, hookimpl
class K(Detector):
    name = "kites"
    def find(self, picture, settings):
        return 1 / 0
@hookimpl
def featurediff_detectors():
    return [K()]
"""
    path = tmp_path / "kites.py"
    path.write_text(source)
    detector = discovery.load_detector_file(path)
    with pytest.raises(DetectorError, match=re.escape(f"Detector 'kites' of the detector file '{path}' failed in 'find': Zero")):
        calls.find(detector, PICTURE, {})


# ---------------------------------------------------------------- anything at all

# The same examples every time: a round of tests must not depend on luck. Turn derandomize off to look for more.
FUZZ = settings(derandomize=True, database=None, deadline=None, suppress_health_check=list(HealthCheck))
NUMBERS = st.one_of(st.floats(allow_nan=True, allow_infinity=True), st.integers(), st.booleans(), st.none())
WORDS = st.one_of(st.text(max_size=8), st.sampled_from(["tail", "kite", "A", "curve", "segment", "across"]))
JUNK = st.recursive(
    st.one_of(NUMBERS, WORDS, st.binary(max_size=4), st.sampled_from([np.zeros(3), np.array(["x"]), object()])),
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(WORDS, inner, max_size=2), st.tuples(inner, inner)),
    max_leaves=6,
)
PLACE = st.tuples(st.floats(-50, 450), st.floats(-50, 350))
NAMES = st.sampled_from(["tail", "cross", "string", "bow"])
LABELS = st.text(st.characters(codec="utf-8", categories=["L", "N"]), min_size=1, max_size=8)
STAGE = st.sampled_from(STAGES)
ONE = st.just(True)
SPOT = st.sampled_from(["tip", "top"])


def lines(fewest, most):
    return st.lists(PLACE, min_size=fewest, max_size=most)


@st.composite
def records(draw, record, /, **sound):
    """Records of one kind, sound but for up to two fields that hold anything at all."""
    names = [f.name for f in dataclasses.fields(record)]
    spoilt = draw(st.one_of(st.just([]), st.just([]), st.just([]), st.lists(st.sampled_from(names), max_size=2)))
    return _made(record, {name: draw(sound.get(name, JUNK) if name not in spoilt else JUNK) for name in names})


def _made(kind, values):
    record = object.__new__(kind)
    for name, value in values.items():
        object.__setattr__(record, name, value)
    return record


def features(kind, fewest, most):
    return records(
        api.Feature,
        name=NAMES,
        part=st.sampled_from(["kite/tail", "kite/cross", "string"]),
        kind=st.just(kind),
        points=lines(fewest, most),
        closed=st.booleans(),
        measures=st.lists(st.sampled_from(wellformed.MEASURES), unique=True).map(tuple),
        tolerance=st.sampled_from("ABC"),
        importance=st.floats(0, 1),
        stage=STAGE,
        sigma_px=st.floats(0, 9),
        slides=st.booleans(),
        estimated=st.booleans(),
        anchors=st.just({"tip": 0}),
        sitter_name=st.just(""),
        beside=st.lists(lines(2, 5), max_size=1),
    )


FEATURES = st.one_of(features("point", 1, 1), features("segment", 2, 2), features("curve", 2, 9), features("ellipse", 5, 9))
OTHERS = {
    "groups": records(Group, part=LABELS, label=LABELS, stage=STAGE, plural=ONE, sitter_label=st.just(""), apart=ONE),
    "gaps": records(Gap, label=LABELS, direction=st.just("down"), beyond=st.tuples(NAMES), follow=LABELS, stage=STAGE),
    "pairs": records(Pair, label=LABELS, left=st.just("kite/tail"), right=st.just("string"), stage=STAGE, width=ONE),
    "junctions": records(Junction, label=LABELS, ends=st.lists(st.tuples(NAMES, st.sampled_from([0, -1])), max_size=3)),
    "meetings": records(
        Meeting, label=LABELS, members=st.tuples(NAMES), at=PLACE, level=ONE, carried=st.tuples(NAMES), stage=STAGE
    ),
    "rows": records(
        Row, label=LABELS, names=st.tuples(LABELS), items=st.tuples(st.tuples(NAMES)), direction=st.just("down"), stage=STAGE
    ),
    "forms": records(Form, label=LABELS, part=LABELS, axis=lines(2, 2), left=st.tuples(NAMES), right=st.tuples(NAMES)),
    "starts": records(
        Start,
        label=LABELS,
        direction=st.just("down"),
        ends=st.tuples(st.tuples(st.tuples(NAMES, st.sampled_from(["tip", "top"])))),
    ),
    "not_judged": records(NotJudged, feature=LABELS, why=LABELS),
    "advice": records(Advice, level=st.just("note"), text=LABELS),
}
SUBJECTS = records(
    api.Subject,
    features=st.lists(FEATURES, min_size=1, max_size=3),
    size_px=st.floats(10, 400),
    size_label=LABELS,
    region=st.just(REGION),
    axis_deg=st.floats(-30, 30),
    near_deg=st.floats(0, 90),
    top_label=st.just(""),
    bottom_label=st.just(""),
    numbered=st.booleans(),
    **{name: st.lists(each, max_size=1) for name, each in OTHERS.items()},
)


SEEN = {"tried": 0, "sound": 0}


@settings(FUZZ, max_examples=300)
@given(found=st.one_of(SUBJECTS, JUNK))
def test_whatever_find_returns_passes_or_is_told(found):
    SEEN["tried"] += 1
    try:
        sound = calls.find(Kites(find=lambda: found), PICTURE, {})
    except FeaturediffError as error:
        assert isinstance(error, DetectorError)
        assert "\n" not in error.what and len(error.what) < 700
        return
    SEEN["sound"] += 1
    assert 1 <= len(sound.features) <= wellformed.MOST_FEATURES
    for each in sound.features:
        assert each.points.dtype == np.float64 and each.points.shape[1] == 2 and np.isfinite(each.points).all()


def test_the_made_up_results_are_of_both_sorts():
    """What the test above saw: its strategies are worth nothing when all is refused, or nothing."""
    assert 0.04 < SEEN["sound"] / SEEN["tried"] < 0.96


@settings(FUZZ, max_examples=100)
@given(
    made=st.one_of(
        JUNK, records(Picture, pixels=JUNK, name=WORDS), st.lists(records(Guess, reference=lines(2, 3), drawing=lines(2, 3)))
    )
)
def test_whatever_prepare_and_guess_return_passes_or_is_told(made):
    for call in (lambda: calls.prepare(Kites(prepare=lambda: made), PICTURE, {}),
                 lambda: calls.guess(Kites(guess=lambda: made), PICTURE, subject())):  # fmt: skip
        try:
            call()
        except DetectorError as error:
            assert "\n" not in error.what
