"""Writing the result folder: all files or none."""

from __future__ import annotations

import json
import os
import secrets
import shutil
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from gapscan.errors import InputError
from gapscan.report.archive import fit_json, pieces_csv, seams_csv
from gapscan.report.drawing import recut_svg
from gapscan.report.overlay import overlay_image
from gapscan.report.page import report_html
from gapscan.report.types import Inspection

if TYPE_CHECKING:
    from PIL.Image import Image

FILES = ("fit.json", "pieces.csv", "seams.csv", "overlay.png", "report.html", "recut.svg")
OF_THE_PHOTO = ("overlay.png", "report.html")
PLAN_FILES = tuple(name for name in FILES if name not in OF_THE_PHOTO)


def write_outputs(inspection: Inspection, out_dir: Path) -> None:
    """Write the six result files into ``out_dir``.

    They are made in a folder beside it and put in place when all are there, so that a failure leaves
    ``out_dir`` as it was. A folder that exists keeps whatever else it holds. Killed at any moment, the folder holds
    result files of one run only, and a ``fit.json`` only together with all its others.

    Raises InputError when the folder cannot be written.
    """
    _put_in_place(out_dir, FILES, lambda folder: _write_all(inspection, folder))


def write_plan(inspection: Inspection, record: dict[str, Any], out_dir: Path) -> None:
    """Write the files of a plan made without the photo, in the same way: all of ``PLAN_FILES`` or none.

    Raises InputError when the folder cannot be written, or holds pictures that would show another plan.
    """
    check_plan_writable(out_dir)
    texts = _plan_texts(inspection, record)
    _put_in_place(out_dir, PLAN_FILES, lambda folder: _write_texts(texts, folder))


def check_plan_writable(out_dir: Path) -> None:
    """As :func:`check_writable`, for :func:`write_plan`. Raises InputError."""
    check_writable(out_dir)
    for name in OF_THE_PHOTO:
        if (out_dir / name).exists():
            raise InputError(
                f"{out_dir}: its {name} shows another plan and cannot be drawn again without the photo; "
                "give --out a new folder"
            )


def _put_in_place(out_dir: Path, names: Sequence[str], write: Callable[[Path], None]) -> None:
    check_writable(out_dir)
    try:
        out_dir.parent.mkdir(parents=True, exist_ok=True)
        # Not tempfile.mkdtemp: the folder becomes the result and must have the user's usual permissions.
        staging = out_dir.parent / f".{out_dir.name}-{secrets.token_hex(4)}"
        staging.mkdir()
    except OSError as err:
        raise _unwritable(out_dir, err) from err
    try:
        write(staging)
        if out_dir.is_dir():
            _swap(staging, out_dir, names)
        else:
            os.replace(staging, out_dir)
    except OSError as err:
        raise _unwritable(out_dir, err) from err
    finally:
        shutil.rmtree(staging, ignore_errors=True)


def _swap(staging: Path, out_dir: Path, names: Sequence[str]) -> None:
    """Put the new files in the place of the old ones, the record first out and last in.

    A folder cannot be exchanged at a stroke and keep what else it holds, and file by file two runs would lie mixed in
    between. Raises OSError, the old files back in their places.
    """
    old = staging / "old"
    old.mkdir()
    inward = sorted(names, key=lambda name: name == "fit.json")
    moved: list[tuple[Path, Path]] = []
    try:
        for name in reversed(inward):
            if (out_dir / name).exists():
                os.replace(out_dir / name, old / name)
                moved.append((out_dir / name, old / name))
        for name in inward:
            os.replace(staging / name, out_dir / name)
    except BaseException:  # whatever stopped it, the old files go back
        for name in names:
            if (old / name).exists() or not (staging / name).exists():
                (out_dir / name).unlink(missing_ok=True)
        for place, kept in reversed(moved):
            os.replace(kept, place)
        raise


def check_writable(out_dir: Path) -> None:
    """Find out before the long work whether ``out_dir`` can be made or written; makes nothing. Raises InputError."""
    try:
        held = [place for place in (out_dir, *out_dir.parents) if place.exists()]
    except OSError as err:  # a name too long for the file system
        raise _unwritable(out_dir, err) from err
    if held and not held[0].is_dir():
        raise InputError(f"{held[0]}: is a file, not a folder; give --out another name")
    for name in FILES:
        if (out_dir / name).is_dir():
            raise InputError(f"{out_dir / name}: a folder stands where a result file goes; move it away")
    # The results are made beside the folder, so what holds it must be open to writing as well.
    for folder in held[:2] if out_dir.is_dir() else held[:1]:
        if not os.access(folder, os.W_OK | os.X_OK):
            raise InputError(f"{folder}: cannot write there; change its permissions or give another --out")


def _write_all(inspection: Inspection, folder: Path) -> None:
    record = fit_json(inspection)
    overlay = overlay_image(inspection)
    # Packing the picture leaves the interpreter free for the page meanwhile.
    with ThreadPoolExecutor(max_workers=1) as beside:
        packed = beside.submit(_png, overlay)
        page = {"report.html": report_html(inspection, overlay, record)}
        _write_texts(_plan_texts(inspection, record) | page, folder)
        (folder / "overlay.png").write_bytes(packed.result())


def _png(picture: Image) -> bytes:
    """The picture as PNG. OpenCV packs it in a third of Pillow's time, hardly larger."""
    import cv2

    _, packed = cv2.imencode(".png", cv2.cvtColor(np.asarray(picture), cv2.COLOR_RGB2BGR))
    return packed.tobytes()


def _plan_texts(inspection: Inspection, record: dict[str, Any]) -> dict[str, str]:
    return {
        "fit.json": json.dumps(record, allow_nan=False, ensure_ascii=False, separators=(",", ":")) + "\n",
        "pieces.csv": pieces_csv(record),
        "seams.csv": seams_csv(record),
        "recut.svg": recut_svg(inspection),
    }


def _write_texts(texts: dict[str, str], folder: Path) -> None:
    for name, text in texts.items():
        # Half a surrogate pair (from a file name that is not UTF-8) must not stop the whole result.
        (folder / name).write_text(text, encoding="utf-8", errors="replace", newline="\n")


def _unwritable(out_dir: Path, err: OSError) -> InputError:
    reason = err.strerror or err
    return InputError(f"{out_dir}: cannot write the results ({reason}); free space or give another --out")
