"""Read a picture from a file or an array into a `Picture`: upright, sRGB, 8 bits, no alpha.

Pillow decodes (pillow-heif adds HEIC); this module decides what is accepted and words what is wrong. Nothing of a picture's EXIF
block is kept but the orientation that was applied and the focal length, which the sheet's tilt needs.
"""

from __future__ import annotations

import io
import threading
import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from PIL import (
    Image,
    ImageCms,
    JpegImagePlugin,  # noqa: F401  importing a plug-in registers its format
    PngImagePlugin,  # noqa: F401
    TiffImagePlugin,  # noqa: F401
    UnidentifiedImageError,
    WebPImagePlugin,  # noqa: F401
)

from featurediff.errors import CallError, PictureError
from featurediff.naming import printable
from featurediff.parts import PartsError, check_parts, rows_missing
from featurediff.plainfiles import NotPlainError, TooLargeError, read_plain
from featurediff.records import Picture

# With these a pair stays below 2 GB of memory (tests/benchmark/hostile.py).
MAX_PIXELS = 80_000_000
MAX_SIDE = 32_000  # px; OpenCV's warps count to 32767
MAX_BYTES = 400_000_000
FORMATS = ("JPEG", "PNG", "TIFF", "WEBP")
EXPORT = "Export it as a JPEG or PNG and try again."

# Raw files are TIFFs inside: Pillow would open them and hand over a thumbnail.
RAW_SUFFIXES = frozenset({".dng", ".cr2", ".cr3", ".nef", ".arw", ".raf", ".orf", ".rw2", ".pef"})

# Tag numbers of the Exif standard (CIPA DC-008).
ORIENTATION, EXIF_BLOCK, FOCAL_LENGTH_35MM = 0x0112, 0x8769, 0xA405
SUBJECT_DISTANCE, LENS_MODEL, FULL_WIDTH, FULL_HEIGHT = 0x9206, 0xA434, 0xA002, 0xA003
# What makes a picture of each orientation upright (the same standard).
_TRANSPOSES = {
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_270,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_90,
}

# Pillow's own bomb limit is a global; it is lifted only while a header is read, and ours is checked before decoding.
_header_lock = threading.Lock()


def read_picture(source: str | Path | np.ndarray, *, max_pixels: int = MAX_PIXELS) -> Picture:
    """The picture in a file, or the one held by an array of shape (h, w, 3) or (h, w), uint8.

    Pixels are turned upright by the EXIF orientation (once), converted to sRGB when a colour profile says otherwise, reduced to
    8 bits, flattened on white; ``notes`` says what was done. Raises `PictureError` when the file can't be read, with the reason,
    and when it has more than ``max_pixels`` pixels, or more than `MAX_SIDE` on a side (read from the header, before anything is
    decoded).
    """
    if isinstance(source, np.ndarray):
        return _from_array(source, max_pixels)
    path = Path(source)
    name = shown_name(path)
    data = _read_bytes(path, name)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # Pillow warns about odd metadata; what matters is raised or noted below.
        image = _open(data, path, name)
        _check_size(image.size, name, max_pixels)
        if image.format == "PNG":
            _check_sums(data, path, name)
        picture = _decode(image, name)
        if image.format == "PNG":
            _check_rows(image, data, name)
        return picture


@dataclass(frozen=True)
class Taking:
    """What a file says about how it was taken; nothing of it is kept or reported but what follows from it.

    ``focal_35mm`` mm as on 35 mm film, ``distance_m`` from camera to subject, ``front``: the lens calls itself a front camera's,
    ``cropped``: the picture has another shape than the one that was taken. None or False where the file does not say.
    """

    focal_35mm: float | None = None
    distance_m: float | None = None
    front: bool = False
    cropped: bool = False


def taking(source: str | Path) -> Taking:
    """How a picture was taken, as far as its EXIF block (CIPA DC-008) says. Raises `PictureError` when the file can't be read."""
    path = Path(source)
    name = shown_name(path)
    data = _read_bytes(path, name)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        image = _open(data, path, name)
        _, focal = _exif_facts(image, [])
        try:
            block = image.getexif().get_ifd(EXIF_BLOCK)
            distance = float(block.get(SUBJECT_DISTANCE, 0) or 0)
            front = "front" in str(block.get(LENS_MODEL, "")).lower()
            full = sorted(float(block.get(tag, 0) or 0) for tag in (FULL_WIDTH, FULL_HEIGHT))
        except Exception:  # a broken EXIF block tells nothing
            return Taking(focal)
    low, high = sorted(image.size)
    cropped = full[0] > 0 and abs(full[1] / full[0] - high / low) > 0.02
    return Taking(focal, distance if 0.02 < distance < 10_000 else None, front, cropped)


def shown_name(path: Path) -> str:
    """The bare file name, printable: no folder, no control characters."""
    return printable(path.name) or "picture"


