"""The job file: every key of the contract, and a clear sentence for everything else."""

from __future__ import annotations

from pathlib import Path

import pytest

from gapscan.errors import InputError
from gapscan.job import Check, Job, PieceSettings, read_job

FULL = """
tolerance_mm = 0.12
aim_mm = 0.02
press_mm = 0.03
recut_facing = "one"
view = "back"
[sheet]
thickness_mm = 0.9
[cut]
taper_deg = 1.5
[pieces."leaf-*"]
facing = "down"
material = "maple"
[pieces.leaf-03]
facing = "up"
offset_mm = 0.05
[pieces.ground]
keep = true
"""


@pytest.fixture
def job(tmp_path: Path):
    def write(text: str) -> Path:
        path = tmp_path / "job.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return write


def test_without_a_file_and_with_an_empty_one_the_defaults_of_the_contract_hold(job):
    for found in (read_job(None), read_job(job(""))):
        assert (found.tolerance_mm, found.aim_mm, found.press_mm) == (0.10, 0.03, 0.02)
        assert found.recut_facing == "any"
        assert (found.thickness_mm, found.taper_deg) == (0.6, 2.0)
        assert found.settings("anything") == PieceSettings(facing="up", material="", offset_mm=0.0, keep=False)


def test_every_key(job):
    found = read_job(job(FULL))
    assert (found.tolerance_mm, found.aim_mm, found.press_mm) == (0.12, 0.02, 0.03)
    assert (found.recut_facing, found.view) == ("one", "back")
    assert (found.thickness_mm, found.taper_deg) == (0.9, 1.5)
    assert found.settings("leaf-01") == PieceSettings("down", "maple", 0.0, False)
    assert found.settings("ground").keep is True
    assert found.settings("other") == PieceSettings()


def test_the_last_match_wins_key_by_key(job):
    found = read_job(job(FULL))
    assert found.settings("leaf-03") == PieceSettings("up", "maple", 0.05, False)
    turned = read_job(job('[pieces.leaf-03]\nfacing="up"\n[pieces."leaf-*"]\nfacing="down"\n'))
    assert turned.settings("leaf-03").facing == "down"


@pytest.mark.parametrize(
    ("pattern", "hits", "misses"),
    [
        ("p0?", ["p01", "p0x"], ["p011", "P01"]),
        ("[ab]*", ["a", "b12"], ["c"]),
        ("*", ["", "anything"], []),
        ("ground", ["ground"], ["Ground", "ground2"]),
    ],
)
def test_patterns_are_those_of_a_shell(job, pattern, hits, misses):
    found = read_job(job(f'[pieces."{pattern}"]\nkeep = true\n'))
    assert all(found.settings(name).keep for name in hits)
    assert not any(found.settings(name).keep for name in misses)


def test_patterns_that_match_no_piece_are_told(job):
    found = read_job(job(FULL))
    assert found.unmatched(("leaf-03", "p01")) == ("ground",)
    assert found.unmatched(("leaf-03", "ground")) == ()


def test_whole_numbers_are_numbers_too(job):
    assert read_job(job("tolerance_mm = 1\naim_mm = 0\n")).tolerance_mm == 1.0


def test_settings_cannot_be_changed_afterwards():
    with pytest.raises(AttributeError):
        Job().aim_mm = 0.5  # type: ignore[misc]


def refused(path: Path) -> str:
    with pytest.raises(InputError) as caught:
        read_job(path)
    message = str(caught.value)
    assert str(path) in message
    assert "\n" not in message
    assert caught.value.exit_code == 2
    return message


