"""``gapscan notebook`` and ``gapscan suggest``: what they say, write and refuse."""

import csv
import json

import pytest

from gapscan.cli.main import run
from gapscan.job import read_job
from gapscan.report.writers import write_outputs


@pytest.fixture(scope="module")
def result(faulty_front, inspected, tmp_path_factory):
    folder = tmp_path_factory.mktemp("noted") / "lid"
    write_outputs(inspected(faulty_front), folder)
    return folder


@pytest.fixture
def book(tmp_path):
    return tmp_path / "book.sqlite"


def said(capsys):
    return capsys.readouterr().out


def test_add_list_export(result, book, tmp_path, capsys):
    assert run(["notebook", "add", str(result), "--book", str(book)]) == 0
    assert "added as entry 1" in said(capsys)
    assert run(["notebook", "add", str(result), "--book", str(book)]) == 0
    assert "is entry 1 already" in said(capsys)
    assert run(["notebook", "list", "--book", str(book)]) == 0
    told = said(capsys)
    assert "lid" in told
    assert "1 dry fit in" in told
    assert run(["notebook", "list", "--book", str(book), "--json"]) == 0
    table = json.loads(said(capsys))
    record = json.loads((result / "fit.json").read_text(encoding="utf-8"))
    true = {p["id"]: p["undersize_mm"] for p in record["pieces"]}
    for piece in table["entries"][0]["pieces"]:
        expected = true[piece["piece"]]
        assert piece["loss_mm"] == (
            None if expected is None else pytest.approx(expected + piece["offset_mm"], abs=1e-4)
        )
    assert run(["notebook", "export", "--book", str(book), "--out", str(tmp_path / "x.csv")]) == 0
    rows = list(csv.DictReader((tmp_path / "x.csv").read_text(encoding="utf-8").splitlines()))
    assert {row["piece"] for row in rows} == set(true)
    assert run(["notebook", "export", "--book", str(book), "--out", str(tmp_path / "x.csv")]) == 2
    assert "is there already" in capsys.readouterr().err
    assert run(["notebook", "export", "--book", str(book), "--out", str(tmp_path / "x.txt")]) == 2


def test_the_default_place(result, tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("GAPSCAN_BOOK", str(tmp_path / "mine" / "b.sqlite"))
    assert run(["notebook", "add", str(result)]) == 0
    assert (tmp_path / "mine" / "b.sqlite").is_file()
    monkeypatch.delenv("GAPSCAN_BOOK")
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    assert run(["notebook", "list"]) == 2
    assert "no notebook yet" in capsys.readouterr().err


def test_a_folder_without_results_adds_nothing(result, book, tmp_path, capsys):
    assert run(["notebook", "add", str(result), str(tmp_path), "--book", str(book)]) == 2
    assert "fit.json: is not there" in capsys.readouterr().err
    assert not book.exists()


def test_suggest(result, faulty_front, book, tmp_path, capsys):
    run(["notebook", "add", str(result), "--book", str(book)])
    capsys.readouterr()
    design, out = str(faulty_front.design_path), tmp_path / "job2.toml"
    assert run(["suggest", design, "--book", str(book), "--out", str(out), "--json"]) == 0
    table = json.loads(said(capsys))
    assert table["pieces_used"] > 5
    job = read_job(out)
    for piece in table["pieces"]:
        assert job.settings(piece["id"]).offset_mm == pytest.approx(piece["offset_mm"], abs=1e-4)
        assert piece["standard_uncertainty_mm"] > 0
    assert run(["suggest", design, "--book", str(book), "--out", str(out)]) == 2
    assert "is there already" in capsys.readouterr().err
    assert run(["suggest", design, "--book", str(book)]) == 0
    told = " ".join(said(capsys).split())
    assert "pieces of 1 dry fit" in told


def test_suggest_without_a_record(faulty_front, tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("GAPSCAN_BOOK", str(tmp_path / "none.sqlite"))
    assert run(["suggest", str(faulty_front.design_path)]) == 0
    told = " ".join(said(capsys).split())
    assert "no record yet: leave it as drawn" in told
    assert "holds no piece to learn from" in told
    assert run(["suggest", str(faulty_front.design_path), "--book", str(tmp_path / "none.sqlite")]) == 2


def test_suggest_with_a_misspelt_piece(faulty_front, tmp_path, capsys):
    (tmp_path / "job.toml").write_text("[pieces.nosuch]\nkeep = true\n")
    assert run(["suggest", str(faulty_front.design_path), "--job", str(tmp_path / "job.toml")]) == 2
    assert "is named nosuch" in capsys.readouterr().err
