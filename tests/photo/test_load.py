"""Photo files to linear light, against the published curve and an independent colour library."""

from __future__ import annotations

import io
import struct
import zlib
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image
from PIL.TiffImagePlugin import IFDRational

from gapscan.errors import InputError
from gapscan.photo.load import looks_cropped, read_photo, srgb_decode
from tests.srgb import decode

# IEC 61966-2-1:1999, 5.2: 8-bit code to linear, worked by hand from the published formula.
IEC_VALUES = {0: 0.0, 10: 0.003035, 64: 0.051269, 128: 0.215861, 188: 0.502886, 254: 0.991102, 255: 1.0}
# ITU-T T.871 (JFIF): luma of R, G, B.
LUMA = np.array([0.299, 0.587, 0.114])


def picture(height=310, width=420):
    """Smooth colours in every range, (H, W, 3) uint8 red, green, blue."""
    v, u = np.mgrid[0:height, 0:width]
    rgb = [40 + 200 * u / width, 20 + 180 * v / height, 200 - 120 * (u + v) / (height + width)]
    return np.stack(rgb, axis=-1).astype(np.uint8)


def write_deep(path: Path, rgb16: np.ndarray) -> None:
    assert cv2.imwrite(str(path), rgb16[..., ::-1])


def test_decoding_has_the_published_values():
    codes = np.array(list(IEC_VALUES)) / 255.0
    np.testing.assert_allclose(srgb_decode(codes), list(IEC_VALUES.values()), atol=6e-7)


def test_decoding_agrees_with_colour_science_over_the_whole_range():
    codes = np.linspace(0.0, 1.0, 4001)
    np.testing.assert_allclose(srgb_decode(codes), decode(codes), atol=1e-9)


def test_every_kind_of_file_gives_the_same_light(tmp_path):
    rgb = picture()
    Image.fromarray(rgb).save(tmp_path / "a.png")
    Image.fromarray(rgb).save(tmp_path / "a.tif")
    Image.fromarray(rgb).save(tmp_path / "a.jpg", quality=100, subsampling="4:4:4")
    write_deep(tmp_path / "deep.png", rgb.astype(np.uint16) * 257)
    write_deep(tmp_path / "deep.tiff", rgb.astype(np.uint16) * 257)
    # Light is the decoded luma of the encoded channels; colour-science decodes.
    wanted = decode(rgb @ LUMA / 255.0)
    # Eight bits may round luma to a whole code: at most half a code times the curve's slope, 2.4/1.055/255/2; a JPEG
    # has rounded its channels before.
    for name, atol in (("a.png", 0.0046), ("a.tif", 0.0046), ("deep.png", 2e-4), ("deep.tiff", 2e-4), ("a.jpg", 0.012)):
        photo = read_photo(tmp_path / name)
        assert photo.light.dtype == np.float32
        np.testing.assert_allclose(photo.light, wanted, atol=atol, err_msg=name)
        assert abs(float(np.mean(photo.light - wanted))) < 3e-4, name  # rounding must not lean to one side
        assert np.abs(photo.display_bgr[..., ::-1].astype(int) - rgb).max() <= (6 if name == "a.jpg" else 0), name
        assert not photo.clipped.any()


def test_sixteen_bits_keep_steps_that_eight_bits_lose(tmp_path):
    ramp = np.linspace(20000, 20256, 400).astype(np.uint16)  # within one 8-bit code
    write_deep(tmp_path / "ramp.png", np.repeat(np.tile(ramp, (320, 1))[..., None], 3, axis=2))
    light = read_photo(tmp_path / "ramp.png").light[0]
    np.testing.assert_allclose(light, decode(ramp / 65535.0), rtol=2e-5)


@pytest.mark.parametrize("name", ["a.png", "deep.png"])
def test_clipped_pixels_are_those_with_a_channel_at_the_top(tmp_path, name):
    rgb = np.full((320, 320, 3), 180, np.uint8)
    rgb[50:60, 70:90, 0] = 255
    rgb[100:110, 70:90] = 254
    if name == "a.png":
        Image.fromarray(rgb).save(tmp_path / name)
    else:
        write_deep(tmp_path / name, rgb.astype(np.uint16) * 257)
    clipped = read_photo(tmp_path / name).clipped
    assert clipped[50:60, 70:90].all()
    assert clipped.sum() == 200


# CIPA DC-008 (EXIF 2.3), tag 274: on which visual side the stored row 0 and the stored column 0 lie.
ORIENTATION = {
    1: ("top", "left"),
    2: ("top", "right"),
    3: ("bottom", "right"),
    4: ("bottom", "left"),
    5: ("left", "top"),
    6: ("right", "top"),
    7: ("right", "bottom"),
    8: ("left", "bottom"),
}
OPPOSITE = {"top": "bottom", "bottom": "top", "left": "right", "right": "left"}
CORNERS = {
    frozenset({"top", "left"}): 50,
    frozenset({"top", "right"}): 100,
    frozenset({"bottom", "left"}): 150,
    frozenset({"bottom", "right"}): 200,
}


