"""The `coverslip` program: help everywhere, exit codes, one sentence on stderr, JSON on stdout."""

from __future__ import annotations

import json
import subprocess
import sys
import tomllib
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import click
import numpy as np
import pytest
import typer
from numpy.typing import NDArray
from PIL import Image
from typer.testing import CliRunner

from service.accounts import Accounts
from service.cli import app
from service.settings import Settings
from service.store.database import Database
from triage.groups import read_groups
from triage.records import Detections

ROOT = Path(__file__).parents[1]
PROGRAM = typer.main.get_command(app)


class OneBoxDetector:
    """Proposes one box in the middle of each tile; enough to see what the command does with it."""

    name, weights_sha256, um_per_px, tile_px = "one box", "0" * 64, 1.0, 512
    record = SimpleNamespace(default_cut=0.5)

    def detect(self, tiles: NDArray[np.uint8], um_per_px: object = None) -> list[Detections]:
        n_groups = len(read_groups())
        one = Detections(
            np.array([[20.0, 20, 60, 60]]),
            np.array([0.7]),
            np.full((1, n_groups), 1 / n_groups),
            np.array([[40.0, 40, 40, 40, 0]]),
        )
        return [one for _ in tiles]


@pytest.fixture
def picture(tmp_path: Path) -> Path:
    path = tmp_path / "field.png"
    Image.new("RGB", (120, 100), (200, 190, 180)).save(path)
    return path


@pytest.fixture
def detector(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("triage.detector.load_detector", lambda folder, **options: OneBoxDetector())


def run(*arguments: object) -> Any:
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


def list_commands(command: click.Command, path: tuple[str, ...] = ()) -> list[tuple[str, ...]]:
    children = getattr(command, "commands", {})
    return [path, *(one for name, child in children.items() for one in list_commands(child, (*path, name)))]


def test_the_program_has_these_commands() -> None:
    commands = {" ".join(path) for path in list_commands(PROGRAM)}
    assert commands >= {"propose", "demo", "serve", "settings", "add-person"}


def test_the_program_says_its_version() -> None:
    stated = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["version"]
    result = run("--version")
    assert (result.exit_code, result.stdout) == (0, f"coverslip-triage {stated}\n")


@pytest.mark.parametrize("command", list_commands(PROGRAM), ids=" ".join)
def test_every_command_has_help(command: tuple[str, ...]) -> None:
    result = run(*command, "--help")
    assert result.exit_code == 0
    assert "Usage:" in result.stdout and len(result.stdout.splitlines()) > 4


@pytest.mark.parametrize(
    "arguments",
    [
        ("propose",),
        ("calibrate", "ruling.png"),
        ("propose", "--um-per-px", "wide", "a.png"),
        ("propose", "--unknown", "a.png"),
        ("unknown",),
        ("demo", "--port", "65536"),
        ("serve", "--port", "1"),
        ("add-person", "ann"),
        ("settings", "extra"),
    ],
)
def test_wrong_usage_exits_with_2(arguments: tuple[str, ...]) -> None:
    result = run(*arguments)
    assert result.exit_code == 2
    assert "Usage:" in result.stderr


@pytest.mark.usefixtures("detector")
def test_propose_prints_one_object_for_one_image(picture: Path) -> None:
    result = run("propose", picture, "--um-per-px", "0.5")
    assert (result.exit_code, result.stderr) == (0, "")
    value = json.loads(result.stdout)
    assert value["image"]["file_name"] == "field.png"
    assert value["calibration"] == {"um_per_px": 0.5, "um_per_px_sd": 0.01, "source": "given by the caller"}
    assert value["candidates"][0]["rank"] == 1


@pytest.mark.usefixtures("detector")
def test_propose_says_what_the_objective_can_not_show(picture: Path) -> None:
    result = run("propose", picture, "--um-per-px", "0.2", "--objective", "4x/0.1")
    adequacy = json.loads(result.stdout)["adequacy"]
    assert adequacy["objective"] == {
        "magnification": 4,
        "numerical_aperture": 0.1,
        "is_aperture_usual": False,
    }
    limited = {one["group"]: one["limited_by"] for one in adequacy["groups"] if one["limited_by"]}
    assert limited == {"spirurid_egg": ["optics"], "oocyst": ["optics"], "giardia_cyst": ["optics"]}
    assert adequacy["groups_not_resolvable"] == list(limited)


@pytest.mark.usefixtures("detector")
def test_propose_prints_an_array_for_several_images(picture: Path) -> None:
    value = json.loads(run("propose", picture, picture).stdout)
    assert [one["image"]["width"] for one in value] == [120, 120]
    assert value[0]["calibration"] is None


@pytest.mark.usefixtures("detector")
def test_propose_writes_to_a_file_what_it_would_print(picture: Path, tmp_path: Path) -> None:
    result = run("propose", picture, "--out", tmp_path / "out.json")
    assert (result.exit_code, result.stdout) == (0, "")
    assert (tmp_path / "out.json").read_text(encoding="utf-8") == run("propose", picture).stdout


@pytest.mark.usefixtures("detector")
@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "holds zero bytes"),
        (b"some text", "is no picture that can be read"),
        (b"\xff\xd8\xff\xe0", "cut short"),
    ],
)
def test_propose_refuses_bad_input_with_one_line(tmp_path: Path, content: bytes, message: str) -> None:
    path = tmp_path / "bad.jpg"
    path.write_bytes(content)
    result = run("propose", path)
    assert (result.exit_code, result.stdout) == (1, "")
    assert message in result.stderr and result.stderr.count("\n") == 1


