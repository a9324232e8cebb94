"""A photo file to linear light.

Light is taken from the encoded luma (ITU-R BT.601 weights, the Y of JPEG's YCbCr, ITU-T T.871) and decoded with the
sRGB curve (IEC 61966-2-1). JPEG keeps luma at full resolution and often colour at half, so any other mix of channels
would mix two sharpnesses.
"""

from __future__ import annotations

import warnings
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from gapscan.errors import InputError
from gapscan.photo.types import Photo

if TYPE_CHECKING:
    from PIL import Image

_LARGEST_PX = 120_000_000
_SMALLEST_SIDE_PX = 300
LUMA_RGB = np.array([0.299, 0.587, 0.114], dtype=np.float32)  # R, G, B

# EXIF tags (CIPA DC-008): the sub-IFD and what is read from it
_EXIF_IFD, _FOCAL_LENGTH, _FOCAL_35MM = 0x8769, 37386, 41989
_PLANE_X_RESOLUTION, _PLANE_RESOLUTION_UNIT = 41486, 41488
_FULL_FRAME_DIAGONAL_MM, _FULL_FRAME_WIDTH_MM = 43.267, 36.0
_SHAPES = (1.0, 5 / 4, 4 / 3, 3 / 2, 16 / 10, 16 / 9, 2.0)  # common practice, no source
_SHAPE_REL = 0.012


def srgb_decode(code: NDArray[np.float64]) -> NDArray[np.float64]:
    """Encoded value in 0..1 to linear light (IEC 61966-2-1)."""
    return np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)


def srgb_encode(light: NDArray[np.float64]) -> NDArray[np.float64]:
    """Linear light to encoded value in 0..1 (IEC 61966-2-1)."""
    light = np.clip(light, 0.0, None)
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.power(np.maximum(light, 1e-9), 1 / 2.4) - 0.055)


def read_photo(path: Path) -> Photo:
    """Read JPEG, PNG or TIFF (8 or 16 bit), turned upright by its EXIF orientation.

    Raises InputError for missing, empty, damaged, unknown, tiny or oversized files.
    """
    from PIL import Image, ImageOps, UnidentifiedImageError

    if not path.is_file():
        raise InputError(f"{path}: no such photo; check the path")
    if path.stat().st_size == 0:
        raise InputError(f"{path}: the photo file is empty; copy it from the camera again")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", Image.DecompressionBombWarning)
            with Image.open(path) as opened:
                if opened.format not in {"JPEG", "MPO", "PNG", "TIFF"}:
                    raise InputError(f"{path}: {opened.format} photos are not read; save it as JPEG, PNG or TIFF")
                _check_size(path, opened.size)
                exif = opened.getexif()
                orientation = int(exif.get(0x0112, 1) or 1)
                tags = dict(exif.get_ifd(_EXIF_IFD))
                deep = opened.mode in {"I;16", "I;16B", "I;16L", "I", "F"} or _is_deep_tiff_or_png(opened, path)
                if deep:
                    # OpenCV's TIFF reader turns the picture itself, whatever it is asked.
                    code, display = _read_deep(path, 1 if opened.format == "TIFF" else orientation)
                else:
                    opened.load()
                    # Pillow copies even a picture that is upright, which costs as much as decoding it.
                    upright = opened if orientation == 1 else ImageOps.exif_transpose(opened)
                    display = _display(upright)
                    code = None
    except InputError:
        raise
    except Image.DecompressionBombError as err:
        raise InputError(f"{path}: more than {_LARGEST_PX // 1_000_000} megapixels; save it smaller") from err
    except UnidentifiedImageError as err:
        raise InputError(f"{path}: not a photo that can be read; give a JPEG, PNG or TIFF file") from err
    except (OSError, SyntaxError, ValueError, KeyError, TypeError, IndexError, EOFError, MemoryError) as err:
        raise InputError(f"{path}: the photo is damaged or cut short ({err}); copy it from the camera again") from err
    light, clipped = _linear(display) if code is None else _linear_deep(code)
    size = (light.shape[1], light.shape[0])
    focal: tuple[float, ...] = ()
    notes: tuple[str, ...] = ()
    if looks_cropped(size):
        notes = (
            f"{path.name}: {size[0]}x{size[1]} pixels is no camera's shape, so the photo was cropped and the lens' axis is "
            "unknown; gaps away from the middle are less sure: use the photo as it was taken",
        )
    else:
        focal = _focal_candidates_px(tags, size)
        if not focal:
            notes = (f"{path.name}: no focal length in the photo's EXIF; fitted from the frame's perspective",)
    return Photo(str(path), light, clipped, display, focal, notes)


def _check_size(path: Path, size: tuple[int, int]) -> None:
    width, height = size
    if width * height > _LARGEST_PX:
        raise InputError(
            f"{path}: {width}x{height} pixels is more than {_LARGEST_PX // 1_000_000} megapixels; save it smaller"
        )
    if min(width, height) < _SMALLEST_SIDE_PX:
        raise InputError(f"{path}: only {width}x{height} pixels; give the camera's original, not a thumbnail")


