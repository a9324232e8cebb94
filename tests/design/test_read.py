"""Files that cannot be read, each with the words of its fault."""

from __future__ import annotations

from pathlib import Path

import pytest

from gapscan.design import read
from gapscan.errors import InputError

NOT_XML = "not well-formed XML ({}); save the drawing again as SVG"
ENTITIES = "declares XML entities, which are not read for safety; save it as plain SVG"
BOMB = (
    '<?xml version="1.0"?><!DOCTYPE svg [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;">]>'
    '<svg xmlns="http://www.w3.org/2000/svg"><text>&b;</text></svg>'
)
OUTSIDE = (
    '<?xml version="1.0"?><!DOCTYPE svg [<!ENTITY x SYSTEM "file:///etc/hostname">]>'
    '<svg xmlns="http://www.w3.org/2000/svg"><text>&x;</text></svg>'
)


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("a.png", b"x", "a design must be an .svg or .dxf file; export the drawing as one of these"),
        ("a.svg", None, "no such file; check the path of the design"),
        ("a.dxf", None, "no such file; check the path of the design"),
        ("a.svg", b"", "the file is empty; export the drawing again"),
        ("a.svg", b" \n ", "the file is empty; export the drawing again"),
        ("a.svg", b"<svg><g></svg>", NOT_XML.format("mismatched tag: line 1, column 10")),
        ("a.svg", b"oak", NOT_XML.format("syntax error: line 1, column 0")),
        ("a.svg", b"<html/>", "not an SVG drawing (its root is <html>); save it as plain SVG"),
        ("a.svg", BOMB.encode(), ENTITIES),
        ("a.svg", OUTSIDE.encode(), ENTITIES),
        ("a.dxf", b"oak and ash\n", "not a readable DXF file; export the drawing again"),
    ],
)  # fmt: skip
def test_words(tmp_path: Path, name, content, words):
    path = tmp_path / name
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(InputError) as caught:
        read.read_design(path)
    assert str(caught.value) == f"{path}: {words}"


def test_a_folder(tmp_path: Path):
    path = tmp_path / "folder.svg"
    path.mkdir()
    with pytest.raises(InputError, match="is a folder; name the drawing file in it"):
        read.read_design(path)


def test_too_big(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    assert read.MAX_BYTES == 50_000_000
    monkeypatch.setattr(read, "MAX_BYTES", 2_000_000)
    path = tmp_path / "a.svg"
    path.write_bytes(b" " * 2_000_001)
    with pytest.raises(InputError, match="is larger than 2 MB; remove embedded images and save again"):
        read.read_design(path)


@pytest.mark.parametrize(
    "junk",
    [
        b"\xff\xfe\x00",
        b"<svg xmlns='http://www.w3.org/2000/svg'>\x00</svg>",
        b"<?xml version='1.0' encoding='latin-77'?><svg/>",
    ],
)
def test_junk_bytes(tmp_path: Path, junk):
    path = tmp_path / "a.svg"
    path.write_bytes(junk)
    with pytest.raises(InputError, match="not well-formed XML"):
        read.read_design(path)