@pytest.mark.parametrize(
    ("text", "key", "remedy"),
    [
        ("tolerence_mm = 0.1", "tolerence_mm", "tolerance_mm"),
        ("[sheet]\nthick = 1", "sheet.thick", "thickness_mm"),
        ("[cut]\ntaper_degs = 0.1", "cut.taper_degs", "taper_deg"),
        ("[pieces.p01]\nface = 'up'", "pieces.p01.face", "facing"),
        ("[lamp]\nlevel = 1", "lamp", "pieces"),
    ],
)
def test_unknown_keys_are_named_with_the_known_ones(job, text, key, remedy):
    message = refused(job(text))
    assert "unknown key" in message
    assert key in message
    assert remedy in message


@pytest.mark.parametrize(
    ("text", "key"),
    [
        ("tolerance_mm = 0", "tolerance_mm"),
        ("tolerance_mm = -0.1", "tolerance_mm"),
        ("tolerance_mm = 50", "tolerance_mm"),
        ("press_mm = -0.01", "press_mm"),
        ("press_mm = 10", "press_mm"),
        ("aim_mm = 9", "aim_mm"),
        ("[sheet]\nthickness_mm = 0", "sheet.thickness_mm"),
        ("[sheet]\nthickness_mm = -0.6", "sheet.thickness_mm"),
        ("[cut]\ntaper_deg = 89", "cut.taper_deg"),
        ("[cut]\ntaper_deg = -2", "cut.taper_deg"),
        ("[pieces.a]\noffset_mm = 40", "pieces.a.offset_mm"),
    ],
)
def test_impossible_values_are_named_with_the_range(job, text, key):
    message = refused(job(text))
    assert key in message
    assert "between" in message


@pytest.mark.parametrize("value", ["nan", "inf", "-inf", '"0.1"', "true", "[0.1]", "{a = 1}", "1979-05-27"])
@pytest.mark.parametrize(
    ("before", "key"), [("", "tolerance_mm"), ("[sheet]\n", "thickness_mm"), ("[pieces.a]\n", "offset_mm")]
)
def test_what_is_no_number_is_refused(job, before, key, value):
    message = refused(job(f"{before}{key} = {value}"))
    assert key in message
    assert "number" in message or "between" in message


@pytest.mark.parametrize(
    ("text", "key", "choices"),
    [
        ('view = "top"', "view", ("front", "back", "auto")),
        ("view = 1", "view", ("front", "back", "auto")),
        ('view = ["front"]', "view", ("front", "back", "auto")),
        ('recut_facing = "both"', "recut_facing", ("any", "up", "down", "one")),
        ('[pieces.a]\nfacing = "left"', "pieces.a.facing", ("up", "down")),
        ("[pieces.a]\nfacing = {up = true}", "pieces.a.facing", ("up", "down")),
    ],
)
def test_choices_are_listed(job, text, key, choices):
    message = refused(job(text))
    assert key in message
    assert all(repr(c) in message for c in choices)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('[pieces.a]\nkeep = "yes"', ("pieces.a.keep", "true or false")),
        ("[pieces.a]\nkeep = 1", ("pieces.a.keep", "true or false")),
        ("[pieces.a]\nmaterial = 3", ("pieces.a.material", "text")),
        ("sheet = 0.6", ("[sheet]", "table")),
        ("cut = []", ("[cut]", "table")),
        ("pieces = 3", ("[pieces]", "table")),
        ("[pieces]\np01 = 'up'", ("pieces.p01", "table")),
        ("[[pieces]]\nid = 'p01'", ("[pieces]", "table")),
    ],
)
def test_wrong_types_say_what_is_wanted(job, text, words):
    message = refused(job(text))
    assert all(w in message for w in words)


def test_aim_beyond_tolerance(job):
    message = refused(job("tolerance_mm = 0.05\naim_mm = 0.08"))
    assert "aim_mm = 0.08" in message
    assert "tolerance_mm = 0.05" in message
    assert "within the tolerance" in message


def test_aim_below_what_the_veneer_takes_up(job):
    message = refused(job("aim_mm = -0.05\npress_mm = 0.02"))
    assert "aim_mm = -0.05" in message
    assert "press_mm = 0.02" in message


