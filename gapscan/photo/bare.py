"""A photo of the empty lightbox, laid pixel for pixel beside the photo of the dry fit."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gapscan.errors import InputError
from gapscan.photo.load import read_photo
from gapscan.photo.types import Photo

_ORIENTATION_TAG = 0x0112  # CIPA DC-008


@dataclass(frozen=True)
class BarePhoto:
    """The photo of the empty lightbox, upright by its own EXIF orientation, which is kept."""

    photo: Photo
    orientation: int


def read_bare(path: Path) -> BarePhoto:
    """Read the photo of the empty lightbox. Raises InputError as :func:`gapscan.photo.load.read_photo`."""
    return BarePhoto(read_photo(path), _orientation(path))


def with_bare(photo: Photo, bare: BarePhoto) -> Photo:
    """The photo with the empty lightbox beside it, pixel for pixel.

    A camera that looks straight down guesses which way is up, and may guess otherwise the next time: the empty
    lightbox is turned as the photo was. Raises InputError when the two differ in size.
    """
    beside = _turned(bare.photo, bare.orientation, _orientation(Path(photo.path)))
    if beside.light.shape != photo.light.shape:
        beside = bare.photo  # the tag was rewritten without turning the pixels
    if beside.light.shape != photo.light.shape:
        (height, width), (wanted_height, wanted_width) = bare.photo.light.shape, photo.light.shape
        raise InputError(
            f"{bare.photo.path}: {width}x{height} pixels, but {Path(photo.path).name} has {wanted_width}x{wanted_height}; "
            "take the photo of the empty lightbox with the same camera, place and settings, or leave out --bare"
        )
    return replace(photo, bare=beside)


def _orientation(path: Path) -> int:
    """EXIF orientation, 1 to 8; 1 where there is none."""
    from PIL import Image

    try:
        with Image.open(path) as opened:
            code = int(opened.getexif().get(_ORIENTATION_TAG, 1) or 1)
    except (OSError, SyntaxError, ValueError, TypeError):
        return 1
    return code if 1 <= code <= 8 else 1


def _turned(photo: Photo, was: int, wanted: int) -> Photo:
    """A photo made upright by one orientation, made upright by another instead."""
    if was == wanted:
        return photo

    def turn(pixels: NDArray[Any]) -> NDArray[Any]:
        return np.ascontiguousarray(_upright(_stored(pixels, was), wanted))

    return replace(photo, light=turn(photo.light), clipped=turn(photo.clipped), display_bgr=turn(photo.display_bgr))


def _upright(stored: NDArray[Any], orientation: int) -> NDArray[Any]:
    """Apply an EXIF orientation: swap rows and columns first, then flip (CIPA DC-008, tag 274)."""
    if orientation >= 5:
        stored = stored.swapaxes(0, 1)
    return stored[:: -1 if orientation in {3, 4, 7, 8} else 1, :: -1 if orientation in {2, 3, 6, 7} else 1]


def _stored(upright: NDArray[Any], orientation: int) -> NDArray[Any]:
    """The inverse of :func:`_upright`."""
    flipped = upright[:: -1 if orientation in {3, 4, 7, 8} else 1, :: -1 if orientation in {2, 3, 6, 7} else 1]
    return flipped.swapaxes(0, 1) if orientation >= 5 else flipped
