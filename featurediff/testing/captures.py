"""Difficult captures, one simulated case each, with the behaviour that is asked for and a check of it.

A `Capture` says how a drawing is made, laid down and photographed, and what must come of it on a true copy and on a drawing with
one known mistake. `take` makes the pictures, `judge` says what is wrong with what came of them.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

import cv2
import numpy as np
from PIL import Image

from featurediff.geometry import apply
from featurediff.testing import props
from featurediff.testing.camera import Photo, photograph
from featurediff.testing.hands import Placement, SimulatedSheet, carry, draw, place
from featurediff.testing.motifs import Motif
from featurediff.testing.scenes import rendered_face
from featurediff.testing.shots import Outcome, Shot

MISTAKE_MM = 3.0
# What a picture without page edges can't hide: TRADE asks for nothing under 4 mm there.
BIG_MISTAKE_MM = 6.5

# (outcome) -> what is wrong with it, "" for nothing.
Check = Callable[[Outcome], str]


@dataclass(frozen=True)
class Capture:
    """``asked``: the behaviour, in words; ``copy`` and ``wrong``: its checks on a true copy and on one with the known mistake of
    ``amount`` mm (0: no such drawing is made). ``hand`` and ``drawing``: how it is drawn (see `draw`). ``sheet``, ``reference``,
    ``picture``: what is done to the finished drawing, to the reference, to the photograph (each ``(motif, rng, thing)``).
    ``props``: (sheet mm, rng) -> props. ``camera``: options of `photograph`; ``check``: options of `featurediff.check`.
    ``subjects``: for which it makes sense.
    """

    name: str
    asked: str
    copy: tuple[Check, ...] = ()
    wrong: tuple[Check, ...] = ()
    amount: float = MISTAKE_MM
    hand: str = "clean"
    drawing: dict = field(default_factory=dict)
    placement: Callable[[Motif], Placement] | None = None
    sheet: Callable | None = None
    reference: Callable | None = None
    picture: Callable | None = None
    file: Callable | None = None
    props: Callable | None = None
    camera: dict = field(default_factory=dict)
    check: dict = field(default_factory=dict)
    shift_mm: tuple[float, float] = (0.0, 0.0)
    whole: bool = True
    subjects: tuple[str, ...] = ("faces", "architecture", "still-life")


# ---------------------------------------------------------------- taking


def take(capture: Capture, motif: Motif, amount: float, seed: int, folder: Path, megapixels: float = 4.5) -> Shot:
    """Draw and photograph a case; pictures that must be files go to ``folder``. Deterministic by ``seed``."""
    rng = np.random.default_rng([seed, 31])
    if capture.placement is not None:
        motif = replace(motif, placement=capture.placement(motif))
    # One drawing serves all cases that ask for the same: it is the captures that differ.
    sheet = drawn(motif, amount, capture.hand, **capture.drawing)
    if capture.sheet is not None:
        sheet = replace(sheet, pixels=capture.sheet(motif, rng, sheet))
    around = capture.props(motif.placement.sheet_mm, rng) if capture.props is not None else ()
    camera = {
        "tilt_deg": 1.5 + 0.5 * (seed % 3), "tilt_axis_deg": 37.0 * seed, "turn_deg": 1.2 * ((seed % 5) - 2), "floor": "wood",
        "megapixels": megapixels, "seed": motif.seed, "props": around, **capture.camera,
    }  # fmt: skip
    photo = photograph(sheet, **camera)
    pixels = photo.pixels if capture.picture is None else capture.picture(motif, rng, photo)
    reference, to_scene = motif.scene.pixels, lambda points: points
    if capture.reference is not None:
        reference, to_scene = capture.reference(motif, rng, motif.scene.pixels)
    taken: np.ndarray | Path = pixels
    if capture.file is not None:
        taken = capture.file(pixels, folder)
    return Shot(motif, reference, taken, amount, sheet, photo, to_scene, capture.shift_mm, capture.whole, capture.check)


_DRAWN: dict[tuple, SimulatedSheet] = {}
_MOST_DRAWN = 12


def drawn(motif: Motif, amount: float, hand: str, erased: float = 0.0, smudged: bool = False) -> SimulatedSheet:
    """The motif drawn with its mistake of ``amount`` mm, over the ghost of an ``erased`` one; the latest ones are kept."""
    key = (motif.subject, motif.seed, motif.placement, amount, hand, erased, smudged)
    if key not in _DRAWN:
        while len(_DRAWN) >= _MOST_DRAWN:
            _DRAWN.pop(next(iter(_DRAWN)))
        warp, ghost = (motif.mistaken(mm) for mm in (amount, erased))
        _DRAWN[key] = draw(
            motif.scene, warp, hand=hand, placement=motif.placement, seed=motif.seed, smudged=smudged, erased=ghost
        )
    return _DRAWN[key]


def judge(capture: Capture, outcome: Outcome) -> str:
    """What of the asked behaviour is missing, or ""."""
    checks = capture.wrong if outcome.shot.amount else capture.copy
    return "; ".join(complaint for check in checks if (complaint := check(outcome)))


# ---------------------------------------------------------------- checks


def refused(*words: str) -> Check:
    """A clear refusal that holds all of these words."""

    def check(o: Outcome) -> str:
        if o.error is None:
            return f"not refused ({len(o.said)} items)"
        return "" if all(word in str(o.error).lower() for word in words) else f"refused otherwise: {o.error}"

    return check


def doubted(o: Outcome) -> str:
    """Refused as another picture, or the list comes with a warning that it may be one."""
    return refused("does not look like")(o) and advised("is it the same picture")(o)


def nothing_false(o: Outcome) -> str:
    """Compared, and nothing on the list of a true copy."""
    if o.error is not None:
        return f"refused: {o.error}"
    return f"{len(o.said)} false: {o.said[0]}" if o.said else ""


def told(o: Outcome) -> str:
    """The known mistake is told, within half a millimetre or 15 %, and nothing else."""
    if o.error is not None:
        return f"refused: {o.error}"
    hit = _hit(o)
    if hit is None:
        return f"not told ({o.said[0]})" if o.said else "not told"
    amount = float(np.hypot(*hit.move_mm)) if hit.move_mm else o.shot.amount
    off = abs(amount - o.shot.amount)
    if o.result.report.sheet.unit == "mm" and off > max(0.5, 0.15 * o.shot.amount):
        return f"told as {amount:.1f} mm"
    return f"told, and false: {next(t for t in o.said if t != hit.text)}" if len(o.said) > 1 else ""


def told_or_open(o: Outcome) -> str:
    """The known mistake is told, or its features are openly not judged; never a false item, never called good."""
    if o.error is not None:
        return ""
    complaint = told(o)
    if complaint != "not told":
        return complaint
    good = [name for name in o.result.report.good if o.shot.motif.about in name]
    return f"silent: {good[0]} is called good" if good else ""


def nothing_or_refused(o: Outcome) -> str:
    """Nothing false on the list; a clear refusal does as well."""
    return "" if o.error is not None else nothing_false(o)


def advised(*words: str) -> Check:
    """The advice on the capture holds all of these words."""

    def check(o: Outcome) -> str:
        if o.result is None:
            return "" if all(word in str(o.error).lower() for word in words) else f"refused otherwise: {o.error}"
        text = " ".join(each.text for each in o.result.report.capture).lower()
        return "" if all(word in text for word in words) else f"no advice on {' and '.join(words)}"

    return check


def covered(o: Outcome) -> str:
    """The stated trust covers what the capture truly does to places, on 95 % of the sheet."""
    if o.geometry is None:
        return "the sheet was not found" if o.error is None else ""
    share = float(np.mean(o.geometry <= o.result.report.sheet.trust_mm))
    return "" if share >= 0.95 else f"trust of {o.result.report.sheet.trust_mm:.2f} mm covers {100 * share:.0f} %"


def unsquared(o: Outcome) -> str:
    """Lined up without squaring and without mm, and said so."""
    if o.error is not None:
        return f"refused: {o.error}"
    sheet = o.result.report.sheet
    text = " ".join(each.text for each in o.result.report.capture)
    return "" if not sheet.squared and sheet.unit == "%" and "without squaring" in text else f"taken for {sheet.found}"


def squared(o: Outcome) -> str:
    """The sheet was found and squared."""
    if o.error is not None:
        return f"refused: {o.error}"
    return "" if o.result.report.sheet.squared else "the sheet was not found"


def open_about(*words: str) -> Check:
    """Features with each of these words in their names are listed as not judged."""

    def check(o: Outcome) -> str:
        if o.error is not None:
            return f"refused: {o.error}"
        names = [each.feature for each in o.result.report.not_judged]
        lost = [word for word in words if not any(word in name for name in names)]
        return f"nothing said of {lost[0]}" if lost else ""

    return check


def _hit(o: Outcome):
    """The correction that tells the known mistake, or None."""
    for each in o.result.report.corrections + o.result.report.later:
        if all(any(either in each.text.lower() for either in word.split("|")) for word in o.shot.motif.words):
            return each
    return None


# ---------------------------------------------------------------- what is done to drawings, references and photographs


def _painted(motif: Motif, rng, sheet: SimulatedSheet) -> np.ndarray:
    """The left half washed over in the reference's colours, as a watercolour is begun."""
    h, w = sheet.pixels.shape[:2]
    soft = cv2.GaussianBlur(motif.scene.pixels, (0, 0), motif.scene.size_px / 40).astype(np.float32)
    colours = [carry(soft[..., c] + 1.0, sheet.placement, sheet.warp, (h, w), sheet.px_per_mm, rng, 0.4) for c in range(3)]
    wash = np.stack(colours, -1)
    inside = (wash.min(-1) > 0).astype(np.float32)
    middle = float(apply(sheet.placement.matrix, np.array([motif.scene.centre_px]))[0, 0]) * sheet.px_per_mm
    xs = np.arange(w, dtype=np.float32) + 6 * sheet.px_per_mm * np.sin(np.arange(h, dtype=np.float32)[:, None] / 90)
    cover = cv2.GaussianBlur(inside * (xs < middle), (0, 0), 0.6 * sheet.px_per_mm)[..., None]
    # Paint is transparent: the pencil under it stays.
    washed = sheet.pixels.astype(np.float32) * (0.25 + 0.75 * np.clip(wash, 0, 255) / 255)
    return np.clip(sheet.pixels + cover * (washed - sheet.pixels), 0, 255).astype(np.uint8)