def test_aim_may_equal_the_tolerance(job):
    assert read_job(job("tolerance_mm = 0.05\naim_mm = 0.05")).aim_mm == 0.05


def test_broken_toml_names_the_line(job):
    message = refused(job("tolerance_mm = 0.1\naim_mm 0.03\n"))
    assert "TOML" in message
    assert "line 2" in message


def test_a_file_that_is_not_text(tmp_path):
    path = tmp_path / "job.toml"
    path.write_bytes(b"\xff\xfe\x00\x01\x80")
    assert "TOML" in refused(path)


def test_nesting_without_end(job):
    assert "TOML" in refused(job("a = " + "[" * 5000 + "]" * 5000))


def test_missing_job_and_a_folder(tmp_path):
    assert "cannot read" in refused(tmp_path / "none.toml")
    assert "cannot read" in refused(tmp_path)


@pytest.mark.parametrize("digits", [400, 5000])
def test_a_number_of_hundreds_of_digits_is_refused_in_words(tmp_path, digits):
    path = tmp_path / "job.toml"
    path.write_text("tolerance_mm = " + "9" * digits)
    with pytest.raises(InputError, match=r"job\.toml"):
        read_job(path)


def test_a_byte_order_mark_is_no_fault(tmp_path):
    path = tmp_path / "job.toml"
    path.write_bytes(b"\xef\xbb\xbftolerance_mm = 0.2\n")
    assert read_job(path).tolerance_mm == 0.2


def test_check_slots_by_one_width_or_by_one_each(job):
    assert read_job(job("")).check is None
    assert read_job(job("[check]\nslot_mm = 0.31\n")).check == Check((0.31,), True, 0.005, None)
    each = read_job(job("[check]\nslots_mm = [0.31, 0.3, 0.32, 0.31]\nu_mm = 0.01\ntaper_deg = 1.5\n")).check
    assert each == Check((0.31, 0.3, 0.32, 0.31), False, 0.01, 1.5)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[check]", ("slot_mm", "slots_mm")),
        ("[check]\nslot_mm = 0.3\nslots_mm = [0.3]", ("either slot_mm", "slots_mm")),
        ("[check]\nslot_mm = 0", ("check.slot_mm", "between")),
        ("[check]\nslot_mm = nan", ("check.slot_mm", "number")),
        ("[check]\nslots_mm = []", ("check.slots_mm", "list")),
        ("[check]\nslots_mm = 0.3", ("check.slots_mm", "list")),
        ("[check]\nslots_mm = [0.3, '0.3']", ("check.slots_mm", "number")),
        ("[check]\nslot_mm = 0.3\nu_mm = 0", ("check.u_mm", "between")),
        ("[check]\nslot_mm = 0.3\ntaper_deg = 80", ("check.taper_deg", "between")),
        ("[check]\nslot_mm = 0.3\nwidth = 1", ("check.width", "unknown key", "check.slots_mm")),
        ("check = 0.3", ("[check]", "table")),
    ],
)
def test_check_slots_that_make_no_sense(job, text, words):
    message = refused(job(text))
    assert all(word in message for word in words)


def test_grain_and_cost_of_a_piece(tmp_path):
    path = tmp_path / "job.toml"
    path.write_text('[pieces."*"]\ngrain_deg = 90\n[pieces.sky]\nrecut_cost = 2.5\n', encoding="utf-8")
    sky = read_job(path).settings("sky")
    assert (sky.grain_deg, sky.recut_cost) == (90.0, 2.5)
    assert read_job(path).settings("sea").recut_cost == 1.0
    for wrong, words in (
        ("recut_cost = 0", "recut_cost"),
        ("grain_deg = 700", "grain_deg"),
        ('grain_deg = "x"', "grain_deg"),
    ):
        path.write_text(f"[pieces.sky]\n{wrong}\n", encoding="utf-8")
        with pytest.raises(InputError, match=words):
            read_job(path)
