"""Encoding and files."""

from __future__ import annotations

import io
import warnings

import numpy as np
import pytest
from PIL import Image, ImageOps

from gapscan.simulate.develop import (
    DevelopSettings,
    encode,
    expose,
    gaussian_blur,
    picture_file,
    quantise,
    srgb_encode,
)

CLEAN = DevelopSettings(
    blur_sigma_px=0.0, glare_share=0.0, halo_share=0.0, shot_noise=0.0, read_noise=0.0, file_type="png16"
)


def test_srgb_agrees_with_colour_science() -> None:
    # independent implementation of IEC 61966-2-1
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        colour = pytest.importorskip("colour")
        light = np.linspace(0.0, 1.0, 1001)
        wanted = colour.models.eotf_inverse_sRGB(light)
    np.testing.assert_allclose(srgb_encode(light), wanted, atol=1e-9)
    got = encode(light[None].astype(np.float32), CLEAN, np.random.default_rng(0))[0]
    np.testing.assert_allclose(got, wanted, atol=2e-6)


def test_blur_keeps_the_sum_and_has_the_wanted_spread() -> None:
    dot = np.zeros((61, 61), dtype=np.float32)
    dot[30, 30] = 1.0
    out = gaussian_blur(dot, 1.7).astype(np.float64)
    place = np.arange(61) - 30
    assert out.sum() == pytest.approx(1.0, abs=1e-6)
    assert (out.sum(axis=0) * place**2).sum() == pytest.approx(1.7**2, rel=1e-3)


def test_glare_and_halo_keep_the_mean() -> None:
    image = np.random.default_rng(2).uniform(0, 1, (160, 320)).astype(np.float32)
    out = expose(image, DevelopSettings(glare_share=0.03, halo_share=0.04, halo_sigma_px=40))
    assert out.mean() == pytest.approx(image.mean(), rel=2e-3)


def test_noise_has_the_wanted_spread() -> None:
    settings = DevelopSettings(shot_noise=1e-4, read_noise=0.003)
    flat = np.full((400, 400), 0.5, dtype=np.float32)
    value = encode(flat, settings, np.random.default_rng(3)).astype(np.float64)
    light = ((value + 0.055) / 1.055) ** 2.4
    assert light.std() == pytest.approx(np.sqrt(0.5e-4 + 9e-6), rel=0.02)


def test_the_s_curve_keeps_order_and_ends() -> None:
    ramp = np.linspace(0, 1, 500, dtype=np.float32)[None]
    out = encode(ramp, DevelopSettings(shot_noise=0.0, read_noise=0.0, s_curve=0.6), np.random.default_rng(0))[0]
    assert np.all(np.diff(out) >= -1e-6)
    assert out[0] == pytest.approx(0.0, abs=1e-6)
    assert out[-1] == pytest.approx(1.0, abs=1e-6)
    assert out[20] < srgb_encode(ramp)[0, 20]


@pytest.mark.parametrize("orientation", range(1, 9))
def test_a_reader_turns_the_picture_upright(orientation: int) -> None:
    rgb = np.random.default_rng(4).integers(0, 256, (20, 30, 3), dtype=np.uint8)
    data = picture_file(rgb, DevelopSettings(file_type="png8", orientation=orientation), equivalent_mm=26.0)
    upright = ImageOps.exif_transpose(Image.open(io.BytesIO(data)))
    np.testing.assert_array_equal(np.asarray(upright), rgb)


@pytest.mark.parametrize(("exif", "equivalent"), [("full", 26), ("no-equivalent", None), ("none", None)])
def test_exif_of_a_jpeg(exif: str, equivalent: int | None) -> None:
    rgb = np.full((20, 30, 3), 128, dtype=np.uint8)
    picture = Image.open(io.BytesIO(picture_file(rgb, DevelopSettings(exif=exif), equivalent_mm=26.0)))
    detail = picture.getexif().get_ifd(0x8769)
    assert detail.get(41989) == equivalent
    assert (37386 in detail) == (exif != "none")


def test_sixteen_bit_png_keeps_every_value() -> None:
    import cv2

    rgb = quantise(np.random.default_rng(5).uniform(0, 1, (9, 7, 3)).astype(np.float32), CLEAN)
    data = picture_file(rgb, CLEAN, equivalent_mm=26.0)
    back = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)
    np.testing.assert_array_equal(back[:, :, ::-1], rgb)