# ---------------------------------------------------------------- opening


def _read_bytes(path: Path, name: str) -> bytes:
    try:
        data = read_plain(path, MAX_BYTES)
    except NotPlainError:
        raise PictureError(f"{name} is no plain file, but a pipe or a device.", "Copy the picture into a file.") from None
    except TooLargeError as error:
        what = f"{name} has {error.size / 1e6:.0f} MB; the limit is {MAX_BYTES / 1e6:.0f}."
        raise PictureError(what, EXPORT) from None
    except FileNotFoundError:
        raise PictureError(f"{name}: there is no such file.", "Check the path and the spelling.") from None
    except IsADirectoryError:
        raise PictureError(f"{name} is a folder, not a picture.", "Name the picture file inside it.") from None
    except PermissionError:
        if path.is_dir():
            raise PictureError(f"{name} is a folder, not a picture.", "Name the picture file inside it.") from None
        raise PictureError(f"{name} may not be read.", "Change the file's permissions, or copy it elsewhere.") from None
    except (OSError, ValueError):
        raise PictureError(f"{name} can't be opened.", "Check the path, or copy the file elsewhere.") from None
    if not data:
        raise PictureError(f"{name} is empty (0 bytes).", "Copy the picture from the camera again.")
    return data


def _open(data: bytes, path: Path, name: str) -> Image.Image:
    if path.suffix.lower() in RAW_SUFFIXES:
        raise PictureError(f"{name} is a camera raw file, which is not read.", EXPORT)
    if data.startswith(b"%PDF"):
        raise PictureError(f"{name} is a PDF, not a picture.", "Export the page as a JPEG or PNG and try again.")
    try:
        check_parts(data)
    except PartsError:
        raise PictureError(f"{name} is made of more parts than a picture needs.", EXPORT) from None
    with _header_lock:
        limit, Image.MAX_IMAGE_PIXELS = Image.MAX_IMAGE_PIXELS, 1 << 40
        try:
            return Image.open(io.BytesIO(data), formats=_formats_for(data))
        except UnidentifiedImageError:
            what = f"{name} is not a JPEG, PNG, TIFF, WebP or HEIC picture, whatever its name says."
            raise PictureError(what, EXPORT) from None
        except Exception:
            raise _damaged(name) from None
        finally:
            Image.MAX_IMAGE_PIXELS = limit


def _formats_for(data: bytes) -> tuple[str, ...]:
    """The formats to try. HEIC's reader is imported only for a file of its kind (ISO/IEC 14496-12 "ftyp"): it takes a while."""
    if data[4:8] != b"ftyp":
        return FORMATS
    import pillow_heif

    pillow_heif.register_heif_opener()
    return (*FORMATS, "HEIF")


def _check_sums(data: bytes, path: Path, name: str) -> None:
    """A PNG carries checksums, which Pillow's decoder does not look at: without this a damaged one becomes a wrong picture."""
    try:
        _open(data, path, name).verify()
    except Exception:
        raise _damaged(name) from None


def _check_rows(image: Image.Image, data: bytes, name: str) -> None:
    """A PNG may end early with every checksum right; the decoder leaves the rest empty. Only then it is gone through again."""
    width, height = image.size
    if image.crop((0, height - 1, width, height)).getbbox() is None and rows_missing(data):
        raise _damaged(name)


def _damaged(name: str) -> PictureError:
    return PictureError(f"{name} is damaged or cut short.", "Copy it from the camera again, or export it anew as a JPEG.")


def _check_size(size: tuple[int, int], name: str, max_pixels: int) -> None:
    width, height = size
    if width * height > max_pixels:
        millions = width * height / 1e6
        what = f"{name} has {width} x {height} = {millions:.0f} million pixels; the limit is {max_pixels / 1e6:g} million."
        raise PictureError(what, "Save it smaller and try again.")
    if max(size) > MAX_SIDE:
        what = f"{name} has {width} x {height} pixels; the limit for a side is {MAX_SIDE}."
        raise PictureError(what, "Save it smaller and try again.")


# ---------------------------------------------------------------- decoding


def _decode(image: Image.Image, name: str) -> Picture:
    notes: list[str] = []
    orientation, focal = _exif_facts(image, notes)
    # Only asked whether there are more: counting the pages of a TIFF means reading them all.
    if getattr(image, "is_animated", False) and image.format not in ("MPO", "HEIF"):
        notes.append(f"{name} holds several pictures; the first is used")
    try:
        image.load()
        image = _upright(image, orientation)
        image = _to_rgb(image, name, notes)
    except PictureError:
        raise
    except MemoryError:
        raise PictureError(f"{name} needs more memory than there is.", "Save it smaller and try again.") from None
    except Exception:  # whatever a decoder trips over, the artist's remedy is the same
        raise _damaged(name) from None
    return Picture(np.asarray(image), name, orientation, tuple(notes), focal)