@pytest.mark.usefixtures("detector")
@pytest.mark.parametrize(
    ("options", "message"),
    [
        (("--um-per-px", "0"), "Calibration gives 0.0 µm per pixel"),
        (("--um-per-px", "-1"), "Calibration gives -1.0 µm per pixel"),
        (("--um-per-px-sd", "0.1"), "given without a scale"),
        (("--objective", "low"), "The objective is 'low'; it must name its magnification and aperture."),
        (("--out", "/no/such/folder/out.json"), "No such file or directory"),
        (("--host", "horse"), "The host is 'horse'"),
    ],
)
def test_propose_refuses_bad_options_with_one_line(
    picture: Path, options: tuple[str, ...], message: str
) -> None:
    result = run("propose", picture, *options)
    assert (result.exit_code, result.stdout) == (1, "")
    assert message in result.stderr and result.stderr.count("\n") == 1


def test_propose_refuses_a_folder_without_weights(picture: Path, tmp_path: Path) -> None:
    result = run("propose", picture, "--weights", tmp_path)
    assert result.exit_code == 1
    assert str(tmp_path) in result.stderr and result.stderr.count("\n") == 1


@pytest.mark.parametrize(
    ("name", "value", "message"),
    [
        ("PORT", "abc", "COVERSLIP_PORT is 'abc'; it must be a whole number, at least 0, at most 65535. "),
        ("PORT", "65536", "COVERSLIP_PORT is '65536'; it must be a whole number"),
        ("WORKERS", "-1", "COVERSLIP_WORKERS is '-1'; it must be a whole number, at least 0, at most 64. "),
        ("SESSION_HOURS", "0", "COVERSLIP_SESSION_HOURS is '0'; it must be a number, above 0, at most 744. "),
        ("SECURE_COOKIES", "perhaps", "COVERSLIP_SECURE_COOKIES is 'perhaps'; it must be true or false. "),
        ("EXECUTOR_ID", "", "COVERSLIP_EXECUTOR_ID is ''; it must be text, of 1 or more characters. "),
    ],
)
def test_serve_refuses_a_bad_setting_with_one_line(
    name: str, value: str, message: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(f"COVERSLIP_{name}", value)
    result = run("serve")
    assert (result.exit_code, result.stdout) == (1, "")
    assert message in result.stderr and "unset it to take the default" in result.stderr
    assert result.stderr.count("\n") == 1


def test_secret_that_is_too_short_is_not_printed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COVERSLIP_SESSION_SECRET", "hush-hush")
    result = run("serve")
    assert result.exit_code == 1
    assert "COVERSLIP_SESSION_SECRET must have 32 characters or more, received 9" in result.stderr
    assert "hush" not in result.stderr


def test_settings_names_every_variable_with_its_meaning() -> None:
    said = run("settings").stdout
    for name, field in Settings.model_fields.items():
        assert f"COVERSLIP_{name.upper()}\n    {field.description} Default: " in said


@pytest.fixture
def add_person(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., Any]:
    monkeypatch.setenv("COVERSLIP_DATA_FOLDER", str(tmp_path / "data"))

    def _add(user_name: str, password: str, role: str = "reader") -> Any:
        monkeypatch.setenv("COVERSLIP_NEW_PASSWORD", password)
        return run("add-person", user_name, "--display-name", "Ann Lee", "--role", role)

    return _add


def test_added_person_can_sign_in(add_person: Callable[..., Any], tmp_path: Path) -> None:
    result = add_person("ann", "tall grass 17")
    assert (result.exit_code, result.stderr) == (0, "")
    assert result.stdout == "Ann Lee can sign in as ann (reader).\n"
    database = Database(Settings(data_folder=tmp_path / "data").records_url())
    accounts = Accounts(database, b"k" * 32, session_hours=1, tries_per_minute=9)
    assert accounts.sign_in("ann", "tall grass 17", address="127.0.0.1").user.role == "reader"
    database.close()


@pytest.mark.parametrize(
    ("user_name", "password", "role", "message"),
    [
        ("bo", "short", "reader", "The password has 5 characters; use 10 or more."),
        ("bo", "tall grass 17", "owner", "There is no role 'owner'. Use one of: assistant"),
        ("ann", "tall grass 17", "reader", "There is a user named 'ann' already. Choose another"),
    ],
)
def test_add_person_refuses_with_one_line(
    add_person: Callable[..., Any], user_name: str, password: str, role: str, message: str
) -> None:
    assert add_person("ann", "tall grass 17").exit_code == 0
    result = add_person(user_name, password, role)
    assert (result.exit_code, result.stdout) == (1, "")
    assert message in result.stderr and result.stderr.count("\n") == 1


def test_help_starts_without_heavy_imports() -> None:
    code = (
        "import sys, service.cli; heavy = ('torch', 'onnxruntime', 'pyvips', 'scipy', 'fastapi'); "
        "print([name for name in heavy if name in sys.modules])"
    )
    result = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT
    )
    assert result.stdout.strip() == "[]"
