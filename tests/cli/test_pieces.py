"""``gapscan pieces``: the list, the picture and the job file to fill in."""

from __future__ import annotations

import io
import json
import tomllib
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest
import shapely
from rich.console import Console

from gapscan.cli.main import run
from gapscan.design.read import read_design
from gapscan.job import Job, read_job
from gapscan.report import piece_files
from gapscan.report.piece_list import print_pieces

from ..design import one_board as board

HOSTILE = ("[x]", "leaf*", "a b", 'say "yes"', "back\\slash", "né?", "p.1")


@pytest.fixture
def layers(tmp_path: Path) -> Path:
    path = tmp_path / "layers.svg"
    board.svg_layers(path)
    return path


@pytest.fixture
def hostile(tmp_path: Path) -> Path:
    """Ids that mean something to TOML, to patterns or to XML."""
    root = ET.Element("svg", xmlns="http://www.w3.org/2000/svg", width="80mm", height="20mm", viewBox="0 0 80 20")
    for k, name in enumerate(HOSTILE):
        more = {"data-material": f"wood {name}"} if k % 2 else {}
        ET.SubElement(root, "rect", id=name, x=str(10 * k), width="10", height="20", **more)
    path = tmp_path / "hostile.svg"
    path.write_bytes(ET.tostring(root))
    return path


def test_the_list(layers, capsys):
    assert run(["pieces", str(layers)]) == 0
    said = capsys.readouterr().out
    rows = {line.split()[0]: line for line in said.splitlines() if line[:1].isalpha()}
    for name, polygon in board.truth().items():
        # area, box and shared boundary from the curves' own formulas
        x0, y0, x1, y1 = polygon.bounds
        row = rows[name].split()
        assert float(row[1]) == pytest.approx(polygon.area, abs=0.005 * polygon.length + 0.05)
        assert (float(row[2]), float(row[4])) == pytest.approx((x1 - x0, y1 - y0), abs=0.011)
        assert row[5] == board.MATERIAL[name]
        outside = polygon.boundary.intersection(shapely.box(0, 0, 80, 60).boundary.buffer(1e-6)).length
        assert float(row[7]) == pytest.approx(polygon.length - outside, abs=0.12)
    assert "5 pieces, 4800 mm²; 5 seams" in said
    assert "Read as closed shapes, size of the page in mm" in said


