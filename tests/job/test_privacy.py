"""What README promises, of every command: no network, no camera data, name or path in a file, nothing touched but the output.

The network is watched by the system itself (strace sees the calls of every library, mediapipe's native one too) and taken away (a
network namespace without any interface) where this machine allows it; Python's own sockets are closed off everywhere.
"""

import base64
import getpass
import io
import json
import os
import re
import shutil
import socket
import struct
import subprocess
import sys
import urllib.request
import zlib
from importlib.metadata import files, version
from pathlib import Path

import pytest
from PIL import Image, ImageCms, PngImagePlugin, TiffImagePlugin

from featurediff.demo import get_demo

sys.path.insert(0, str(Path(__file__).parents[1] / "unit"))
from habits_kit import HOLES, piece, report

SECRET = "Quince-Lane-7"
# Python's own sockets, but for the loopback page of `featurediff mark`.
NO_NETWORK = """
import socket, sys
def refuse(*arguments, **options):
    sys.stderr.write("NETWORK WAS USED\\n")
    raise OSError("no network")
socket.socket.connect = socket.socket.connect_ex = socket.socket.sendto = refuse
socket.create_connection = socket.getaddrinfo = socket.gethostbyaddr = socket.gethostbyname = socket.getfqdn = refuse
"""
FACES = ["--subject", "faces", "--sheet", get_demo("faces").sheet]
COMMANDS = {
    "subjects": ["subjects"],
    "config": ["config", "--where"],
    "demo": ["demo", "marks", "--out", "out-demo"],
    "check": ["check", "photo.jpg", "sheet.jpg", *FACES, "--out", "out-check"],
    "check --piece": ["check", "photo.png", "sheet.jpg", *FACES, "--piece", "out-piece"],
    "check --piece again": ["check", "--piece", "out-piece", "sheet.jpg"],
    "keep": ["keep", "out-piece", "1"],
    "progress": ["progress", "out-piece"],
    "class": ["check", "photo.jpg", "sheets", *FACES, "--out", "out-class", "--workers", "1"],
    "habits": ["habits", "pieces", "out-piece", "--out", "out-habits"],
    "plan": ["plan", "photo.jpg", *FACES, "--out", "out-plan"],
    "mark": ["mark", "photo.jpg", "--no-browser", "--out", "out-mark.yaml"],
    "new-detector": ["new-detector", "out-kettles"],
    "try": ["try", "boat.marks.yaml", "--reference", "boat.jpg", "--quick"],
}


def works(*command):
    try:
        return subprocess.run([*command, "true"], capture_output=True, timeout=30).returncode == 0
    except (OSError, subprocess.TimeoutExpired):
        return False


STRACE = ["strace", "-f", "-qq", "--seccomp-bpf", "-e", "trace=%network"]
WATCHED = works(*STRACE, "-o", os.devnull)
APART = next((way for way in (["unshare", "-n"], ["unshare", "-rn"]) if works(*way)), None)


# ---------------------------------------------------------------- pictures that tell a lot


