"""From radiance to a picture file: blur, glare, noise, sharpening, tone, sRGB, JPEG or PNG."""

from __future__ import annotations

import io
import struct
import zlib
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.float32]


@dataclass(frozen=True)
class DevelopSettings:
    """What the lens, the sensor and the phone's software do.

    blur_sigma_px    blur of lens and demosaicking: standard deviation along a line
    blur_shape       "gaussian", "disc" (a defocused lens) or "tailed" (a sharp core that scatters)
    glare_share      part of the light spread evenly over the picture
    halo_share, halo_sigma_px  part of the light spread widely round its place
    shot_noise       noise² = shot_noise · light + read_noise² in linear light
    sharpen          strength of an unsharp mask of sharpen_sigma_px on encoded values
    s_curve          strength of an S-shaped tone curve on encoded values, 0 (none) to below 1
    exposure         factor on all light; above 1.1 bare light clips
    file_type        "jpeg", "png8" or "png16"
    subsampling      JPEG colour: "4:2:0" or "4:4:4"
    exif             "full", "no-equivalent" or "none"
    exif_error       share by which the focal length in the file is off: rounding, focusing that changes it
    orientation      EXIF orientation, 1 to 8: the stored pixels are turned so that a reader turns them back
    """

    blur_sigma_px: float = 1.0
    blur_shape: str = "gaussian"
    glare_share: float = 0.01
    halo_share: float = 0.01
    halo_sigma_px: float = 120.0
    shot_noise: float = 4e-5
    read_noise: float = 0.0015
    sharpen: float = 0.0
    sharpen_sigma_px: float = 1.2
    s_curve: float = 0.0
    exposure: float = 1.0
    file_type: str = "jpeg"
    quality: int = 93
    subsampling: str = "4:2:0"
    exif: str = "full"
    exif_error: float = 0.0
    orientation: int = 1


def srgb_encode(linear: NDArray[Any]) -> NDArray[Any]:
    """Linear light 0..1 to encoded 0..1.

    IEC 61966-2-1: 12.92 L up to 0.0031308, else 1.055 L^(1/2.4) − 0.055.
    """
    return np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * np.maximum(linear, 0.0031308) ** (1 / 2.4) - 0.055)


def gaussian_blur(image: Image, sigma_px: float) -> Image:
    """Gaussian blur with a kernel that sums to one and reaches 5 sigma; mirrored at the sides."""
    import cv2

    if sigma_px <= 0.0:
        return image
    reach = max(int(np.ceil(5.0 * sigma_px)), 1)
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma_px) ** 2)
    kernel /= kernel.sum()
    return np.asarray(
        cv2.sepFilter2D(np.asarray(image, np.float32), cv2.CV_32F, kernel, kernel, borderType=cv2.BORDER_REFLECT),
        np.float32,
    )


def blurred(image: Image, sigma_px: float, shape: str) -> Image:
    """Blur of this shape with the same standard deviation along any line.

    A disc of radius 2σ has that spread (half its radius); the tailed one is 0.85 of a Gaussian of 0.8 σ and 0.15 of one
    of 1.744 σ: 0.85 · 0.64 + 0.15 · 3.04 = 1.
    """
    import cv2

    if sigma_px <= 0.0 or shape == "gaussian":
        return gaussian_blur(image, sigma_px)
    if shape == "tailed":
        core, tail = gaussian_blur(image, 0.8 * sigma_px), gaussian_blur(image, 1.744 * sigma_px)
        return np.asarray(np.float32(0.85) * core + np.float32(0.15) * tail, np.float32)
    if shape != "disc":
        raise ValueError(f"no such blur: {shape}")
    radius, fine = 2.0 * sigma_px, 16
    reach = int(np.ceil(radius))
    at = (np.arange((2 * reach + 1) * fine) + 0.5) / fine - 0.5 - reach
    inside = (at[:, None] ** 2 + at[None, :] ** 2 <= radius**2).astype(float)
    kernel = inside.reshape(2 * reach + 1, fine, 2 * reach + 1, fine).sum(axis=(1, 3))
    kernel /= kernel.sum()
    return np.asarray(
        cv2.filter2D(np.asarray(image, np.float32), cv2.CV_32F, kernel, borderType=cv2.BORDER_REFLECT), np.float32
    )


