"""The demo's own parts: which folders it takes, and the comparison with the truth."""

import pytest

from gapscan.cli.demo import check_folder, compare
from gapscan.errors import InputError
from tests.report.specimens import grid_inspection

EXAMPLE = ("design.svg", "frame.svg", "job.toml", "truth.json", "photo.jpg")


def test_folders_that_may_be_written(tmp_path):
    check_folder(tmp_path / "new", force=False)
    check_folder(tmp_path, force=False)
    for name in EXAMPLE:
        (tmp_path / name).write_text("")
    (tmp_path / "result").mkdir()
    check_folder(tmp_path, force=False)


@pytest.mark.parametrize("held", [["design.svg"], ["thesis.txt"], [*EXAMPLE, "thesis.txt"]])
def test_other_peoples_folders_are_left_alone(tmp_path, held):
    for name in held:
        (tmp_path / name).write_text("")
    with pytest.raises(InputError, match="is not empty"):
        check_folder(tmp_path, force=False)
    check_folder(tmp_path, force=True)


def test_a_file_is_no_folder(tmp_path):
    (tmp_path / "demo").write_text("")
    with pytest.raises(InputError, match="is a file"):
        check_folder(tmp_path / "demo", force=True)


def test_comparison_names_found_missed_and_extra():
    board = grid_inspection()  # p01 and p02 to recut, 0.002 mm too small
    truth = {
        "pieces": [{"id": name, "undersize_mm": 0.09} for name in ("p01", "p05")],
        "faults": {"undersize_mm": {"p01": 0.1, "p05": 0.1}, "shift": {}},
    }
    assert compare(board, truth) == (
        "Against the truth: p01 found 0.002 ± 0.004 mm too small (truth 0.090); "
        "p05 missed (truth 0.090 mm too small); also to recut: p02."
    )
    truth["faults"]["undersize_mm"] = {"p01": 0.1}
    assert compare(grid_inspection(recut=1), truth).endswith("; no other piece to recut.")