def _blank(motif: Motif, rng, sheet: SimulatedSheet) -> np.ndarray:
    from featurediff.testing import paper

    tone = paper.blank(sheet.pixels.shape[:2], sheet.px_per_mm, rng)
    return np.clip(tone[..., None] * np.array([255, 253, 249]), 0, 255).astype(np.uint8)


def _printed(motif: Motif, rng, sheet: SimulatedSheet) -> np.ndarray:
    """The reference itself, printed on the sheet instead of drawn."""
    h, w = sheet.pixels.shape[:2]
    blank = _blank(motif, rng, sheet).astype(np.float32)
    channels = [motif.scene.pixels[..., c].astype(np.float32) + 1.0 for c in range(3)]
    print_ = np.stack([carry(c, sheet.placement, None, (h, w), sheet.px_per_mm, rng) for c in channels], -1)
    inside = print_.min(-1, keepdims=True) > 0
    return np.where(inside, 0.15 * blank + 0.82 * print_, blank).clip(0, 255).astype(np.uint8)


def _mirrored(motif: Motif, rng, pixels: np.ndarray):
    width = pixels.shape[1]
    return np.ascontiguousarray(pixels[:, ::-1]), lambda points: points * [-1, 1] + [width - 1, 0]


def _cropped(left: float, top: float, right: float, bottom: float):
    """The reference cut: fractions of the subject's size about its middle."""

    def cut(motif: Motif, rng, pixels: np.ndarray):
        centre, size = np.array(motif.scene.centre_px), motif.scene.size_px
        low = np.maximum(np.round(centre - size * np.array([left, top])), 0).astype(int)
        high = np.minimum(np.round(centre + size * np.array([right, bottom])), pixels.shape[1::-1]).astype(int)
        return np.ascontiguousarray(pixels[low[1] : high[1], low[0] : high[0]]), lambda points: points + low

    return cut