def test_what_was_left_out_is_told(tmp_path, capsys):
    path = tmp_path / "open.svg"
    board.svg_lines_all_open(path)
    assert run(["pieces", str(path)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "Note: ignored loose ends, which bound no face: 'doodle' (8.71 mm)." in said
    assert "Read as line drawing" in said


@pytest.mark.parametrize("width", [28, 40, 75, 76, 120])
def test_narrow_terminals_lose_nothing(hostile, width):
    stream = io.StringIO()
    console = Console(file=stream, width=width, highlight=False, emoji=False, markup=False)
    print_pieces(read_design(hostile), Job(), console)
    said = stream.getvalue()
    assert max(len(line.rstrip()) for line in said.splitlines()) <= width
    assert all(name in " ".join(said.split()) for name in HOSTILE)
    assert said.count("200.0") >= len(HOSTILE)


def test_json(layers, capsys):
    assert run(["pieces", str(layers), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["schema"] == "gapscan.pieces/1"
    assert (told["read_as"], told["units"]) == ("closed shapes", "size of the page in mm")
    assert {p["id"]: p["material"] for p in told["pieces"]} == board.MATERIAL
    assert sum(p["area_mm2"] for p in told["pieces"]) == pytest.approx(4800, abs=0.01)
    # every seam is counted by both of its pieces
    assert sum(p["seam_length_mm"] for p in told["pieces"]) == pytest.approx(
        2 * sum(s["length_mm"] for s in told["seams"]), abs=0.01
    )
    assert sum(p["seams"] for p in told["pieces"]) == 2 * len(told["seams"])


def test_the_job_file_is_one_and_names_every_piece(layers, hostile, tmp_path, capsys):
    for drawing in (layers, hostile):
        out = tmp_path / drawing.stem
        assert run(["pieces", str(drawing), "--out", str(out)]) == 0
        assert sorted(p.name for p in out.iterdir()) == ["job.toml", "pieces.svg"]
        assert "Written: " in capsys.readouterr().out
        job, design = read_job(out / "job.toml"), read_design(drawing)
        assert {p.id: job.settings(p.id).material for p in design.pieces} == {p.id: p.material for p in design.pieces}
        assert job.unmatched(tuple(p.id for p in design.pieces)) == ()
        assert len(job.pieces) == len(design.pieces)
        # nothing but the materials is set
        assert all(set(given) <= {"material"} for _, given in job.pieces)
        assert set(tomllib.loads((out / "job.toml").read_text(encoding="utf-8"))) == {"pieces"}


def test_every_remark_of_the_job_file_is_a_key_that_may_be_switched_on(layers, tmp_path):
    out = tmp_path / "out"
    run(["pieces", str(layers), "--out", str(out)])
    on = []
    for line in (out / "job.toml").read_text(encoding="utf-8").splitlines():
        bare = line.removeprefix("# ")
        on.append(bare if " = " in bare.split("#")[0] and ":" not in bare.split("#")[0].split('"')[0] else line)
        if bare in ("[sheet]", "[cut]"):
            on[-1] = bare
    path = tmp_path / "on.toml"
    path.write_text("\n".join(on), encoding="utf-8")
    job = read_job(path)
    assert (job.tolerance_mm, job.aim_mm, job.press_mm, job.thickness_mm, job.taper_deg) == (0.10, 0.03, 0.02, 0.6, 2.0)
    assert job.settings("upper").facing == "up"
    assert {"material", "facing", "offset_mm", "keep"} == set(dict(job.pieces)["upper"])


def test_the_picture_shows_and_names_every_piece(hostile, tmp_path):
    out = tmp_path / "out"
    run(["pieces", str(hostile), "--out", str(out)])
    root = ET.fromstring((out / "pieces.svg").read_bytes())
    svg = "{http://www.w3.org/2000/svg}"
    assert {path.get("data-piece") for path in root.iter(svg + "path")} - {None} == set(HOSTILE)
    assert {text.text for text in root.iter(svg + "text")} == set(HOSTILE)
    left, top, width, height = map(float, root.get("viewBox").split())
    assert all(left <= float(t.get("x")) <= left + width for t in root.iter(svg + "text"))
    assert all(top <= float(t.get("y")) <= top + height for t in root.iter(svg + "text"))
    assert root.get("width") == f"{width:.3f}mm"
    # read as a drawing it gives the same pieces again
    again = read_design(out / "pieces.svg")
    assert sorted(p.polygon.area for p in again.pieces) == pytest.approx([200.0] * len(HOSTILE))


@pytest.mark.parametrize("name", ["job.toml", "pieces.svg"])
def test_nothing_is_written_over(layers, tmp_path, capsys, name):
    out = tmp_path / "out"
    out.mkdir()
    (out / name).write_text("mine", encoding="utf-8")
    assert run(["pieces", str(layers), "--out", str(out)]) == 2
    said = capsys.readouterr().err
    assert f"{out / name}: is there already and may hold your changes" in said
    assert said.count("\n") == 1
    assert [p.name for p in out.iterdir()] == [name]
    assert (out / name).read_text(encoding="utf-8") == "mine"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["layers.svg", "out"]  # nothing left beside


def test_a_second_run_without_changes_is_no_fault_and_other_files_stay(layers, tmp_path):
    out = tmp_path / "out"
    out.mkdir()
    (out / "notes.txt").write_text("x", encoding="utf-8")
    assert [run(["pieces", str(layers), "--out", str(out)]) for _ in range(2)] == [0, 0]
    assert sorted(p.name for p in out.iterdir()) == ["job.toml", "notes.txt", "pieces.svg"]
    (out / "pieces.svg").unlink()
    with (out / "job.toml").open("a", encoding="utf-8") as file:
        file.write("# mine\n")
    assert run(["pieces", str(layers), "--out", str(out)]) == 2
    assert not (out / "pieces.svg").exists()


@pytest.mark.parametrize("there", [False, True])
def test_both_files_or_none(layers, tmp_path, monkeypatch, capsys, there):
    out = tmp_path / "out"
    if there:
        out.mkdir()
    done = []

    def full(*_):
        done.append(1)
        raise OSError(28, "No space left on device")

    if there:
        real = piece_files._link
        monkeypatch.setattr(
            piece_files, "_link", lambda made, place: full() if place.name == "job.toml" else real(made, place)
        )
    else:
        monkeypatch.setattr(piece_files.os, "rename", full)
    assert run(["pieces", str(layers), "--out", str(out)]) == 2
    assert done
    assert "cannot write there (No space left on device)" in capsys.readouterr().err
    assert list(out.iterdir()) == [] if there else not out.exists()
    assert sorted(p.name for p in tmp_path.iterdir()) == (["layers.svg", "out"] if there else ["layers.svg"])


def test_a_file_system_without_second_names(layers, tmp_path, monkeypatch):
    def refuse(*_):
        raise PermissionError(1, "Operation not permitted")

    out = tmp_path / "out"
    out.mkdir()
    monkeypatch.setattr(piece_files.os, "link", refuse)
    assert run(["pieces", str(layers), "--out", str(out)]) == 0
    assert read_job(out / "job.toml").settings("disc").material == "maple"


def test_a_job_given_has_the_last_word_and_is_not_written(layers, tmp_path, capsys):
    job = tmp_path / "job.toml"
    job.write_text('[pieces.disc]\nmaterial = "holly"\n[pieces.dics]\nkeep = true\n', encoding="utf-8")
    out = tmp_path / "out"
    assert run(["pieces", str(layers), "--job", str(job), "--out", str(out), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert {p["id"]: p["material"] for p in told["pieces"]} == board.MATERIAL | {"disc": "holly"}
    assert [p.name for p in out.iterdir()] == ["pieces.svg"]
    run(["pieces", str(layers), "--job", str(job)])
    assert "the job's [pieces.dics] matches no piece" in capsys.readouterr().out


@pytest.mark.parametrize("option", ["--units-per-inch", "--dpi"])
def test_72_to_the_inch(tmp_path, capsys, option):
    path = tmp_path / "a.svg"
    f = 72 / 25.4
    board.svg_closed(path, size=(80 * f, 60 * f), box=None, f=f)
    assert run(["pieces", str(path), "--json", option, "72"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["units"] == "px at 72 to the inch"
    assert sum(p["area_mm2"] for p in told["pieces"]) == pytest.approx(4800, abs=0.01)


def test_reading_can_be_told(tmp_path, capsys):
    path = tmp_path / "lines.svg"
    board.svg_lines(path)
    counts = []
    for way in ("auto", "lines", "shapes"):
        assert run(["pieces", str(path), "--json", "--read-as", way]) == 0
        counts.append(len(json.loads(capsys.readouterr().out)["pieces"]))
    assert counts == [5, 5, 3]


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("a.svg", "<svg", "not well-formed XML"),
        ("a.svg", '<svg xmlns="http://www.w3.org/2000/svg"><path id="u" d="M0 0H40V9"/></svg>', "no closed shapes found"),
        ("a.dxf", "oak", "not a readable DXF file"),
        ("a.txt", "oak", "a design must be an .svg or .dxf file"),
    ],
)  # fmt: skip
def test_bad_input_is_one_sentence(tmp_path, capsys, name, content, words):
    path = tmp_path / name
    path.write_text(content, encoding="utf-8")
    assert run(["pieces", str(path), "--out", str(tmp_path / "out")]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert str(path) in said.err
    assert words in said.err
    assert said.err.count("\n") == 1
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("arguments", [["--dpi", "0"], ["--dpi", "nan"], ["--read-as", "tea"], ["--job", "none.toml"]])
def test_bad_arguments(layers, capsys, arguments):
    assert run(["pieces", str(layers), *arguments]) == 2
    assert "Traceback" not in capsys.readouterr().err


def test_out_is_a_file(layers, tmp_path, capsys):
    (tmp_path / "out").write_text("x", encoding="utf-8")
    assert run(["pieces", str(layers), "--out", str(tmp_path / "out")]) == 2
    assert "is a file, not a folder" in capsys.readouterr().err