def profile():
    """A colour profile whose description (ICC.1, textDescriptionType or multiLocalizedUnicodeType) holds the secret."""
    data = bytearray(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    text = SECRET.encode("utf-16-be")
    for at in range(128 + 4, 128 + 4 + 12 * int.from_bytes(data[128:132], "big"), 12):
        if data[at : at + 4] in (b"desc", b"cprt"):
            size = 28 + len(text)
            data[at + 4 : at + 12] = struct.pack(">II", len(data), size)
            data += b"mluc" + struct.pack(">III4sII", 0, 1, 12, b"enUS", len(text), 28) + text + bytes(-len(text) % 4)
    data[:4] = struct.pack(">I", len(data))
    return bytes(data)


def talkative(source, target):
    """A copy of a picture with the secret wherever a camera or a program may put it."""
    exif = Image.Exif()
    for tag in (0x010E, 0x010F, 0x0110, 0x0131, 0x013B, 0x8298, 0x9C9D):  # what, maker, model, program, artist, rights, author
        exif[tag] = SECRET.encode("utf-16-le") if tag == 0x9C9D else SECRET
    more = exif.get_ifd(0x8769)
    for tag in (0x9286, 0x927C, 0xA430, 0xA431, 0xA434):  # comment, maker's note, owner, serial number, lens
        more[tag] = f"front {SECRET}".encode() if tag in (0x9286, 0x927C) else f"front {SECRET}"
    exif.get_ifd(0x8825).update({1: "N", 2: tuple(TiffImagePlugin.IFDRational(v) for v in (51, 28, 38)), 29: "2031:05:06"})
    image = Image.open(source)
    xmp = f"<x:xmpmeta xmlns:x='adobe:ns:meta/'>{SECRET}</x:xmpmeta>".encode()
    if target.suffix == ".png":
        text = PngImagePlugin.PngInfo()
        text.add_text("Author", SECRET)
        text.add_itxt("XML:com.adobe.xmp", xmp.decode(), zip=True)
        image.save(target, exif=exif, icc_profile=profile(), pnginfo=text, compress_level=1)
        return
    image.save(target, exif=exif, icc_profile=profile(), comment=SECRET, quality="keep")
    data = target.read_bytes()
    more = b""
    for marker, body in (
        (0xE1, b"http://ns.adobe.com/xap/1.0/\0" + xmp),
        (0xED, b"Photoshop 3.0\0008BIM\x04\x04\0\0" + struct.pack(">I", 5 + len(SECRET)) + b"\x1c\x02\x50\0" + SECRET.encode()),
    ):
        more += bytes([0xFF, marker]) + struct.pack(">H", len(body) + 2) + body
    target.write_bytes(data[:2] + more + data[2:] + SECRET.encode())  # behind the end as well


def snapshot(folder):
    return {p: p.read_bytes() for p in folder.rglob("*") if p.is_file() and not p.is_symlink()}


@pytest.fixture(scope="module")
def runs(tmp_path_factory):
    """Every command once, in a folder whose path is a secret: ({name: (process, trace)}, folder, files before)."""
    folder = tmp_path_factory.mktemp("privacy") / SECRET
    (folder / "sheets").mkdir(parents=True)
    demo, boat = get_demo("faces"), get_demo("marks")
    talkative(demo.reference, folder / "photo.jpg")
    talkative(demo.reference, folder / "photo.png")
    talkative(demo.drawing, folder / "sheet.jpg")
    with Image.open(boat.reference) as large:  # half the size is enough to try a detector on
        large.reduce(2).save(folder / "small.jpg")
    talkative(folder / "small.jpg", folder / "boat.jpg")
    shutil.copy(boat.marks, folder / "boat.marks.yaml")
    shutil.copy(folder / "sheet.jpg", folder / "sheets" / "pupil-quentin.jpg")
    for k in range(5):
        piece(folder / "pieces" / f"quentin {k}", report(dict.fromkeys(HOLES, (0.0, -3.0)), seed=k))
    (folder / "hidden").mkdir()
    (folder / "hidden" / "sitecustomize.py").write_text(NO_NETWORK)
    before = snapshot(folder)
    return {name: run(name, folder) for name in COMMANDS}, folder, before


def run(name, folder):
    """(exit status, stdout, stderr, the network calls that the system saw)."""
    trace = folder.parent / f"{name}.trace"
    path = os.pathsep.join([str(folder / "hidden"), os.environ.get("PYTHONPATH", "")])
    environment = {**os.environ, "PYTHONPATH": path, "PYTHONDONTWRITEBYTECODE": "1", "PYTHONUNBUFFERED": "1"}
    environment |= {"USER": SECRET, "LOGNAME": SECRET, "HOME": str(folder / "home"), "HOSTNAME": SECRET}
    # A page needs the loopback interface, which a namespace of its own lacks.
    way = (APART or []) if name != "mark" else []
    way = [*way, *(STRACE if WATCHED else []), *(["-o", str(trace)] if WATCHED else [])]
    process = subprocess.Popen(
        [*way, sys.executable, "-m", "featurediff", *COMMANDS[name]],
        cwd=folder,
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    said = mark(process) if name == "mark" else ""
    out, complaint = process.communicate(timeout=300)
    return process.returncode, said + out, complaint, trace.read_text() if WATCHED else ""


def mark(process):
    """Be the browser: get the page, its picture, and save three marks."""
    said = ""
    while "http://" not in said:
        said += process.stdout.readline()
    address = re.search(r"http://\S+/", said)[0]
    for name in ("", "mark.js", "start.json"):
        urllib.request.urlopen(address + name, timeout=30).close()
    jpeg = urllib.request.urlopen(address + "reference.jpg", timeout=30).read()
    assert SECRET.encode() not in jpeg and not Image.open(io.BytesIO(jpeg)).getexif()
    marks = [{"name": f"dot {letter}", "point": [100 + 90 * k, 200 + 70 * (k % 2)]} for k, letter in enumerate("abc")]
    body = json.dumps({"marks": {"subject": "dots", "marks": marks}}).encode()
    headers = {"Content-Type": "application/json", "Origin": address.rsplit("/", 2)[0]}
    urllib.request.urlopen(urllib.request.Request(f"{address}save", body, headers), timeout=30).close()
    return said


# ---------------------------------------------------------------- the promises


@pytest.mark.parametrize("name", COMMANDS)
def test_it_works_without_network_and_in_silence(runs, name):
    status, _, complaint, _ = runs[0][name]
    progress = "... " if name == "try" else "\0"  # a trial says on stderr how far it is
    complaint = "".join(line for line in complaint.splitlines(True) if not line.startswith(progress))
    assert (status, complaint) == (0, "")


@pytest.mark.skipif(not WATCHED, reason="system calls can't be watched here (no strace, or tracing is not allowed)")
@pytest.mark.parametrize("name", COMMANDS)
def test_nothing_reaches_for_the_network(runs, name):
    calls = [line for line in runs[0][name][3].splitlines() if "AF_INET" in line or "AF_NETLINK" in line or "AF_PACKET" in line]
    if name == "mark":  # it listens on the loopback interface and answers there
        calls = [line for line in calls if re.search(r"\b(connect|sendto|sendmsg)\(", line) or "127.0.0.1" not in line]
        calls = [line for line in calls if not re.search(r"\bsocket\(AF_INET, SOCK_STREAM\|SOCK_CLOEXEC", line)]
    assert calls == []


def test_the_watch_sees_what_it_is_for(tmp_path):
    if not WATCHED:
        pytest.skip("system calls can't be watched here")
    code = "import socket; s = socket.socket(socket.AF_INET, socket.SOCK_DGRAM); s.connect(('192.0.2.1', 9))"
    subprocess.run([*STRACE, "-o", "t", sys.executable, "-c", code], cwd=tmp_path, capture_output=True, timeout=60)
    assert "AF_INET" in (tmp_path / "t").read_text()


def test_nothing_but_the_output_is_touched(runs):
    _, folder, before = runs
    after = snapshot(folder)
    assert {p: after[p] for p in before} == before
    new = {p.relative_to(folder).as_posix() for p in set(after) - set(before)}
    assert all(name.startswith("out-") for name in new)
    assert {name for name in new if name.startswith("out-check")} == {
        f"out-check/report.{end}" for end in ("json", "html", "png")
    }
    assert not (folder / "home").exists()


def layers(content):
    """A file as it is, and all that is packed in it: data of a page, compressed texts of a PNG."""
    yield content
    for packed in re.findall(rb"base64,([A-Za-z0-9+/=]+)", content):
        yield from layers(base64.b64decode(packed))
    if content.startswith(b"\x89PNG"):
        at = 8
        while at < len(content):
            size, kind = int.from_bytes(content[at : at + 4], "big"), content[at + 4 : at + 8]
            assert kind in (b"IHDR", b"pHYs", b"IDAT", b"IEND", b"PLTE"), f"a chunk {kind} that pixels don't need"
            at += 12 + size
    if content.startswith((b"\x89PNG", b"\xff\xd8")):
        with Image.open(io.BytesIO(content)) as picture:
            assert not picture.getexif()
            assert set(picture.info) <= {"dpi", "jfif", "jfif_version", "jfif_unit", "jfif_density", "progressive", "progression"}


def told(word):
    """A word in the encodings that files use."""
    return word.encode(), word.encode("utf-16-le"), word.encode("utf-16-be")


def test_no_camera_data_no_name_and_no_path_reach_a_file(runs):
    results, folder, before = runs
    for name in ("photo.jpg", "photo.png", "sheet.jpg"):
        source = before[folder / name]
        assert source.count(SECRET.encode()) > 4 and told(SECRET)[2] in source, "the test's own secret is there to leak"
    assert not any(leaks(text.encode(), "quentin") for _, text, _, _ in (results[name] for name in ("check", "plan", "class")))
    words = [SECRET, "2031:05:06", str(folder.parent), sys.prefix, str(Path.home())]
    # A short name may stand in any text by chance ("root" does).
    words += [word for word in (getpass.getuser(), socket.gethostname()) if len(word) > 6]
    written = {path: content for path, content in snapshot(folder).items() if path not in before}
    assert len(written) > 30
    for path, content in written.items():
        for layer in layers(content):
            for word in (*words, *(["quentin"] if "private" not in path.parts else [])):
                if word != "/":
                    assert not leaks(layer, word), f"{path.relative_to(folder)} tells {word}"


def leaks(content, word):
    return any(form in content for form in told(word))


def test_what_is_said_holds_no_camera_data(runs):
    for name in set(COMMANDS) - {"config", "mark", "new-detector", "subjects"}:
        _, out, _, _ = runs[0][name]
        assert SECRET not in out, name


def test_the_secret_of_a_profile_would_be_found():
    assert ImageCms.getProfileDescription(ImageCms.ImageCmsProfile(io.BytesIO(profile()))).strip() == SECRET
    assert list(layers(b'<img src="data:;base64,' + base64.b64encode(b"kettle") + b'">'))[1] == b"kettle"
    assert zlib.compress(SECRET.encode()) and leaks(SECRET.encode("utf-16-le"), SECRET)


def test_the_json_is_whole(runs):
    report = json.loads((runs[1] / "out-check/report.json").read_text(encoding="ascii"))
    wanted = {
        "schema",
        "subject",
        "sheet",
        "lineup",
        "features",
        "deviations",
        "corrections",
        "later",
        "good",
        "not_judged",
        "capture",
    }
    assert wanted <= set(report)
    assert {"size_mm", "found", "tilt_deg", "px_per_mm", "trust_mm"} <= set(report["sheet"])
    assert {"rule", "scale_mm_per_px", "turn_deg", "move_mm"} <= set(report["lineup"])


def test_the_model_library_holds_no_uploader():
    # Newer ones report each use to their maker (google-ai-edge/mediapipe, issue 6291), by libcurl inside the library: a block of
    # Python's sockets, as above, would not see that.
    native = (".so", ".dylib", ".dll", ".pyd")
    libraries = [path for path in map(Path, (f.locate() for f in files("mediapipe"))) if path.suffix in native and path.exists()]
    assert libraries
    for library in libraries:
        content = library.read_bytes().lower()
        for trace in (b"clearcut", b"libcurl", b"http_logging_client"):
            assert trace not in content, f"mediapipe {version('mediapipe')} talks to the network; install the pinned version"
