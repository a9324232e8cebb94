import html
import json
import os
import re
import shutil
import subprocess
from html.parser import HTMLParser

import pytest

from gapscan.errors import InputError
from gapscan.report import writers
from gapscan.report.writers import FILES, check_writable, write_outputs
from tests.report.specimens import grid_inspection


def snapshot(folder):
    return {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}


def test_all_six_files(board, tmp_path):
    out = tmp_path / "deep" / "result"
    write_outputs(board, out)
    assert sorted(path.name for path in out.iterdir()) == sorted(FILES)
    assert [path.name for path in out.parent.iterdir()] == ["result"]
    record = json.loads((out / "fit.json").read_text(encoding="utf-8"))
    assert record["schema"] == "gapscan.fit/1"


def test_other_files_stay(board, tmp_path):
    (tmp_path / "notes.txt").write_text("mine")
    (tmp_path / "recut.svg").write_text("old")
    write_outputs(board, tmp_path)
    assert (tmp_path / "notes.txt").read_text() == "mine"
    assert (tmp_path / "recut.svg").read_text().startswith("<?xml")


@pytest.mark.parametrize("there", [True, False])
@pytest.mark.parametrize("stage", ["overlay_image", "report_html", "recut_svg"])
def test_a_failure_midway_changes_nothing(board, tmp_path, monkeypatch, stage, there):
    out = tmp_path / "result"
    if there:
        write_outputs(board, out)
    before = snapshot(out) if there else None

    def fail(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(writers, stage, fail)
    with pytest.raises(InputError, match=r"result: cannot write the results \(No space left on device\)"):
        write_outputs(grid_inspection(recut=0), out)
    assert (snapshot(out) if out.exists() else None) == before
    assert [path.name for path in tmp_path.iterdir()] == (["result"] if there else [])


def test_a_defect_leaves_no_litter_either(board, tmp_path, monkeypatch):
    def fail(*_):
        raise ZeroDivisionError

    monkeypatch.setattr(writers, "report_html", fail)
    with pytest.raises(ZeroDivisionError):
        write_outputs(board, tmp_path / "result")
    assert list(tmp_path.iterdir()) == []


def test_unusable_places(board, tmp_path):
    file = tmp_path / "file"
    file.write_text("")
    with pytest.raises(InputError, match="is a file, not a folder"):
        check_writable(file)
    with pytest.raises(InputError, match="file: is a file, not a folder"):
        write_outputs(board, file / "result")
    (tmp_path / "result" / "fit.json").mkdir(parents=True)
    with pytest.raises(InputError, match=r"fit\.json: a folder stands"):
        write_outputs(board, tmp_path / "result")


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_read_only_folder(board, tmp_path):
    tmp_path.chmod(0o500)
    with pytest.raises(InputError, match="permissions"):
        write_outputs(board, tmp_path)
    tmp_path.chmod(0o700)


class Page(HTMLParser):
    def __init__(self, text):
        super().__init__()
        self.tags, self.links, self.text = [], [], []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.links += [value for name, value in attrs if name in {"src", "href", "action", "srcset"}]

    def handle_data(self, data):
        self.text.append(data)


def test_page_is_self_contained_and_escaped(hostile, tmp_path):
    write_outputs(hostile, tmp_path)
    text = (tmp_path / "report.html").read_text(encoding="utf-8")
    page = Page(text)
    assert "script" not in page.tags
    assert [link[:23] for link in page.links] == ["data:image/jpeg;base64,"]
    assert "url(http" not in text
    assert "@import" not in text
    words = "".join(page.text)
    assert "<script>alert(1)</script>" in words
    assert 'leaf 🍂 "x" & [red]' in words
    assert words.index("Recut") < words.index("Take care")
    assert len(text.encode()) < 2_500_000


def test_page_says_not_seen_and_never_nan(board, tmp_path):
    write_outputs(board, tmp_path)
    words = "".join(Page((tmp_path / "report.html").read_text(encoding="utf-8")).text)
    assert "not seen" in words
    assert "nan" not in words.replace("finance", "").lower().split()
    assert "None" not in words
    assert "0.085 ± 0.008" in words


def test_page_without_recuts(tmp_path):
    write_outputs(grid_inspection(recut=0), tmp_path)
    assert "Nothing to recut" in (tmp_path / "report.html").read_text(encoding="utf-8")


@pytest.mark.skipif(shutil.which("chromium") is None, reason="needs chromium")
@pytest.mark.parametrize("width_px", [390, 1440])
def test_page_fits_its_window(hostile, tmp_path, width_px):
    write_outputs(hostile, tmp_path)
    # A window cannot be made as narrow as a phone, a frame in it can; the probe tells how wide its page is.
    page = html.escape((tmp_path / "report.html").read_text(encoding="utf-8"))
    (tmp_path / "probe.html").write_text(
        '<meta charset="utf-8"><p id="w"></p>'
        f'<iframe style="width:{width_px}px;height:900px;border:0" '
        'onload="const d = this.contentDocument.documentElement; '
        "w.textContent = 'content ' + d.scrollWidth + ' window ' + d.clientWidth\" "
        f'srcdoc="{page}"></iframe>',
        encoding="utf-8",
    )
    dom = subprocess.run(
        ["chromium", "--headless", "--no-sandbox", "--disable-gpu",
         f"--user-data-dir={tmp_path / 'profile'}", "--virtual-time-budget=3000", "--dump-dom",
         (tmp_path / "probe.html").as_uri()],
        capture_output=True, text=True, timeout=60, check=True,
    ).stdout  # fmt: skip
    content, window = map(int, re.search(r"content (\d+) window (\d+)", dom).groups())
    assert width_px - 20 <= window <= width_px  # a scroll bar may stand beside it
    assert content == window