def expose(channel: Image, settings: DevelopSettings) -> Image:
    """Optical part for one channel: blur, halo, glare, exposure; linear light, not yet clipped."""
    import cv2

    mean = float(channel.mean(dtype=np.float64))
    image = blurred(channel, settings.blur_sigma_px, settings.blur_shape)
    direct = 1.0 - settings.glare_share - settings.halo_share
    if settings.halo_share > 0.0:
        rows, columns = channel.shape
        small = cv2.resize(channel, (max(columns // 16, 1), max(rows // 16, 1)), interpolation=cv2.INTER_AREA)
        wide = gaussian_blur(np.asarray(small, np.float32), settings.halo_sigma_px / 16)
        halo = cv2.resize(wide, (columns, rows), interpolation=cv2.INTER_LINEAR)
        image = image * np.float32(direct) + np.float32(settings.halo_share) * np.asarray(halo, np.float32)
    else:
        image = image * np.float32(direct)
    image += np.float32(settings.glare_share * mean)
    image *= np.float32(settings.exposure)
    return image


def encode(channel: Image, settings: DevelopSettings, rng: np.random.Generator) -> Image:
    """Sensor and software for one channel: noise, sRGB, sharpening, tone curve; encoded values in 0..1."""
    noisy = channel
    if settings.shot_noise > 0.0 or settings.read_noise > 0.0:
        spread = np.sqrt(np.float32(settings.shot_noise) * np.maximum(channel, 0) + np.float32(settings.read_noise**2))
        noisy = channel + spread * rng.standard_normal(channel.shape, dtype=np.float32)
    # the published formula, through a fine table: 2¹⁶ steps of linear light would be too coarse near black,
    # so the table runs over the square root
    steps = np.linspace(0.0, 1.0, 65536)
    table = srgb_encode(steps**2).astype(np.float32)
    place = np.sqrt(np.clip(noisy, 0.0, 1.0)) * np.float32(65535)
    left = np.minimum(place.astype(np.int32), 65534)
    part = place - left
    value = table[left] * (1 - part) + table[left + 1] * part
    if settings.sharpen > 0.0:
        value += np.float32(settings.sharpen) * (value - gaussian_blur(value, settings.sharpen_sigma_px))
    if settings.s_curve != 0.0:
        np.clip(value, 0.0, 1.0, out=value)
        value -= np.float32(settings.s_curve / (2 * np.pi)) * np.sin(np.float32(2 * np.pi) * value)
    return np.asarray(np.clip(value, 0.0, 1.0), dtype=np.float32)


def quantise(value: Image, settings: DevelopSettings) -> NDArray[Any]:
    """Encoded 0..1 to uint8, or uint16 for 16-bit PNG."""
    if settings.file_type == "png16":
        return np.round(value * np.float32(65535)).astype(np.uint16)
    return np.round(value * np.float32(255)).astype(np.uint8)


# EXIF orientation -> what must be done to an upright array so that a reader's turn gives it back
_STORED = {
    1: lambda a: a,
    2: lambda a: a[:, ::-1],
    3: lambda a: a[::-1, ::-1],
    4: lambda a: a[::-1],
    5: lambda a: a.swapaxes(0, 1),
    6: lambda a: np.rot90(a, 1),
    7: lambda a: a[::-1, ::-1].swapaxes(0, 1),
    8: lambda a: np.rot90(a, -1),
}


def picture_file(rgb: NDArray[Any], settings: DevelopSettings, *, equivalent_mm: float) -> bytes:
    """The file's bytes from encoded upright pixels (H, W, 3), with EXIF as set."""
    stored = np.ascontiguousarray(_STORED[settings.orientation](rgb))
    if settings.file_type == "png16":
        import cv2

        done, data = cv2.imencode(".png", stored[:, :, ::-1])  # Pillow has no 16-bit colour
        if not done:
            raise ValueError("the 16-bit PNG could not be written")
        file = bytes(data.tobytes())
        return _with_exif(file, _exif(settings, equivalent_mm)) if settings.exif != "none" else file
    from PIL import Image as Pillow

    picture = Pillow.fromarray(stored)
    extra: dict[str, Any] = {}
    if settings.exif != "none":
        extra["exif"] = _exif(settings, equivalent_mm)
    out = io.BytesIO()
    if settings.file_type == "png8":
        picture.save(out, "PNG", compress_level=3, **extra)
    else:
        picture.save(out, "JPEG", quality=settings.quality, subsampling=settings.subsampling, **extra)
    return out.getvalue()


def _with_exif(png: bytes, exif: Any) -> bytes:
    """The PNG with an eXIf chunk after its header (PNG, third edition, 11.3.4.5)."""
    block: bytes = exif.tobytes().removeprefix(b"Exif\x00\x00")
    chunk = struct.pack(">I", len(block)) + b"eXIf" + block + struct.pack(">I", zlib.crc32(b"eXIf" + block))
    header = 8 + 25  # signature and IHDR
    return png[:header] + chunk + png[header:]


def _exif(settings: DevelopSettings, equivalent_mm: float) -> Any:
    """EXIF tags 274 Orientation, 37386 FocalLength (crop factor 5.6), 41989 FocalLengthIn35mmFilm."""
    from PIL import Image as Pillow
    from PIL.TiffImagePlugin import IFDRational

    equivalent_mm *= 1 + settings.exif_error
    exif = Pillow.Exif()
    exif[274] = settings.orientation
    detail = exif.get_ifd(0x8769)
    detail[37386] = IFDRational(round(equivalent_mm / 5.6 * 100), 100)
    if settings.exif == "full":
        detail[41989] = round(equivalent_mm)  # EXIF carries it as an integer
    return exif
