"""The wheel carries everything that a bare machine needs, and no tests."""

from __future__ import annotations

import shutil
import subprocess
import sys
import zipfile
from importlib import metadata
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGES = ("triage", "service", "training")
LEFT_OUT = shutil.ignore_patterns("__pycache__", "*.pyc", "*.md")


@pytest.fixture(scope="module")
def sources(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy to build from, since building writes beside the sources; `tests` comes along."""
    folder = tmp_path_factory.mktemp("sources")
    for name in (*PACKAGES, "tests"):
        shutil.copytree(ROOT / name, folder / name, ignore=LEFT_OUT)
    for name in ("pyproject.toml", "README.md", "LICENSE"):
        shutil.copy(ROOT / name, folder)
    return folder


@pytest.fixture(scope="module")
def packed(sources: Path) -> set[str]:
    """Names of the files in the wheel."""
    command = [sys.executable, "-m", "pip", "wheel", ".", "--no-deps", "--quiet", "-w", "built"]
    if has_build_tools():
        command.append("--no-build-isolation")
    result = subprocess.run(command, cwd=sources, capture_output=True, text=True)
    assert result.returncode == 0, result.stderr
    (wheel,) = (sources / "built").glob("*.whl")
    with zipfile.ZipFile(wheel) as archive:
        return set(archive.namelist())


def has_build_tools() -> bool:
    """Whether the setuptools that is installed can build without fetching a newer one."""
    try:
        return int(metadata.version("setuptools").split(".")[0]) >= 77
    except metadata.PackageNotFoundError:
        return False


@pytest.mark.parametrize("package", PACKAGES)
def test_wheel_carries_every_file_of_the_package(sources: Path, packed: set[str], package: str) -> None:
    files = (path for path in (sources / package).rglob("*") if path.is_file())
    assert {path.relative_to(sources).as_posix() for path in files} - packed == set()


@pytest.mark.parametrize(
    "name",
    [
        "triage/data/groups.csv",
        "triage/data/morphometrics.csv",
        "triage/data/detector/detector.onnx",
        "triage/data/detector/detector.safetensors",
        "triage/data/detector/record.json",
        "service/web/templates/reading.html",
        "service/web/static/js/reading/main.js",
        "service/migrations/script.py.mako",
    ],
)
def test_wheel_carries_weights_pages_and_migrations(packed: set[str], name: str) -> None:
    assert name in packed


def test_wheel_carries_the_licence(packed: set[str]) -> None:
    assert any(name.endswith(".dist-info/licenses/LICENSE") for name in packed)


def test_wheel_carries_nothing_else(packed: set[str]) -> None:
    tops = {name.split("/")[0] for name in packed if ".dist-info/" not in name}
    assert tops == set(PACKAGES)
