"""The demo in a process of its own: what it prints works, and it leaves nothing behind."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from service_calls import list_candidates, ok

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where the demo puts its temporary files."""
    return tmp_path_factory.mktemp("demo")


@pytest.fixture(scope="module")
def demo(folder: Path) -> Iterator[tuple[subprocess.Popen[str], list[str]]]:
    """The running demo, and the lines that it printed."""
    places = os.pathsep.join((str(ROOT), str(ROOT / "tests" / "service")))
    environment = os.environ | {"PYTHONPATH": places, "OMP_NUM_THREADS": "1", "TMPDIR": str(folder)}
    script = str(Path(__file__).with_name("small_demo.py"))
    process = subprocess.Popen([sys.executable, script], env=environment, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    lines: list[str] = []
    try:
        for line in process.stdout:
            lines.append(line.rstrip())
            if "veterinarian decides" in line:
                break
        yield process, lines
    finally:
        process.kill()
        process.wait()
        process.stdout.close()


def _address(lines: list[str]) -> str:
    return next(line.removeprefix("Ready: ") for line in lines if line.startswith("Ready: "))


def _logins(lines: list[str]) -> dict[str, tuple[str, str]]:
    """Password and role of each printed user name."""
    found = [re.fullmatch(r"  (\w+) +(\S+)  .+, (\w+)", line) for line in lines]
    return {one[1]: (one[2], one[3]) for one in found if one}


def test_readme_shows_what_the_demo_prints(demo: tuple[subprocess.Popen[str], list[str]]) -> None:
    _, lines = demo
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    shown = next(block for block in readme.split("```") if block.startswith("text\n")).splitlines()[1:]
    said_anew = re.compile(r"(?<=:)\d{4,5}$|demo-[0-9a-f]{8}")
    assert [said_anew.sub("", line) for line in shown] == [said_anew.sub("", line) for line in lines]


def test_demo_prints_logins_of_every_role_at_the_bench_that_work(
    demo: tuple[subprocess.Popen[str], list[str]],
) -> None:
    _, lines = demo
    logins = _logins(lines)
    assert {role for _, role in logins.values()} == {"administrator", "assistant", "reader", "veterinarian"}
    with httpx.Client(base_url=_address(lines), timeout=60) as client:
        for user_name, (password, role) in logins.items():
            signed_in = ok(
                client.post("/api/session", json={"user_name": user_name, "password": password}), 200
            )
            assert signed_in["user"]["role"] == role


def test_demo_slides_are_ready_with_candidates_and_one_has_no_scale(
    demo: tuple[subprocess.Popen[str], list[str]],
) -> None:
    _, lines = demo
    user_name, (password, _) = next(iter(_logins(lines).items()))
    with httpx.Client(base_url=_address(lines), timeout=60) as client:
        ok(client.post("/api/session", json={"user_name": user_name, "password": password}), 200)
        listed = ok(client.get("/api/specimens"), 200)
        images = [
            image
            for one in listed
            for preparation in ok(client.get(f"/api/specimens/{one['id']}"), 200)["preparations"]
            for image in preparation["images"]
        ]
        assert len(listed) == len(images) == 3
        assert {image["state"] for image in images} == {"ready"}
        assert all(list_candidates(client, image)["candidates"] for image in images)
        browsers = {one["browser"] for one in ok(client.get("/api/sign-ins"), 200)}
    assert sum(image["calibration"] is None for image in images) == 1
    # What filed the slides stands by its name in the list of that person's sign-ins.
    assert any(browser == "coverslip demo" for browser in browsers), browsers


def test_demo_has_a_stage_micrometer_to_calibrate_with(
    demo: tuple[subprocess.Popen[str], list[str]],
) -> None:
    _, lines = demo
    user_name, (password, _) = next(iter(_logins(lines).items()))
    with httpx.Client(base_url=_address(lines), timeout=120) as client:
        signed_in = ok(client.post("/api/session", json={"user_name": user_name, "password": password}), 200)
        headers = {"X-CSRF-Token": signed_in["csrf_token"]}
        (picture,) = ok(client.get("/api/calibration-pictures"), 200)
        asked = {"method": "ruling", "division_um": 10}
        path = f"/api/calibration-pictures/{picture['id']}/measurements"
        found = ok(client.post(path, json=asked, headers=headers), 201)
        (on_record,) = ok(client.get("/api/calibrations"), 200)
    assert found["um_per_px_x"] == pytest.approx(on_record["um_per_px"], rel=0.003)
    assert (picture["width"], picture["height"]) == (on_record["image_width"], on_record["image_height"])


def test_demo_has_slides_to_practise_on(demo: tuple[subprocess.Popen[str], list[str]]) -> None:
    _, lines = demo
    user_name, (password, _) = next(iter(_logins(lines).items()))
    with httpx.Client(base_url=_address(lines), timeout=60) as client:
        ok(client.post("/api/session", json={"user_name": user_name, "password": password}), 200)
        (collection,) = ok(client.get("/api/practice-collections"), 200)
    assert len(collection["slides"]) == 4 and not collection["is_own"]


def test_demo_ends_at_an_interrupt_and_removes_its_folder(
    demo: tuple[subprocess.Popen[str], list[str]], folder: Path
) -> None:
    process, _ = demo
    assert [path.name for path in folder.glob("coverslip-demo-*")]
    process.send_signal(signal.SIGINT)
    assert process.wait(timeout=120) == 0
    assert not [*folder.glob("coverslip-demo-*")]
