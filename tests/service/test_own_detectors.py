"""A hospital's own detector, from a labelled set to its use and back; a small program trains."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from backends import Backend
from fastapi import FastAPI
from service_calls import list_candidates, mark, next_number, ok, problem, upload_slide, wait_until_ready
from service_slides import draw_slide

from service.settings import Settings
from service.stores import open_stores
from triage.weights import GRAPH_FILE, WEIGHTS_FILE, read_record

STEPS = 10
BLOBS = "b" * 64


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A folder in which files tell the small program what to do."""
    folder = tmp_path_factory.mktemp("told")
    with pytest.MonkeyPatch.context() as patched:
        small = str(Path(__file__).with_name("small_training.py"))
        patched.setattr("service.started.RUN_MODULE", (sys.executable, small))
        patched.setenv("SMALL_TRAINING", str(folder))
        yield folder


@pytest.fixture(scope="module")
def set_id(people: dict[str, httpx.Client]) -> int:
    """A set of two signed-off pictures, one to learn from and one to judge on."""
    reader, specimens = people["reader"], []
    for _ in range(2):
        image = upload_slide(people["assistant"], draw_slide(next_number()))
        for candidate in list_candidates(reader, image)["candidates"]:
            mark(reader, candidate)
        ok(reader.post(f"/api/specimens/{image['specimen_id']}/sign-off", json={}), 201)
        specimens.append(image["specimen_id"])
    splits = iter(("train", "judging"))
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr("triage.labelled_set.choose_split", lambda _: next(splits))
        made = ok(reader.post("/api/labelled-sets", json={"specimen_ids": specimens}), 201)
    return int(made["id"])


@pytest.fixture(scope="module")
def signing(server: str) -> Iterator[httpx.Client]:
    """The veterinarian in a browser: signatures are no program's."""
    with httpx.Client(base_url=server, timeout=60) as client:
        body = {"user_name": "vet", "password": "vet-password"}
        client.headers["X-CSRF-Token"] = ok(client.post("/api/session", json=body), 200)["csrf_token"]
        yield client


@pytest.fixture(scope="module")
def trained(people: dict[str, httpx.Client], set_id: int, told: Path, settings: Settings) -> dict[str, Any]:
    """A detector that loses one object of two.

    Its training was stopped in the middle and gone on with as on another machine, without the first's files.
    """
    vet = people["vet"]
    (told / "wait").touch()
    (told / "lose").write_text("1")
    started = ok(vet.post(f"/api/labelled-sets/{set_id}/trainings", json={"steps": STEPS}), 202)
    halfway = wait_for(vet, started, lambda run: run["step"] is not None)
    assert (halfway["state"], halfway["progress"], halfway["seconds_left"]) == ("training", 0.5, 7.0)
    stopped = ok(vet.post(f"/api/trainings/{started['id']}/stop"), 200)
    assert (stopped["state"], stopped["problem"].startswith("The vet stopped it")) == ("stopped", True)
    problem(vet.post(f"/api/trainings/{started['id']}/stop"), 409)
    database, files = open_stores(settings)
    database.close()
    deadline = time.monotonic() + 90
    while not files.count_checkpoints(started["id"]):
        assert time.monotonic() < deadline, "no checkpoint was kept"
        time.sleep(0.1)
    # While it waits it writes nothing; let go before it is ended, it would write beside the one that goes on.
    process = int((told / "training.train.pid").read_text())
    while is_alive(process):
        assert time.monotonic() < deadline, "the stopped program goes on"
        time.sleep(0.1)
    shutil.rmtree(settings.data_folder / "training-work" / str(started["id"]))
    (told / "wait").unlink()
    ok(vet.post(f"/api/trainings/{started['id']}/again"), 202)
    run = wait_for(vet, started, is_ended)
    assert run["state"] == "ready", run["problem"]
    # They go once nobody can need them: after it is said to be ready.
    deadline = time.monotonic() + 30
    while files.count_checkpoints(started["id"]):
        assert time.monotonic() < deadline, "the checkpoint of an ended training stayed"
        time.sleep(0.1)
    return ok(vet.get(f"/api/detectors/{run['detector_id']}"), 200)