def _print_photographed(tilt: float):
    """The reference is itself a photograph of a print, a little tilted, with the print's white border and the table around it."""

    def make(motif: Motif, rng, pixels: np.ndarray):
        k = 8.0
        border, high = 5.0, 150.0
        scale = high / pixels.shape[0]
        size = (pixels.shape[1] * scale + 2 * border, high + 2 * border)
        shape = (round(size[1] * k), round(size[0] * k))
        matrix = np.array([[scale * k, 0, border * k], [0, scale * k, border * k], [0, 0, 1.0]])
        picture = cv2.warpAffine(
            pixels, matrix[:2], shape[::-1], flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=(244, 244, 242)
        )
        print_ = SimulatedSheet(picture, k, Placement(size, scale, 0.0, (border, border)), None)
        photo = photograph(
            print_, tilt_deg=tilt, tilt_axis_deg=float(rng.uniform(0, 360)), megapixels=4.0, fill=0.92, seed=int(rng.integers(99))
        )
        back = np.linalg.inv(matrix) @ np.linalg.inv(print_.to_mm) @ np.linalg.inv(photo.to_px)
        return photo.pixels, lambda points: apply(back, points)

    return make


def _other_face(more: int):
    """The reference of somebody else: ``more`` is added to the drawing's own seed."""

    def make(motif: Motif, rng, pixels: np.ndarray):
        return rendered_face(motif.seed + more).pixels, lambda points: points

    return make