def _exif_facts(image: Image.Image, notes: list[str]) -> tuple[int, float | None]:
    """Orientation 1-8 and the focal length in mm as on 35 mm film, or None. (pillow-heif turns HEIC itself and reports 1.)"""
    try:
        exif = image.getexif()
        orientation = int(exif.get(ORIENTATION, 1) or 1)
        focal = float(exif.get_ifd(EXIF_BLOCK).get(FOCAL_LENGTH_35MM, 0) or 0)
    except Exception:  # a broken EXIF block must not lose a good picture
        notes.append("its EXIF block is damaged and was ignored")
        return 1, None
    if not 1 <= orientation <= 8:
        orientation = 1
    return orientation, focal if 5.0 <= focal <= 500.0 else None


def _upright(image: Image.Image, orientation: int) -> Image.Image:
    return image if orientation == 1 else image.transpose(_TRANSPOSES[orientation])


def _to_rgb(image: Image.Image, name: str, notes: list[str]) -> Image.Image:
    profile = image.info.get("icc_profile")
    image = _to_eight_bits(image, name, notes)
    image = _without_alpha(image, notes)
    if profile and not (image.mode == "RGB" and _is_srgb(profile)):
        converted = _profile_to_srgb(image, profile, notes)
        if converted is not None:
            return converted
    if image.mode == "CMYK":
        notes.append("CMYK without a usable colour profile: colours are approximate")
    return image if image.mode == "RGB" else image.convert("RGB")


def _to_eight_bits(image: Image.Image, name: str, notes: list[str]) -> Image.Image:
    """Grey with more than 8 bits becomes 8-bit grey; 16-bit RGB is reduced by Pillow itself while decoding."""
    if not image.mode.startswith(("I", "F")):
        return image
    values = np.asarray(image)
    if image.mode.startswith("F") or values.min() < 0 or values.max() > 65535:
        raise PictureError(
            f"{name} holds {'float' if image.mode == 'F' else '32-bit'} values, which have no fixed white.", EXPORT
        )
    notes.append("16-bit grey, reduced to 8 bits")
    return Image.fromarray(((values.astype(np.uint32) + 128) // 257).astype(np.uint8))


def _without_alpha(image: Image.Image, notes: list[str]) -> Image.Image:
    if not image.has_transparency_data:
        # A palette or a bilevel picture must be opened up before a colour profile can be applied.
        return image.convert("RGB") if image.mode in ("P", "RGBX", "RGBA", "YCbCr", "HSV") else _opened_up(image)
    image = image.convert("RGBA")
    alpha = image.getchannel("A")
    if alpha.getextrema()[0] < 255:
        notes.append("transparent parts, laid on white")
    white = Image.new("RGB", image.size, (255, 255, 255))
    white.paste(image, mask=alpha)
    return white


def _opened_up(image: Image.Image) -> Image.Image:
    return image.convert("L") if image.mode == "1" else image


def _is_srgb(profile: bytes) -> bool:
    """Whether a profile calls itself sRGB: then converting would change next to nothing and cost time."""
    try:
        opened = ImageCms.ImageCmsProfile(io.BytesIO(profile))
        return "srgb" in ImageCms.getProfileDescription(opened).lower()
    except Exception:  # a broken profile
        return False


def _profile_to_srgb(image: Image.Image, profile: bytes, notes: list[str]) -> Image.Image | None:
    try:
        opened = ImageCms.ImageCmsProfile(io.BytesIO(profile))
        described = ImageCms.getProfileDescription(opened).strip()
        described = "".join(c for c in described if c.isprintable())[:60]
        converted = ImageCms.profileToProfile(image, opened, ImageCms.createProfile("sRGB"), outputMode="RGB")
    except MemoryError:
        raise
    except Exception:
        # For instance an RGB profile left in a grey picture. The picture itself is good.
        notes.append("its colour profile does not fit and was ignored")
        return None
    notes.append(f"colours converted from {described or 'its own profile'} to sRGB")
    return converted


# ---------------------------------------------------------------- arrays


def _from_array(array: np.ndarray, max_pixels: int) -> Picture:
    if array.dtype != np.uint8:
        raise CallError(
            f"the picture array holds {array.dtype} values, not uint8.", "Scale it to 0..255 and convert it to uint8."
        )
    if array.size == 0 or not (array.ndim == 2 or (array.ndim == 3 and array.shape[2] == 3)):
        shape: Any = " x ".join(map(str, array.shape)) or "no dimensions"
        raise CallError(f"the picture array is {shape}, not (h, w, 3) RGB or (h, w) grey.", "Drop an alpha channel first.")
    _check_size((array.shape[1], array.shape[0]), "the picture array", max_pixels)
    if array.ndim == 2:
        array = np.repeat(array[:, :, None], 3, axis=2)
    return Picture(np.ascontiguousarray(array), "array")