def is_alive(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    return True


def is_ended(run: dict[str, Any]) -> bool:
    return run["state"] in ("ready", "failed", "stopped")


def wait_for(
    client: httpx.Client, run: dict[str, Any], is_so: Callable[[dict[str, Any]], bool], timeout_s: float = 90
) -> dict[str, Any]:
    deadline = time.monotonic() + timeout_s
    while not is_so(now := ok(client.get(f"/api/trainings/{run['id']}"), 200)):
        assert time.monotonic() < deadline, now
        time.sleep(0.1)
    return now


def use(client: httpx.Client, detector: dict[str, Any], **changes: Any) -> httpx.Response:
    body = {"comparison_id": detector["comparisons"][0]["id"], "lost": 1, **changes}
    return client.post(f"/api/detectors/{detector['brief']['id']}/use", json=body)


@pytest.mark.on_both
def test_a_training_leaves_its_record_figures_and_plots(
    trained: dict[str, Any], vet: httpx.Client, set_id: int
) -> None:
    version = ok(vet.get(f"/api/labelled-sets/{set_id}"), 200)
    assert trained["record"]["recipe"]["begun_at"] == STEPS // 2
    assert trained["manifest_sha256"] == version["manifest_sha256"]
    # What was stopped may have come to its end before it was noticed.
    assert trained["curve"]["losses"] == [[5, 2.0]] and trained["curve"]["checks"][-1] == [10, 1.5, 0.5]
    assert (
        trained["figures"]["recall"]["share"] == 0.5 and trained["figures"]["length"]["not_a_number"] is None
    )
    assert trained["plots"] == ["recall", "scores"]
    plot = vet.get(f"/api/detectors/{trained['brief']['id']}/plots/recall.png")
    assert (plot.status_code, plot.headers["content-type"]) == (200, "image/png")
    problem(vet.get(f"/api/detectors/{trained['brief']['id']}/plots/other.png"), 404)


def test_what_is_lost_is_listed_with_its_picture(trained: dict[str, Any], reader: httpx.Client) -> None:
    (comparison,) = trained["comparisons"]
    (lost,) = comparison["lost"]
    assert comparison["may_take_over"] and comparison["is_with_one_in_use"]
    assert ok(reader.get(f"/api/images/{lost['image_id']}"), 200)["state"] == "ready"


@pytest.mark.on_both
def test_a_detector_is_signed_into_use_and_back(
    trained: dict[str, Any],
    signing: httpx.Client,
    assistant: httpx.Client,
    new_image: Callable[..., dict[str, Any]],
    app: FastAPI,
) -> None:
    before = new_image()
    refused = problem(use(signing, trained, lost=0), 409)["detail"]
    assert "lists" in refused or "holds 1 objects" in refused
    signed = ok(use(signing, trained, remark="Looked through the list."), 201)
    assert signed["detector"]["weights_sha256"] == trained["brief"]["weights_sha256"]
    assert (signed["before"]["weights_sha256"], signed["created_by"]["display_name"]) == (BLOBS, "The vet")
    assert signed["manifest_sha256"] == trained["manifest_sha256"]
    problem(use(signing, trained), 409)
    after = new_image()
    kept = list_candidates(assistant, before)["detector"]["weights_sha256"]
    new = list_candidates(assistant, after)["detector"]["weights_sha256"]
    assert (kept, new) == (BLOBS, trained["brief"]["weights_sha256"])
    beside = assistant.post(f"/api/images/{after['id']}/proposals", json={"detector_sha256": BLOBS})
    again = wait_until_ready(assistant, ok(beside, 202)["status_url"])
    assert list_candidates(assistant, again)["detector"]["weights_sha256"] == BLOBS
    assert again["calibration"]["um_per_px"] == after["calibration"]["um_per_px"]
    back = ok(signing.post("/api/detectors/go-back", json={}), 201)
    assert (back["goes_back"], back["detector"]["weights_sha256"]) == (True, BLOBS)
    assert list_candidates(assistant, new_image())["detector"]["weights_sha256"] == BLOBS
    listed = ok(signing.get("/api/detectors"), 200)
    assert [row["is_in_use"] for row in listed["detectors"]] == [False, True]
    assert [row["goes_back"] for row in listed["uses"]] == [True, False]


@pytest.mark.on_both
def test_the_weights_reach_a_second_machine(
    trained: dict[str, Any], settings: Settings, backend: Backend, tmp_path: Path
) -> None:
    """One that has database and store in common with the first, and nothing else; a folder is one machine."""
    elsewhere = (
        settings if backend.name == "folder" else settings.model_copy(update={"data_folder": tmp_path})
    )
    database, files = open_stores(elsewhere)
    database.close()
    sha256 = trained["brief"]["weights_sha256"]
    folder = files.detector(sha256)
    assert folder.is_relative_to(elsewhere.data_folder.absolute())
    assert hashlib.sha256((folder / WEIGHTS_FILE).read_bytes()).hexdigest() == sha256
    assert read_record(folder).weights_sha256 == sha256 and (folder / GRAPH_FILE).is_file()


def test_a_detector_that_may_not_take_over_is_refused(
    trained: dict[str, Any], signing: httpx.Client, vet: httpx.Client, set_id: int, told: Path
) -> None:
    (told / "lose").write_text("2")
    path = f"/api/detectors/{trained['brief']['id']}"
    run = ok(vet.post(f"{path}/comparisons", json={"set_id": set_id}), 202)
    assert wait_for(vet, run, is_ended)["state"] == "ready"
    newest = ok(vet.get(path), 200)["comparisons"][0]
    detail = problem(use(signing, trained, comparison_id=newest["id"], lost=2), 409)["detail"]
    assert "may not take over: 2 lost." in detail
    assert "no comparison 999" in problem(use(signing, trained, comparison_id=999), 409)["detail"]


def test_a_training_that_fails_says_why_without_paths(vet: httpx.Client, set_id: int, told: Path) -> None:
    (told / "refuse").write_text("{folder}/set holds nothing to learn. Make another one.")
    run = ok(vet.post(f"/api/labelled-sets/{set_id}/trainings", json={}), 202)
    ended = wait_for(vet, run, is_ended)
    (told / "refuse").unlink()
    assert (ended["state"], ended["problem"]) == ("failed", "set holds nothing to learn. Make another one.")


def test_only_veterinarians_in_person_sign(
    trained: dict[str, Any], vet: httpx.Client, reader: httpx.Client, set_id: int
) -> None:
    assert "program's token" in problem(use(vet, trained), 403)["detail"]
    problem(reader.post(f"/api/labelled-sets/{set_id}/trainings", json={}), 403)
    path = f"/api/detectors/{trained['brief']['id']}/comparisons"
    problem(reader.post(path, json={"set_id": set_id}), 403)


def test_missing_packages_are_named(vet: httpx.Client, set_id: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("service.started.NEEDED_PACKAGES", ("torch", "no_such_package"))
    detail = problem(vet.post(f"/api/labelled-sets/{set_id}/trainings", json={}), 501)["detail"]
    assert "lacks packages for training (no_such_package)" in detail and "pip install" in detail


def test_a_started_program_ends_with_who_asked_for_it(tmp_path: Path) -> None:
    mark_file = tmp_path / "alive"
    program = f"import pathlib, time\npathlib.Path({str(mark_file)!r}).touch()\ntime.sleep(600)"
    command = [sys.executable, "-m", "service.leash", sys.executable, "-c", program]
    with subprocess.Popen(command, stdin=subprocess.PIPE) as leash:
        while not mark_file.exists():
            time.sleep(0.02)
        assert leash.stdin is not None
        leash.stdin.close()
        assert leash.wait(timeout=60) == 1