def _other_pose(**pose: float):
    def make(motif: Motif, rng, pixels: np.ndarray):
        return rendered_face(motif.seed, **pose).pixels, lambda points: points

    return make


def _turned(quarters: int):
    return lambda motif, rng, photo: np.ascontiguousarray(np.rot90(photo.pixels, quarters))


def _dim(share: float, noise: float):
    """Low light, brightened by the camera as far as it goes: what is left is noise."""

    def make(motif: Motif, rng, photo: Photo) -> np.ndarray:
        dark = photo.pixels.astype(np.float32) * share
        grain = cv2.GaussianBlur(rng.standard_normal(dark.shape[:2]).astype(np.float32), (0, 0), 0.8)
        return np.clip(dark + noise * grain[..., None] / grain.std(), 0, 255).astype(np.uint8)

    return make


def _moved_camera(length_px: float):
    """Camera shake along a slanting path."""

    def make(motif: Motif, rng, photo: Photo) -> np.ndarray:
        n = int(2 * np.ceil(length_px) + 3)
        kernel = np.zeros((n, n), np.float32)
        reach = np.array([0.8, 0.6]) * length_px / 2
        a, b = n // 2 - reach, n // 2 + reach
        cv2.line(kernel, tuple(int(v * 16) for v in a), tuple(int(v * 16) for v in b), 1.0, 1, cv2.LINE_AA, 4)
        return cv2.filter2D(photo.pixels, -1, kernel / kernel.sum())

    return make