def stored_quarters(orientation: int) -> np.ndarray:
    """Stored grey picture whose upright quarters are those of CORNERS; upright 420 wide, 310 high."""
    row0, column0 = ORIENTATION[orientation]
    height, width = (310, 420) if row0 in ("top", "bottom") else (420, 310)
    out = np.empty((height, width), np.uint8)
    for rows, side in ((slice(None, height // 2), row0), (slice(height // 2, None), OPPOSITE[row0])):
        for columns, other in ((slice(None, width // 2), column0), (slice(width // 2, None), OPPOSITE[column0])):
            out[rows, columns] = CORNERS[frozenset({side, other})]
    return out


def png_with_exif(pixels16: np.ndarray, orientation: int) -> bytes:
    """A 16-bit PNG with an eXIf chunk (PNG specification, third edition, 11.3.4.5) put in by hand."""
    done, data = cv2.imencode(".png", pixels16)
    assert done
    raw = bytes(data.tobytes())
    body = Image.Exif()
    body[274] = orientation
    exif = body.tobytes().removeprefix(b"Exif\x00\x00")
    chunk = struct.pack(">I", len(exif)) + b"eXIf" + exif + struct.pack(">I", zlib.crc32(b"eXIf" + exif))
    return raw[:33] + chunk + raw[33:]


@pytest.mark.parametrize("kind", ["jpeg", "png16", "tiff16"])
@pytest.mark.parametrize("orientation", sorted(ORIENTATION))
def test_exif_orientations_turn_upright(tmp_path, orientation, kind):
    stored = stored_quarters(orientation)
    path = tmp_path / "turned"
    if kind == "jpeg":
        exif = Image.Exif()
        exif[274] = orientation
        Image.fromarray(stored).convert("RGB").save(path, "JPEG", quality=95, exif=exif)
    elif kind == "png16":
        path.write_bytes(png_with_exif(np.repeat(stored[..., None], 3, axis=2).astype(np.uint16) * 257, orientation))
    else:
        Image.fromarray(stored.astype(np.uint16) * 257).save(path, "TIFF", tiffinfo={274: orientation})
    photo = read_photo(path)
    assert photo.light.shape == (310, 420)
    found = {
        frozenset({"top", "left"}): photo.light[70, 100],
        frozenset({"top", "right"}): photo.light[70, 320],
        frozenset({"bottom", "left"}): photo.light[240, 100],
        frozenset({"bottom", "right"}): photo.light[240, 320],
    }
    for corner, code in CORNERS.items():
        assert found[corner] == pytest.approx(float(decode(code / 255.0)), abs=0.01), corner
    assert abs(int(photo.display_bgr[70, 100, 0]) - 50) <= 2
    assert abs(int(photo.display_bgr[240, 320, 2]) - 200) <= 2


def jpeg_with(tmp_path: Path, tags: dict[int, object], size=(420, 315)) -> Path:
    exif = Image.Exif()
    exif.get_ifd(0x8769).update(tags)
    path = tmp_path / "photo.jpg"
    Image.new("RGB", size, (120, 120, 120)).save(path, exif=exif)
    return path


@pytest.mark.parametrize("size", [(420, 315), (315, 420)])
def test_equivalent_focal_length_is_read_by_width_and_by_diagonal(tmp_path, size):
    # CIPA DC-008 FocalLengthIn35mmFilm: the full frame is 36 x 24 mm (ISO 1007); makers scale by width or by diagonal.
    found = read_photo(jpeg_with(tmp_path, {41989: 26}, size)).focal_px
    by_width, by_diagonal = 26 / 36 * 420, 26 / np.hypot(36, 24) * np.hypot(420, 315)
    for wanted in (by_width, by_diagonal):
        assert min(abs(f / wanted - 1) for f in found) < 1e-4


def test_focal_plane_resolution_gives_a_focal_length_in_pixels(tmp_path):
    # CIPA DC-008: FocalLength [mm], FocalPlaneXResolution in pixels per FocalPlaneResolutionUnit (3: centimetre).
    tags = {37386: IFDRational(68, 10), 41486: IFDRational(600, 1), 41488: 3}
    found = read_photo(jpeg_with(tmp_path, tags)).focal_px
    assert min(abs(f - 6.8 * 600 / 10) for f in found) < 0.01


@pytest.mark.parametrize("tags", [{}, {41989: 0}, {37386: IFDRational(0, 0)}, {41989: 60000}])
def test_no_usable_focal_length_is_said_and_not_guessed(tmp_path, tags):
    photo = read_photo(jpeg_with(tmp_path, tags))
    assert photo.focal_px == ()
    assert any("focal length" in note and "photo.jpg" in note for note in photo.notes)


def refused(path: Path) -> str:
    with pytest.raises(InputError) as caught:
        read_photo(path)
    message = str(caught.value)
    assert str(path) in message
    assert "\n" not in message
    return message


def test_missing_file(tmp_path):
    assert "no such photo" in refused(tmp_path / "none.jpg")


def test_folder_instead_of_a_photo(tmp_path):
    assert "no such photo" in refused(tmp_path)


def test_empty_file(tmp_path):
    path = tmp_path / "empty.jpg"
    path.write_bytes(b"")
    assert "empty" in refused(path)


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF"])
def test_file_cut_short(tmp_path, kind):
    data = io.BytesIO()
    noise = np.random.default_rng(0).integers(0, 255, (320, 320, 3)).astype(np.uint8)
    Image.fromarray(noise).save(data, kind)
    path = tmp_path / "short"
    path.write_bytes(data.getvalue()[: len(data.getvalue()) // 2])
    message = refused(path)
    assert "damaged" in message or "not a photo" in message


def test_deep_png_cut_short(tmp_path):
    noise = np.random.default_rng(0).integers(0, 65535, (320, 320, 3)).astype(np.uint16)
    path = tmp_path / "short.png"
    write_deep(path, noise)
    path.write_bytes(path.read_bytes()[:60000])
    refused(path)


def test_text_file(tmp_path):
    path = tmp_path / "notes.jpg"
    path.write_text("cut list: walnut, maple", encoding="utf-8")
    message = refused(path)
    assert "not a photo" in message
    assert "JPEG, PNG or TIFF" in message


def test_gif_is_named(tmp_path):
    path = tmp_path / "photo.gif"
    Image.new("P", (320, 320)).save(path)
    message = refused(path)
    assert "GIF" in message
    assert "JPEG, PNG or TIFF" in message


def test_thumbnail(tmp_path):
    path = tmp_path / "small.png"
    Image.new("RGB", (160, 120)).save(path)
    message = refused(path)
    assert "160x120" in message
    assert "thumbnail" in message


@pytest.mark.parametrize("side", [12000, 20000])
def test_oversized_picture_is_refused_before_it_is_decoded(tmp_path, side):
    # PNG specification, 11.2.1 (IHDR): only the header says how large the picture is.
    head = struct.pack(">IIBBBBB", side, side, 8, 2, 0, 0, 0)

    def chunk(name: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))

    data = b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(b"\0")) + chunk(b"IEND", b"")
    path = tmp_path / "huge.png"
    path.write_bytes(data)
    assert "megapixels" in refused(path)


@pytest.mark.parametrize("mode", ["RGBA", "LA"])
def test_what_is_transparent_shows_no_light(tmp_path, mode):
    image = Image.new("RGBA", (320, 320), (255, 255, 255, 0))
    image.paste((128, 128, 128, 255), (80, 80, 240, 240))
    path = tmp_path / "cut-out.png"
    image.convert(mode).save(path)
    light = read_photo(path).light
    assert light[:70].max() == 0.0
    assert light[160, 160] == pytest.approx(IEC_VALUES[128], abs=2e-4)


def test_what_is_transparent_shows_no_light_in_sixteen_bits_either(tmp_path):
    bgra = np.full((320, 320, 4), 65535, np.uint16)
    bgra[..., 3] = 0
    bgra[80:240, 80:240] = (128 * 257, 128 * 257, 128 * 257, 65535)
    path = tmp_path / "deep-cut-out.png"
    assert cv2.imwrite(str(path), bgra)
    light = read_photo(path).light
    assert light[:70].max() == 0.0
    assert light[160, 160] == pytest.approx(IEC_VALUES[128], abs=2e-4)


def test_grey_and_palette_pictures_are_read(tmp_path):
    grey = np.full((320, 320), 128, np.uint8)
    Image.fromarray(grey).save(tmp_path / "grey.png")
    Image.fromarray(grey).convert("P").save(tmp_path / "palette.png")
    for name in ("grey.png", "palette.png"):
        assert read_photo(tmp_path / name).light[5, 5] == pytest.approx(IEC_VALUES[128], abs=2e-4)


@pytest.mark.parametrize(
    ("size", "cropped"),
    [
        ((4000, 3000), False),
        ((3000, 4000), False),
        ((4032, 2268), False),
        ((3264, 2448), False),
        ((3000, 2000), False),
        ((3000, 2650), True),
        ((4000, 1700), True),
    ],
)
def test_a_cropped_photo_is_known_by_its_shape(size, cropped):
    """Its focal length in pixels and the middle of its lens are no longer those of the file's tags."""
    assert looks_cropped(size) is cropped


def test_the_focal_length_of_a_cropped_photo_is_not_used(tmp_path):
    exif = Image.Exif()
    exif.get_ifd(0x8769)[41989] = 26
    for size, known in (((800, 600), True), ((800, 555), False)):
        Image.new("RGB", size, (90, 90, 90)).save(tmp_path / "a.jpg", exif=exif)
        photo = read_photo(tmp_path / "a.jpg")
        assert bool(photo.focal_px) is known
        assert any("cropped" in note for note in photo.notes) is not known
