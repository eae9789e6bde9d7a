"""What is tried besides pictures: names and places, settings, marks, pieces and class folders that come from elsewhere."""

from __future__ import annotations

import copy
import json
import os
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import hostile_pictures
import numpy as np
from hostile_run import Case

from featurediff.demo import Demo, get_demo

INJECTED = "<img src=x onerror=alert(1)>"
Made = tuple[Case, Callable[[Path], object]]


@dataclass(frozen=True)
class Good:
    """Good files to put hostile ones among: a face pair, small, and a piece of two rounds made of it."""

    demo: Demo
    reference: bytes
    drawing: bytes
    piece: Path
    classroom: Path


def pair(good: Good, folder: Path, reference: str = "photo.jpg", drawing: str = "sheet.jpg") -> None:
    """A good pair in ``folder``."""
    (folder / reference).write_bytes(good.reference)
    (folder / drawing).write_bytes(good.drawing)


def nothing(folder: Path) -> None:
    """Nothing is put there."""


# ---------------------------------------------------------------- pictures, through whole commands

FACES = ["--subject", "faces", "--sheet", "A4"]


def pictures(good: Good, seed: int, whole: int, read: int) -> Iterator[Made]:
    """Damaged and strange pictures: ``read`` of them only read, ``whole`` of them compared; all special ones read."""
    for name, make in hostile_pictures.special().items():
        case = Case("pictures made by hand", name, ["read", "picture", name])
        yield case, lambda folder, make=make, name=name: make(folder / name)
    streams = (
        ("damaged pictures", hostile_pictures.fuzzed(read, seed)),
        ("broken colour profiles", hostile_pictures.profiles(read // 6, seed)),
        ("broken EXIF blocks", hostile_pictures.exifs(read // 6, seed)),
    )
    for kind, stream in streams:
        for name, data in stream:
            yield Case(kind, name, ["read", "picture", name]), lambda folder, n=name, d=data: (folder / n).write_bytes(d)
    yield from _damaged_pairs(good, seed, whole)
    names = ("thin-30000x2.png", "tall-2x30000.png", "one-pixel.png", "one-row.png", "odd-3x5000.jpg", "black.png", "clear.png")
    for name in (*names, "pages-60000.tif", "pipe.jpg", "many-scans.jpg", "nan.tif", "vector.jpg", "link-to-zeros.jpg"):
        for role in ("reference", "drawing", "scan"):
            yield _special_pair(good, name, role)


def largest(good: Good) -> Iterator[Made]:
    """A good pair as large as is read, of two forms, each in a process of its own; the second begins a piece."""
    for ending, more in (("jpg", ["--out", "out"]), ("webp", ["--piece", "out"])):

        def make(folder: Path, ending: str = ending) -> None:
            for name, data in (("photo", good.reference), ("sheet", good.drawing)):
                hostile_pictures.enlarged(data, 79.9e6, folder / f"{name}.{ending}")

        call = ["check", f"photo.{ending}", f"sheet.{ending}", *FACES, *more]
        yield Case("the largest pictures", f"{ending} {more[0]}", call, own=True), make


def _damaged_pairs(good: Good, seed: int, count: int) -> Iterator[Made]:
    for k in range(count):
        rng = np.random.default_rng([seed, 21, k])
        role = ("photo.jpg", "sheet.jpg")[k % 2]
        data = hostile_pictures.mutated(good.reference if role == "photo.jpg" else good.drawing, rng)

        def make(folder: Path, role: str = role, data: bytes = data) -> None:
            pair(good, folder)
            (folder / role).write_bytes(data)

        yield Case("damaged pictures, compared", f"{role} {k}", ["check", "photo.jpg", "sheet.jpg", *FACES, "--out", "out"]), make


def _special_pair(good: Good, name: str, role: str) -> Made:
    files = (name, "sheet.jpg") if role == "reference" else ("photo.jpg", name)

    def make(folder: Path) -> None:
        pair(good, folder)
        hostile_pictures.special()[name](folder / name)

    more = ["--scan"] if role == "scan" else []
    return Case("pictures made by hand, compared", f"{name} as {role}", ["check", *files, *FACES, *more, "--out", "out"]), make


# ---------------------------------------------------------------- names and places

NAMES = (
    "a b  c.jpg",
    "größe 絵 и.jpg",
    "new\nline.jpg",
    "tab\tbell\a.jpg",
    "\x1b[31mred\x1b[2J.jpg",
    "\u202egpj.evil.jpg",
    "\u2066isolate\u200f.jpg",
    "-out.jpg",
    "--help",
    f"{INJECTED.replace('/', '')}.jpg",
    "';touch executed;'.jpg",
    "$(touch executed).jpg",
    "{{7*7}}{% x %}.jpg",
    "%s%n{0}.jpg",
    "é" * 120 + ".jpg",
    "x" * 251 + ".jpg",
    os.fsdecode(b"not-utf8-\xff\xfe.jpg"),
    ".jpg",
    " ",
    "CON.jpg",
    "[faint].jpg",
)


def names(good: Good) -> Iterator[Made]:
    """Odd names for every file and folder that a command takes, and places where nothing can be written."""
    for name in NAMES:
        given = f"./{name}"
        kind = "names of pictures"
        both = lambda folder, n=name: pair(good, folder, n, f"d{n}" if len(os.fsencode(n)) < 250 else "d.jpg")  # noqa: E731
        drawing = f"./d{name}" if len(os.fsencode(name)) < 250 else "d.jpg"
        yield Case(kind, name, ["check", given, drawing, *FACES, "--out", "out"], pages=("out/report.html",)), both
        yield Case(kind, f"missing {name}", ["check", given, f"{given}x", *FACES]), nothing
        yield Case("names of folders", f"out {name}", ["progress", "piece", "--out", given], (name,)), _piece(good)
        yield Case("names of folders", f"out is a file {name}", ["check", "p", "d", *FACES, "--out", given], ()), _file(name)
        for command in (["progress"], ["keep"], ["habits"], ["check", "p", "d", *FACES, "--piece"]):
            yield Case("names of folders", f"{command[0]} {name}", [*command, given], ("piece", name)), nothing
        yield Case("names of settings", name, ["config", "--where", "--config", given], ()), _settings_called(name)
        yield Case("names of settings", f"missing {name}", ["config", "--config", f"{given}x"], ()), nothing
        yield Case("names of marks", name, ["plan", "p.jpg", "--sheet", "A4", "--marks", given], ()), _settings_called(name)
        for option in ("--subject", "--sheet", "--lineup", "--detector", "--px-per-mm", "--format", f"--{name}"):
            yield Case("odd options", f"{option} {name}", ["check", "p.jpg", "d.jpg", option, name], ()), nothing
        yield Case("odd options", f"new-detector {name}", ["new-detector", name], (name,)), nothing
        yield Case("odd options", f"demo {name}", ["demo", name], ()), nothing
        yield Case("odd options", f"try {name}", ["try", given], ()), nothing
        yield Case("odd options", f"object {name}", ["check", "p", "d", *FACES, "--object", f"{name}:1,2,3,4"], ()), nothing
    yield from _places(good)


def _piece(good: Good) -> Callable[[Path], object]:
    return lambda folder: shutil.copytree(good.piece, folder / "piece")


def _file(name: str) -> Callable[[Path], object]:
    return lambda folder: (folder / name).write_text("mine")


def _settings_called(name: str) -> Callable[[Path], object]:
    return lambda folder: (folder / name).write_text("sheet:\n  sise: A4\n  size: A3\n")


def _places(good: Good) -> Iterator[Made]:
    """Where results can't go, each in a process of its own."""
    check = ["check", "photo.jpg", "sheet.jpg", *FACES, "--out", "out"]
    pieces = ["check", "photo.jpg", "sheet.jpg", *FACES, "--piece", "new"]
    both = lambda folder: pair(good, folder)  # noqa: E731

    def linked(folder: Path) -> None:
        both(folder)
        (folder / "elsewhere").mkdir()
        (folder / "elsewhere" / "report.json").write_text("mine")
        (folder / "out").mkdir()
        for name in ("report.json", "report.html", "report.png"):
            (folder / "out" / name).symlink_to(f"../elsewhere/{name}")

    def planted(folder: Path) -> None:
        linked(folder)
        for pid in range(1, 40_000):  # whatever the number of the process will be
            for name in (f".featurediff-{pid}", f".report-{pid}.json"):
                (folder / "out" / name).symlink_to("../elsewhere/made")

    def folder_in_place(folder: Path) -> None:
        both(folder)
        (folder / "out" / "report.png").mkdir(parents=True)

    kind = "places that can't be written"
    yield Case(kind, "links in out", check), linked
    yield Case(kind, "temporary names planted in out", check, own=True), planted
    yield Case(kind, "a folder where a file goes", check, out_of_room=True), folder_in_place
    yield Case(kind, "out below a file", [*check[:-1], "photo.jpg/out"], ()), both
    yield Case(kind, "out in /proc", [*check[:-1], "/proc/nowhere"], ()), both
    yield Case(kind, "out with a null", [*check[:-1], "a\0b"], ()), both
    yield Case(kind, "reference with a null", ["check", "a\0b", *check[2:]]), both
    for size in (0, 1, 5_000, 60_000, 200_000):
        room = {"LIMIT_FILE_BYTES": str(size)}
        yield Case("a full disk", f"out, files of {size} bytes", check, ("out",), True, True, environment=room), both
        yield Case("a full disk", f"piece, files of {size} bytes", pieces, ("new",), True, True, environment=room), both
    yield Case("a full disk", "stdout", check, ("out",), True, True, environment={"STDOUT_FULL": "1"}), both


# ---------------------------------------------------------------- settings and marks

_BOMB = "a: &a [x,x,x,x,x,x,x,x,x]\n" + "".join(
    f"{chr(98 + k)}: &{chr(98 + k)} [{','.join(['*' + chr(97 + k)] * 9)}]\n" for k in range(12)
)
YAMLS: dict[str, str | bytes] = {
    "bomb": _BOMB,
    "bomb in detector": "detector:\n" + "\n".join("  " + line for line in _BOMB.splitlines()),
    "ring": "detector: &a\n  x: *a\n",
    "ring of lists": "&a [*a, *a]\n",
    "merge bomb": "detector:\n  a: &a {x: 1}\n" + "".join(f"  b{k}: &b{k} {{<<: [*a, *a]}}\n" for k in range(2000)),
    "merge ring": "detector: &a\n  <<: *a\n",
    "deep lists": "detector: " + "[" * 5000,
    "deep blocks": "detector: " + "{a: " * 5000,
    "deep closed": "detector:\n  a: " + "[" * 900 + "]" * 900,
    "deep indented": "\n".join(" " * k + "a:" for k in range(900)),
    "huge list": "detector:\n  a: [" + "1," * 140_000 + "]",
    "huge block": "importance:\n" + "".join(f"  a{k}: 0.5\n" for k in range(15_000)),
    "huge words": "subject: " + "x" * 290_000,
    "too large": "#" * 300_001,
    "python object": "detector:\n  a: !!python/object/apply:os.system ['touch executed']\n",
    "python name": "subject: !!python/name:os.system\n",
    "python at the top": "!!python/object/apply:os.system ['touch executed']\n",
    "python module": "detector: !!python/module:antigravity\n",
    "unknown tag": "sheet: !kettle {size: A4}\n",
    "binary": "detector:\n  a: !!binary |\n    R0lGODlhDAAMAIQAAP//9/X17unp5WZmZgAAAOfn515eXvPz7Y6OjuDg4J+fn5\n",
    "set": "detector: !!set {a, b}\n",
    "ordered": "detector: !!omap [a: 1]\n",
    "sixtieths": "detector:\n  a: " + "1:" * 140_000 + "1\n",
    "sixtieths in a number": "sheet:\n  px_per_mm: " + "1:" * 140_000 + "1\n",
    "digits": "sheet:\n  px_per_mm: " + "9" * 280_000 + "\n",
    "digits in detector": "detector:\n  a: " + "9" * 280_000 + "\n",
    "hexadecimal": "detector:\n  a: 0x" + "f" * 280_000 + "\n",
    "underscores": "detector:\n  a: 1" + "_" * 280_000 + "\n",
    "not a number": "sheet:\n  px_per_mm: .nan\n",
    "infinite": "sheet:\n  px_per_mm: .inf\n",
    "huge number": "sheet:\n  px_per_mm: 1.0e+400\n",
    "date": "detector:\n  a: 2031-99-99\n",
    "wrong types": "sheet: [1, 2]\nlineup: 7\nimportance: x\ncorrections: null\n",
    "a list at the top": "- 1\n- 2\n",
    "a word at the top": "kettle\n",
    "keys that are lists": "? [a, b]\n: c\n",
    "null keys": "~: 1\n",
    "two documents": "subject: faces\n---\nsubject: faces\n",
    "many documents": "---\n" * 100_000,
    "escapes": 'subject: "\\e[31m\\a\\u202e"\n',
    "raw escapes": b"subject: \x1b[31mred\n",
    "escape in a name": '"\\e[31m\\u202ebell": 1\n',
    "null byte": b"subject: a\0b\n",
    "not utf-8": b"subject: \xff\xfe\n",
    "utf-16": "subject: faces\n".encode("utf-16"),
    "byte order mark": "\ufeffsubject: faces\n",
    "tabs": "sheet:\n\tsize: A4\n",
    "colons": ":" * 300_000,
    "dashes": "- " * 100_000,
    "question marks": "? " * 50_000,
    "anchors": "".join(f"&a{k} " for k in range(50_000)),
    "unclosed quote": 'subject: "' + "x\n" * 100_000,
    "ampersands": "&" * 100_000,
    "directive": "%YAML 9.9\n---\nsubject: faces\n",
    "tag bomb": "%TAG !e! tag:" + "x" * 100_000 + "\n---\nsubject: !e!y z\n",
    "empty": "",
    "detectors": "detectors:\n  faces: ./own.py\n",
    "markup": f"subject: '{INJECTED}'\n",
    "model that is a device": "subject: faces\ndetector:\n  landmark_model: /dev/zero\n",
    "model that is a pipe": "subject: faces\ndetector:\n  landmark_model: pipe\n",
}


def texts(good: Good, seed: int, count: int) -> Iterator[Made]:
    """Settings and marks made by hand, and good ones that were damaged."""
    for name, text in YAMLS.items():
        data = text if isinstance(text, bytes) else text.encode("utf-8")
        put = lambda folder, d=data: _put_yaml(folder, d)  # noqa: E731
        yield Case("settings made by hand", name, ["config", "--config", "given.yaml"], ()), put
        yield Case("settings made by hand", f"of this folder: {name}", ["config", "--where"], ()), _beside(data)
        yield Case("marks made by hand", name, ["plan", "photo.jpg", "--sheet", "A4", "--marks", "given.yaml"], ()), put
        if "model" in name or "detector" in name or name in ("markup", "escapes"):
            call = ["check", "photo.jpg", "sheet.jpg", "--config", "given.yaml", "--sheet", "A4"]
            yield (
                Case("settings made by hand", f"used: {name}", call, ()),
                lambda f, d=data: (pair(good, f), _put_yaml(f, d)),
            )
    import featurediff_configs

    every = (Path(featurediff_configs.__file__).parent / "every-setting.yaml").read_bytes()
    marks = get_demo("marks").marks.read_bytes()
    for kind, what, base in (("damaged settings", "settings", every), ("damaged marks", "marks", marks)):
        for k in range(count):
            data = _spoilt(base, np.random.default_rng([seed, 31, k]))
            put = lambda folder, d=data: _put_yaml(folder, d)  # noqa: E731
            yield Case(kind, f"{k}", ["read", what, "given.yaml"], ()), put


def _put_yaml(folder: Path, data: bytes) -> None:
    (folder / "given.yaml").write_bytes(data)
    os.mkfifo(folder / "pipe")
    (folder / "own.py").write_text("open('executed', 'w').close()\n")


def _beside(data: bytes) -> Callable[[Path], object]:
    def make(folder: Path) -> None:
        _put_yaml(folder, data)
        (folder / "given.yaml").rename(folder / "featurediff.yaml")

    return make


_PIECES = (
    b"[",
    b"]",
    b"{",
    b"}",
    b":",
    b"- ",
    b"&a ",
    b"*a",
    b"!!python/none",
    b"|\n",
    b'"',
    b"'",
    b"\t",
    b"\x1b",
    b"1e999",
    b"~",
    b"%",
    b"\xff",
)


def _spoilt(data: bytes, rng: np.random.Generator) -> bytes:
    """A text with lines lost, doubled or exchanged, and letters or signs of the notation put in."""
    lines = data.split(b"\n")
    for _ in range(rng.integers(1, 6)):
        at, way = int(rng.integers(len(lines))), rng.integers(5)
        if way == 0:
            del lines[at : at + int(rng.integers(1, 4))]
            lines = lines or [b""]
        elif way == 1:
            lines.insert(at, lines[int(rng.integers(len(lines)))])
        elif way == 2:
            lines[at] = b" " * int(rng.integers(0, 9)) + lines[at].strip()
        elif way == 3:
            put, to = _PIECES[rng.integers(len(_PIECES))], int(rng.integers(0, len(lines[at]) + 1))
            lines[at] = lines[at][:to] + put + lines[at][to:]
        else:
            lines[at] = lines[at].split(b":")[0] + b": " + _PIECES[rng.integers(len(_PIECES))]
    return b"\n".join(lines)


# ---------------------------------------------------------------- pieces

ODD: tuple[Any, ...] = (
    None,
    True,
    -1,
    0,
    10**30,
    float("nan"),
    float("inf"),
    1e300,
    "",
    "x" * 100_000,
    "../../etc",
    "\x1b[31m",
    "\u202eabc",
    "\ud800",
    INJECTED,
    [],
    {},
    [[[]]],
    {"a": None},
    [0] * 50,
)


def _leaves(value: Any, path: tuple = ()) -> Iterator[tuple]:
    yield path
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, each in inner:
        yield from _leaves(each, (*path, key))


def changed_document(document: dict, rng: np.random.Generator) -> dict:
    """A document with some values lost, exchanged or made odd."""
    document = copy.deepcopy(document)
    for _ in range(rng.integers(1, 4)):
        paths = [path for path in _leaves(document) if path]
        if not paths:
            break
        # As many high up as deep down, where most of the values are.
        depth = int(rng.integers(1, max(map(len, paths)) + 1))
        chosen = [path for path in paths if len(path) == depth] or paths
        path = chosen[rng.integers(len(chosen))]
        holder = document
        for key in path[:-1]:
            holder = holder[key]
        if rng.integers(5) == 0:
            del holder[path[-1]]
        else:
            holder[path[-1]] = copy.deepcopy(ODD[rng.integers(len(ODD))])
    return document


DOCUMENTS = {
    "no JSON": b"kettle",
    "empty": b"",
    "deep": b"[" * 100_000,
    "deep object": b'{"format":"featurediff-round","version":1,"report":' + b'{"a":' * 50_000 + b"1" + b"}" * 50_001,
    "digits": b'{"format":"featurediff-round","version":' + b"9" * 100_000 + b"}",
    "not a number": b'{"format":"featurediff-round","version":NaN}',
    "infinite": b'{"format":"featurediff-round","version":1e999}',
    "version 99": b'{"format":"featurediff-round","version":99}',
    "a list": b"[1,2]",
    "not utf-8": b"\xff\xfe\x00",
    "lone halves": b'{"format":"\\ud800"}',
    "large": b'{"a":"' + b"x" * 20_000_001 + b'"}',
}

COMMANDS = (
    ["progress", "piece"],
    ["keep", "piece"],
    ["habits", "piece"],
    ["keep", "piece", "1"],
    ["progress", "piece", "--format", "json"],
)


def pieces(good: Good, seed: int, count: int) -> Iterator[Made]:
    """Pieces whose documents were changed, whose pictures were exchanged, whose files are links out of the folder."""
    for k in range(count):
        command = COMMANDS[k % len(COMMANDS)]
        rng = np.random.default_rng([seed, 41, k])
        name = ("piece.json", "round-0001/round.json", "round-0002/round.json", "round-0002/round.json", "kept.json")[k % 5]

        def make(folder: Path, name: str = name, rng: np.random.Generator = rng) -> None:
            _piece(good)(folder)
            path = folder / "piece" / name
            path.write_text(json.dumps(changed_document(json.loads(path.read_text()), rng)))

        yield Case("pieces, values changed", f"{k} {name} {' '.join(command)}", command, ("piece",)), make
    for text, data in DOCUMENTS.items():
        for name in ("piece.json", "round-0002/round.json", "kept.json"):
            put = lambda folder, n=name, d=data: (_piece(good)(folder), (folder / "piece" / n).write_bytes(d))  # noqa: E731
            yield Case("pieces, documents exchanged", f"{name}: {text}", ["progress", "piece"], ("piece",)), put
    yield from _piece_files(good)
    yield from _piece_pictures(good)


def _piece_files(good: Good) -> Iterator[Made]:
    """Links, pipes and folders in place of files of the piece."""
    for name in ("piece.json", "kept.json", "lock", "progress.jpg", "report.html", "reference.jpg", "round-0001", "round-0003"):
        for what in ("link", "pipe", "folder", "ring"):

            def make(folder: Path, name: str = name, what: str = what) -> None:
                _piece(good)(folder)
                (folder / "elsewhere").mkdir()
                (folder / "elsewhere" / "round.json").write_text("mine")
                path = folder / "piece" / name
                shutil.rmtree(path) if path.is_dir() else path.unlink(missing_ok=True)
                if what == "link":
                    path.symlink_to("../elsewhere" if name.startswith("round") else "../elsewhere/round.json")
                elif what == "pipe":
                    os.mkfifo(path)
                elif what == "folder":
                    path.mkdir()
                else:
                    path.symlink_to(name)

            for command in (["progress", "piece"], ["keep", "piece", "1"], ["habits", "piece"]):
                yield Case("pieces, links and pipes", f"{what} {name} {command[0]}", command, ("piece",)), make
            if name in ("reference.jpg", "round-0003", "report.html"):
                again = ["check", "--piece", "piece", "sheet.jpg"]
                both = lambda folder, make=make: (make(folder), pair(good, folder))  # noqa: E731
                yield Case("pieces, links and pipes", f"{what} {name} check", again, ("piece",)), both


def _piece_pictures(good: Good) -> Iterator[Made]:
    special = hostile_pictures.special()
    chosen = (
        "many-scans.jpg",
        "declared-65500x65500.jpg",
        "vector.jpg",
        "empty.jpg",
        "fill-bytes.jpg",
        "thin-30000x2.png",
        "largest-rgb.png",
    )
    for name in (*chosen, "one-pixel.png", "exif-noise.jpg"):
        for at in ("reference.jpg", "round-0001/drawing.jpg"):

            def make(folder: Path, name: str = name, at: str = at) -> None:
                _piece(good)(folder)
                pair(good, folder)
                (folder / "piece" / at).unlink(missing_ok=True)
                special[name](folder / "piece" / at)

            command = ["check", "--piece", "piece", "sheet.jpg"] if at == "reference.jpg" else ["progress", "piece"]
            yield Case("pieces, pictures exchanged", f"{at}: {name}", command, ("piece",)), make


# ---------------------------------------------------------------- class folders


def classes(good: Good, seed: int, count: int) -> Iterator[Made]:
    """Class folders whose files were changed, or lead elsewhere, and sheets that are no pictures."""
    command = ["check", "photo.jpg", "sheets", *FACES, "--workers", "1", "--out", "out"]

    def begun(folder: Path) -> None:
        shutil.copytree(good.classroom, folder, dirs_exist_ok=True)

    def with_file(name: str, data: bytes) -> Callable[[Path], object]:
        return lambda folder: (begun(folder), (folder / "out" / name).write_bytes(data))

    for text, data in DOCUMENTS.items():
        for name in ("private/names.json", "sheet-001/report.json"):
            yield Case("class folders", f"{name}: {text}", command), with_file(name, data)
    for k in range(count):
        name = ("private/names.json", "sheet-001/report.json", "sheet-002/done.json")[k % 3]

        def make(folder: Path, name: str = name, k: int = k) -> None:
            begun(folder)
            path = folder / "out" / name
            path.write_text(json.dumps(changed_document(json.loads(path.read_text()), np.random.default_rng([seed, 51, k]))))

        yield Case("class folders", f"{k} {name} changed", command), make
    for name in ("private", "private/names.json", "private/names.txt", "sheet-001", "sheet-001/done.json", "class.json", "lock"):
        for what in ("link", "pipe"):

            def make(folder: Path, name: str = name, what: str = what) -> None:
                begun(folder)
                path = folder / "out" / name
                kind = "folder" if path.is_dir() else "file"
                (folder / "elsewhere").mkdir()
                (folder / "elsewhere" / "report.json").write_text("mine")
                (folder / "elsewhere" / "names.json").write_text("mine")
                shutil.rmtree(path) if kind == "folder" else path.unlink(missing_ok=True)
                depth = "../" * (name.count("/") + 1)
                if what == "pipe":
                    os.mkfifo(path)
                else:
                    path.symlink_to(f"{depth}elsewhere" if kind == "folder" else f"{depth}elsewhere/report.json")

            yield Case("class folders", f"{what} {name}", command), make

    def odd_sheets(folder: Path) -> None:
        begun(folder)
        special = hostile_pictures.special()
        for name in ("empty.jpg", "vector.jpg", "pipe.jpg", "folder.jpg", "link-to-zeros.jpg", "nan.tif", "one-pixel.png"):
            special[name](folder / "sheets" / name)
        (folder / "sheets" / "\x1b[31m\n<b>.jpg").write_bytes(b"x")

    yield Case("class folders", "sheets that are no pictures", command), odd_sheets
