"""The photo of the empty lightbox laid beside the photo of the dry fit, whichever way up each was stored."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from gapscan.errors import InputError
from gapscan.photo.bare import read_bare, with_bare
from gapscan.photo.load import read_photo

# A sensor that looked straight down twice without being moved: the same pixels, whatever the tags say.
SENSOR = np.linspace(0, 255, 320 * 440).reshape(320, 440).astype(np.uint8)


def stored(path: Path, orientation: int | None, pixels: np.ndarray = SENSOR) -> Path:
    exif = Image.Exif()
    if orientation is not None:
        exif[0x0112] = orientation
    Image.fromarray(np.repeat(pixels[..., None], 3, axis=2)).save(path, exif=exif)
    return path


@pytest.mark.parametrize("fit", [None, 1, 3, 6])
@pytest.mark.parametrize("empty", [None, *range(1, 9)])
def test_pixels_fall_on_pixels_whatever_way_up_each_was_stored(tmp_path, fit, empty):
    """Pillow's own turning by EXIF is the judge: both photos come from one sensor, so they must end up alike."""
    photo = read_photo(stored(tmp_path / "fit.png", fit))
    bare = with_bare(photo, read_bare(stored(tmp_path / "empty.png", empty))).bare
    assert bare is not None
    np.testing.assert_array_equal(bare.light, photo.light)
    np.testing.assert_array_equal(bare.clipped, photo.clipped)
    np.testing.assert_array_equal(bare.display_bgr, photo.display_bgr)


def test_a_tag_rewritten_without_turning_the_pixels(tmp_path):
    photo = read_photo(stored(tmp_path / "fit.png", 6))
    upright = np.rot90(SENSOR, -1)  # turned by a viewer, tag taken out
    bare = with_bare(photo, read_bare(stored(tmp_path / "empty.png", None, upright))).bare
    assert bare is not None
    np.testing.assert_array_equal(bare.light, photo.light)


def test_another_size_is_refused(tmp_path):
    photo = read_photo(stored(tmp_path / "fit.png", 1))
    bare = read_bare(stored(tmp_path / "empty.png", 1, SENSOR[:, :400]))
    with pytest.raises(InputError) as caught:
        with_bare(photo, bare)
    message = str(caught.value)
    assert "empty.png: 400x320 pixels" in message
    assert "fit.png has 440x320" in message
    assert "--bare" in message
    assert "\n" not in message


def test_a_missing_photo_is_refused(tmp_path):
    with pytest.raises(InputError, match="no such photo"):
        read_bare(tmp_path / "none.jpg")
