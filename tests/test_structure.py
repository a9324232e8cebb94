"""The house's directions: who may import whom, and how fast the command answers."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

import gapscan

ROOT = Path(gapscan.__file__).parent
# In the order in which the data flows; a stage imports only what stands before it.
ORDER = (
    "design", "photo", "register", "measure", "solve", "cutting", "recut", "wood", "report", "trials", "sheets",
    "notebook", "rounds", "pipeline", "cli",
)  # fmt: skip
FOR_ALL = {"errors", "job", "job_values", "coordinates", "text", "figures"}
SIMULATE_MAY = {"design", "errors", "job", "simulate"}
MODULES = sorted(p for p in ROOT.rglob("*.py"))


def stage_of(path: Path) -> str:
    return path.relative_to(ROOT).parts[0].removesuffix(".py")


def imported(path: Path) -> set[str]:
    """Stages of gapscan that a module imports anywhere in it, also inside functions and for type checking."""
    names = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {a.name for a in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative imports hide the direction"
            module = node.module or ""
            names |= {f"{module}.{a.name}" for a in node.names} if module == "gapscan" else {module}
    return {n.split(".")[1] for n in names if n.startswith("gapscan.")} - {"__version__"}


def allowed(stage: str) -> set[str]:
    if stage in FOR_ALL:
        return FOR_ALL
    if stage == "simulate":
        return SIMULATE_MAY
    if stage in ("__init__", "__main__"):
        return {"cli"}
    assert stage in ORDER, f"{stage} has no place in the order"
    below = set(ORDER[: ORDER.index(stage) + 1])
    # The demo command shows the simulator's pictures; nothing else of the product leans on it.
    return below | FOR_ALL | ({"simulate"} if stage == "cli" else set())


def test_there_is_something_to_check():
    assert {stage_of(p) for p in MODULES} >= set(ORDER)


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(ROOT)))
def test_a_stage_imports_only_stages_above_it(path):
    stage = stage_of(path)
    # The pipeline hands over what the report's types describe; the writers themselves are called by the commands.
    assert imported(path) <= allowed(stage), f"{path.name} of {stage} imports {imported(path) - allowed(stage)}"


def test_the_simulator_knows_no_measuring_code():
    """It is the judge of the measuring side and must not share its mistakes."""
    code = (
        "import pkgutil, importlib, sys, gapscan.simulate as s\n"
        "for m in pkgutil.iter_modules(s.__path__): importlib.import_module('gapscan.simulate.' + m.name)\n"
        "print([m for m in sys.modules if m.startswith('gapscan.')])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = {name.split(".")[1] for name in ast.literal_eval(done.stdout)}
    assert not loaded & (set(ORDER) - {"design", "cli"})


def test_the_command_answers_without_loading_the_heavy_packages():
    heavy = ("numpy", "cv2", "scipy", "skimage", "shapely", "PIL", "jinja2", "svgelements", "ezdxf")
    code = f"import sys, gapscan.cli.main; print([m for m in {heavy!r} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert ast.literal_eval(done.stdout) == []


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(ROOT)))
def test_modules_stay_readable(path):
    """Past about 300 lines a module is split by operation."""
    assert len(path.read_text(encoding="utf-8").splitlines()) <= 330