def _display(image: Image.Image) -> NDArray[np.uint8]:
    import cv2

    if image.mode in {"RGBA", "LA", "PA"} or "transparency" in image.info:
        rgba = np.asarray(image.convert("RGBA"))
        if (rgba[..., 3] < 255).any():  # what is transparent shows nothing: take it as dark
            rgba = (rgba[..., :3].astype(np.uint16) * rgba[..., 3:] // 255).astype(np.uint8)
        rgb = rgba[..., :3]
    else:
        rgb = np.asarray(image if image.mode == "RGB" else image.convert("RGB"))
    return np.asarray(cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR), dtype=np.uint8)


def _is_deep_tiff_or_png(image: Image.Image, path: Path) -> bool:
    """Pillow reduces 16-bit colour to 8 bits; such files are read through OpenCV instead."""
    if image.format == "TIFF":
        bits: Any = getattr(image, "tag_v2", {}).get(258, (8,))
        return bool(max(bits if isinstance(bits, tuple) else (bits,)) > 8)
    if image.format == "PNG":
        with path.open("rb") as file:  # the IHDR chunk's bit depth (W3C PNG, 11.2.1)
            head = file.read(26)
        return len(head) == 26 and head[24] == 16
    return False


def _read_deep(path: Path, orientation: int) -> tuple[NDArray[np.float32], NDArray[np.uint8]]:
    """16-bit samples as codes in 0..1 (H, W, 3) in B, G, R order, upright, and an 8-bit picture of them."""
    import cv2

    raw = cv2.imdecode(np.frombuffer(path.read_bytes(), np.uint8), cv2.IMREAD_UNCHANGED | cv2.IMREAD_IGNORE_ORIENTATION)
    if raw is None:
        raise InputError(f"{path}: this kind of 16-bit picture is not read; save it as an 8-bit PNG or JPEG")
    top = {np.dtype(np.uint8): 255.0, np.dtype(np.uint16): 65535.0}.get(raw.dtype)
    if top is None:
        raise InputError(f"{path}: samples of type {raw.dtype} are not read; save it with 8 or 16 bits")
    if raw.ndim == 2:
        raw = np.repeat(raw[..., None], 3, axis=2)
    code = raw[..., :3].astype(np.float32) / np.float32(top)
    if raw.shape[2] == 4:  # what is transparent shows nothing
        code *= raw[..., 3:].astype(np.float32) / np.float32(top)
    code = _upright(code, orientation)
    return code, (code * 255 + 0.5).astype(np.uint8)


def _upright(pixels: NDArray[np.float32], orientation: int) -> NDArray[np.float32]:
    """Apply EXIF orientation 1 to 8 (CIPA DC-008, tag 274)."""
    if orientation in {5, 6, 7, 8}:
        pixels = pixels.swapaxes(0, 1)
    if orientation in {2, 3, 6, 7}:
        pixels = pixels[:, ::-1]
    if orientation in {3, 4, 7, 8}:
        pixels = pixels[::-1]
    return np.ascontiguousarray(pixels)


def _linear(display_bgr: NDArray[np.uint8]) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """8-bit luma through a table. Rounding luma adds no more noise than the file's own rounding did."""
    import cv2

    luma = cv2.cvtColor(display_bgr, cv2.COLOR_BGR2GRAY)
    light = cv2.LUT(luma, srgb_decode(np.arange(256) / 255.0).astype(np.float32))
    return light, cv2.inRange(display_bgr, (0, 0, 0), (254, 254, 254)) == 0


def _linear_deep(code_bgr: NDArray[np.float32]) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    luma = code_bgr @ LUMA_RGB[::-1]
    table = srgb_decode(np.arange(65536) / 65535).astype(np.float32)
    light = table[(luma * 65535 + 0.5).astype(np.uint16)]
    return light, code_bgr.max(axis=2) >= 1.0 - 1e-6


def looks_cropped(size_px: tuple[int, int]) -> bool:
    """Whether a picture of this size has the shape of no usual camera mode: 1:1, 5:4, 4:3, 3:2, 16:10, 16:9, 2:1."""
    shape = max(size_px) / max(min(size_px), 1)
    return all(abs(shape / usual - 1) > _SHAPE_REL for usual in _SHAPES)


def _focal_candidates_px(tags: dict[int, Any], size_px: tuple[int, int]) -> tuple[float, ...]:
    """Focal lengths in pixels that the EXIF tags support.

    The 35 mm-equivalent is read both by diagonal and by width, as makers differ; the perspective of the frame decides.
    """
    width, height = max(size_px), min(size_px)
    found = []
    equivalent = _positive(tags.get(_FOCAL_35MM))
    if equivalent:
        found += [equivalent * float(np.hypot(width, height)) / _FULL_FRAME_DIAGONAL_MM]
        found += [equivalent * width / _FULL_FRAME_WIDTH_MM]
    focal, resolution = _positive(tags.get(_FOCAL_LENGTH)), _positive(tags.get(_PLANE_X_RESOLUTION))
    unit_mm = {2: 25.4, 3: 10.0, 4: 1.0, 5: 0.001}.get(int(_positive(tags.get(_PLANE_RESOLUTION_UNIT)) or 2))
    if focal and resolution and unit_mm:
        found.append(focal * resolution / unit_mm)
    return tuple(f for f in found if 0.2 * width < f < 30 * width)


def _positive(value: object) -> float | None:
    try:
        number = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError, ZeroDivisionError, OverflowError):
        return None
    return number if np.isfinite(number) and number > 0 else None