def _another_thing(motif: Motif, rng, photo: Photo) -> np.ndarray:
    """A photograph without any sheet: the bare floor."""
    h, w = photo.pixels.shape[:2]
    corner = photo.pixels[: h // 40 + 8]
    return cv2.resize(np.vstack([corner, corner[::-1]]), (w, h), interpolation=cv2.INTER_LINEAR)


def _saved(name: str, **options):
    """The photograph in a file of another kind."""

    def save(pixels: np.ndarray, folder: Path) -> Path:
        path = Path(tempfile.mkdtemp(dir=folder)) / name
        if name.endswith("heic"):
            import pillow_heif

            pillow_heif.from_pillow(Image.fromarray(pixels)).save(path, quality=90)
        elif options.get("mode") == "I;16":
            grey = cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY).astype(np.uint16) * 257
            Image.fromarray(grey).save(path)
        elif options.get("mode") == "RGB16":
            cv2.imwrite(str(path), pixels[..., ::-1].astype(np.uint16) * 257)
        elif options.get("mode") == "RGBA":
            alpha = np.full((*pixels.shape[:2], 1), 255, np.uint8)
            alpha[: len(alpha) // 50] = 0
            Image.fromarray(np.dstack([pixels, alpha])).save(path)
        else:
            Image.fromarray(pixels).convert(options["mode"]).save(path, quality=92)
        return path

    return save


def _small(motif: Motif) -> Placement:
    return place(motif.scene, motif.placement.sheet_mm, 92.0, 4.0, (80.0, 110.0))


def _off_the_page(motif: Motif) -> Placement:
    """So large and so high that the top of the subject lies beyond the paper."""
    sheet_mm = motif.placement.sheet_mm
    return place(motif.scene, sheet_mm, 205.0, 0.0, (sheet_mm[0] / 2, 62.0))


def _stained(sheet_mm, rng) -> tuple[props.Prop, ...]:
    return (props.coffee_stain((0.36 * sheet_mm[0], 0.40 * sheet_mm[1]), rng),)


def _at(what: Callable, *share: float, **options):
    """A prop with its middle at these shares of the sheet's width and height."""
    return lambda sheet_mm, rng: (what((share[0] * sheet_mm[0], share[1] * sheet_mm[1]), **options),)


def _tablet(sheet_mm, rng):
    return (props.hard_shadow((170, 240), (0.78 * sheet_mm[0], 0.85 * sheet_mm[1]), turn_deg=12.0),)


def _phone(sheet_mm, rng):
    return (props.hard_shadow((75, 150), (0.5 * sheet_mm[0], 0.52 * sheet_mm[1]), turn_deg=-8.0, soft_mm=4.0, depth=0.3),)


def _hand(sheet_mm, rng):
    return (props.hand_shadow((0.66 * sheet_mm[0], 0.80 * sheet_mm[1]), rng),)


def _beside(sheet_mm, rng):
    return props.sheet_beside(sheet_mm, rng)


FINE = (nothing_false, squared)
FACES = ("faces",)


CAPTURES: tuple[Capture, ...] = (
    Capture("plain", "nothing false; the known error told; trust covers the geometry", (*FINE, covered), (told,)),
    # light
    Capture("shadow of a hand", "taken out or masked; nothing false; the error told", FINE, (told,), props=_hand),
    Capture(
        "shadow of a tablet, hard edge",
        'masked; "step to one side of the light"',
        (*FINE, advised("light")),
        (told,),
        props=_tablet,
    ),
    Capture("shadow of the phone across it", "taken out or masked; nothing false", FINE, (told_or_open,), props=_phone),
    Capture("lamp from one side", "smooth light flattened", FINE, (told,), camera={"light_falloff": 0.65}),
    Capture(
        "glare on the brow",
        "nothing false; told or openly not judged",
        (*FINE, advised("glare")),
        (told_or_open,),
        props=_at(props.glare, 0.40, 0.36),
    ),
    Capture(
        "low light, noise",
        "nothing false; told or openly not judged",
        (nothing_or_refused,),
        (told_or_open,),
        picture=_dim(0.35, 7.0),
        camera={"noise_level": 5.0},
    ),
    Capture("noise", "nothing false; the error told", FINE, (told,), camera={"noise_level": 5.0, "jpeg_quality": 75}),
    # sharpness
    Capture("slightly soft", "nothing false; advice when it matters", FINE, (told,), camera={"blur_px": 2.2}),
    Capture(
        "out of focus", "refused below the limit, naming it", (refused("blurred", "limit"),), (), 0.0, camera={"blur_px": 9.0}
    ),
    Capture(
        "camera shake",
        "advised or refused, naming it; nothing false",
        (nothing_or_refused, advised("focus")),
        (told_or_open,),
        picture=_moved_camera(14.0),
    ),
    # paper
    Capture("cockled paper", "trust covers the geometry; nothing false", (*FINE, covered), (told,), camera={"curl_mm": 4.0}),
    Capture(
        "curled paper, 6 mm", "uncertainty widened; nothing false", (*FINE, covered), (told_or_open,), camera={"lifted_mm": 6.0}
    ),
    Capture(
        "curled paper, 14 mm",
        '"weight the corners"; nothing false',
        (*FINE, covered, advised("weight the corners")),
        (told_or_open,),
        camera={"lifted_mm": 14.0},
    ),
    Capture("deckle edges", "trust covers the geometry; nothing false", (*FINE, covered), (told,), camera={"deckle_mm": 1.5}),
    Capture(
        "one corner out of the picture",
        "edges extended; nothing false",
        (*FINE, covered),
        (told,),
        camera={"turn_deg": 10.0, "fill": 0.98, "crop": (0.0, 0.0, 0.9, 1.0)},
    ),
    Capture(
        "two corners out",
        "without squaring or mm, and said so; nothing under 4 mm listed",
        (nothing_false, unsquared),
        (unsquared, nothing_false),
        camera={"crop": (0.0, 0.0, 1.0, 0.82)},
    ),
    Capture(
        "page edges out, big error",
        "a big error is still told, in %",
        (),
        (unsquared, told),
        BIG_MISTAKE_MM,
        camera={"crop": (0.13, 0.12, 0.87, 0.9)},
    ),
    # around the page
    Capture("tape across the corners", "tape is not paper; trust covers", (*FINE, covered), (told,), props=props.tape_on_corners),
    Capture(
        "tape along all edges, visible size named",
        "the inner rectangle of paper; trust covers",
        (*FINE, covered),
        (told,),
        props=lambda mm, rng: props.tape_on_edges(mm, 6.0, rng),
        check={"sheet": "198x285mm"},
        shift_mm=(6.0, 6.0),
    ),
    Capture(
        "tape along all edges, whole size named",
        "nothing false; the error told",
        FINE,
        (told,),
        props=lambda mm, rng: props.tape_on_edges(mm, 6.0, rng),
        whole=False,
    ),
    Capture("watercolour block", "the top sheet, not block or rim; trust covers", (*FINE, covered), (told,), props=props.block),
    Capture(
        "floorboards parallel to the page",
        "boards are not paper; trust covers",
        (*FINE, covered),
        (told,),
        camera={"floor": "boards", "turn_deg": 0.2},
    ),
    Capture("cloth", "trust covers; nothing false", (*FINE, covered), (told,), camera={"floor": "cloth"}),
    Capture(
        "tiles", "joints are not paper edges; trust covers", (*FINE, covered), (told,), camera={"floor": "tile", "turn_deg": 0.5}
    ),
    Capture(
        "white table",
        "found, or said that it is not; never wrong",
        (nothing_false, covered),
        (told_or_open,),
        camera={"floor": "white"},
    ),
    Capture("a second sheet beside it", "the drawn sheet; trust covers", (*FINE, covered), (told,), props=_beside),
    Capture(
        "a pad of sheets beneath",
        "the top sheet; trust covers; says so",
        (*FINE, covered, advised("other paper")),
        (told,),
        props=props.sheets_beneath,
    ),
    # on the page
    Capture("eraser ghosts of another state", "the darker, later line", FINE, (told,), drawing={"erased": 4.0, "smudged": True}),
    Capture("restated lines", "the later line; nothing false", FINE, (told,), hand="restated"),
    Capture("notes and a thumbnail", "left aside; nothing false", FINE, (told,), props=props.notes),
    Capture("colour swatches", "left aside; nothing false", FINE, (told,), props=props.swatches),
    Capture("coffee stain on the face", "nothing false; told or openly not judged", FINE, (told_or_open,), props=_stained),
    Capture("hatching", "tone apart from line; nothing false", FINE, (told,), hand="hatched"),
    Capture("soft tone", "a shadow edge is no contour", FINE, (told,), hand="tonal"),
    Capture("faint pencil", "nothing false; told or openly not judged", FINE, (told_or_open,), hand="faint"),
    Capture(
        "2H, hardly there",
        '"cannot see it here": side light or closer, never darker lines',
        (nothing_or_refused, advised("side")),
        (told_or_open,),
        hand="hard",
    ),
    Capture("half painted", "nothing false; told or openly not judged", FINE, (told_or_open,), sheet=_painted),
    Capture(
        "eyes only so far",
        "judges what is drawn, says what is not",
        (*FINE, open_about("chin", "mouth")),
        (told,),
        hand="partial",
        subjects=FACES,
    ),
    # lens and position
    Capture(
        "wide-angle barrel, 1 %",
        "trust covers; nothing false",
        (*FINE, covered),
        (told,),
        camera={"barrel": -0.01, "lens_mm": 22.0},
    ),
    Capture(
        "wide-angle barrel, 3 %",
        "uncertainty widened; nothing false",
        (*FINE, covered),
        (told_or_open,),
        camera={"barrel": -0.03, "lens_mm": 18.0},
    ),
    Capture(
        "steep camera, 20 degrees",
        "squared; advised to hold it level",
        (*FINE, covered, advised("tilted")),
        (told,),
        camera={"tilt_deg": 20.0},
    ),
    Capture(
        "few px",
        "advised to go closer; nothing false",
        (*FINE, advised("px per mm")),
        (told_or_open,),
        camera={"megapixels": 0.9},
    ),
    Capture("sideways", "says so, or right all the same", (nothing_or_refused,), (told,), picture=_turned(1), whole=False),
    Capture("upside down", "says so", (refused("upside down"),), (), 0.0, picture=_turned(2), whole=False),
    # the reference
    Capture("mirrored reference", "says so and stops", (refused("mirror"),), (refused("mirror"),), reference=_mirrored),
    Capture(
        "reference cropped closely",
        "the shared area; nothing false",
        FINE,
        (told,),
        reference=_cropped(0.42, 0.52, 0.42, 0.56),
        subjects=FACES,
    ),
    Capture(
        "reference cropped at brow and chin",
        "the shared area; nothing false",
        (nothing_or_refused,),
        (told_or_open,),
        reference=_cropped(0.40, 0.28, 0.40, 0.50),
        subjects=FACES,
    ),
    Capture("drawn small and turned", "size is planned size, not an error", FINE, (told,), placement=_small, subjects=FACES),
    Capture(
        "drawn beyond the paper",
        "what is on the paper; nothing false",
        (nothing_false,),
        (told_or_open,),
        placement=_off_the_page,
        subjects=FACES,
    ),
    Capture(
        "reference is a photo of a print", "nothing false; the error told", FINE, (told,), reference=_print_photographed(1.5)
    ),
    Capture("the print itself in place of a drawing", "nothing false", FINE, (), 0.0, sheet=_printed),
    Capture(
        "somebody else's face",
        "refused, or doubted aloud: is it the same picture?",
        (doubted,),
        (),
        0.0,
        reference=_other_face(1),
        subjects=FACES,
    ),
    Capture(
        "same face, turned by 25 degrees",
        "refused, or doubted aloud: is it the same picture?",
        (doubted,),
        (),
        0.0,
        reference=_other_pose(yaw=25.0),
        subjects=FACES,
    ),
    Capture(
        "same face, looking down",
        "refused, or doubted aloud: is it the same picture?",
        (doubted,),
        (),
        0.0,
        reference=_other_pose(pitch=22.0),
        subjects=FACES,
    ),
    Capture("blank sheet", "refused: nothing of it is there", (refused("does not look like"),), (), 0.0, sheet=_blank),
    Capture("no sheet at all", "refused", (refused(),), (), 0.0, picture=_another_thing, whole=False),
    # files
    Capture("HEIC", "read", FINE, (told,), file=_saved("sheet.heic")),
    Capture("16-bit colour PNG", "read", FINE, (told,), file=_saved("sheet.png", mode="RGB16")),
    Capture("16-bit grey TIFF", "read", FINE, (told,), file=_saved("sheet.tiff", mode="I;16")),
    Capture("CMYK JPEG", "read", FINE, (told,), file=_saved("sheet.jpg", mode="CMYK")),
    Capture("grey JPEG", "read", FINE, (told,), file=_saved("sheet.jpg", mode="L")),
    Capture("PNG with alpha", "read", FINE, (told,), file=_saved("sheet.png", mode="RGBA")),
)
