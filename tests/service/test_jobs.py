"""Background work that survives kills and crashes, in a service of its own process."""

from __future__ import annotations

import hashlib
import io
import os
import signal
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pytest
from blob_detector import CRASH_COLOUR, BlobDetector
from PIL import Image
from service_calls import (
    find_free_port,
    list_candidates,
    ok,
    problem,
    specimen_body,
    upload_slide,
    wait_until_ready,
)
from service_slides import draw_slide
from undisturbed import CALLS_IN_A_BATCH, GRID, draw_grid, is_as_undisturbed

from service.errors import WorkError
from service.jobs import progress_of
from service.steps import DetectorSource, Task
from service.store.models import Job
from service.workers import ChildWorker
from triage.errors import ImageError
from triage.tiles import BATCH_TILES

ROOT = Path(__file__).resolve().parents[2]
PYTHON_PATH = os.pathsep.join(filter(None, (str(ROOT), os.environ.get("PYTHONPATH"))))
# `COVERSLIP_TEST_KILLS=100 pytest -n 0 -s tests/service/test_jobs.py -k killed` kills as often as is asked.
KILLS = int(os.environ.get("COVERSLIP_TEST_KILLS", "2"))
SEED = int(os.environ.get("COVERSLIP_TEST_SEED", "1"))
# How long after the beginning of each phase the service is killed at most.
LONGEST_WAIT_S = {"upload": 0.1, "pyramid": 0.3, "propose": 0.7, "merge": 0.5}
BATCHES_OF_GRID = 4


@contextmanager
def _service(
    folder: Path, *, calls_before_hang: int | None = None, weights: str = "b" * 64, workers: int = 1
) -> Iterator[tuple[subprocess.Popen[bytes], httpx.Client]]:
    """A service in a process of its own, and a reader who is signed in to it."""
    script = str(Path(__file__).with_name("blob_detector.py"))
    port = find_free_port()
    options = ["--data", str(folder), "--port", str(port), "--weights", weights]
    if calls_before_hang is not None:
        options += ["--calls-before-hang", str(calls_before_hang)]
    environment = os.environ | {"PYTHONPATH": PYTHON_PATH, "OMP_NUM_THREADS": "1"}
    environment["COVERSLIP_WORKERS"] = str(workers)
    process = subprocess.Popen([sys.executable, script, *options], env=environment)
    try:
        with httpx.Client(base_url=f"http://127.0.0.1:{port}", timeout=60) as client:
            _wait_for_health(process, client)
            body = {"user_name": "reader", "password": "reader-password"}
            client.headers["X-CSRF-Token"] = ok(client.post("/api/session", json=body), 200)["csrf_token"]
            yield process, client
    finally:
        process.kill()
        process.wait()


def _wait_for_health(process: subprocess.Popen[bytes], client: httpx.Client) -> None:
    for _ in range(1200):
        assert process.poll() is None, "the service ended at its start"
        try:
            client.get("/api/health")
            return
        except httpx.TransportError:
            time.sleep(0.1)
    raise AssertionError("the service did not start")


def _begin(client: httpx.Client, picture: bytes) -> str:
    specimen = ok(client.post("/api/specimens", json=specimen_body()), 201)
    path = f"/api/preparations/{specimen['preparations'][0]['id']}/images"
    answer = client.post(path, params={"file_name": "slide.png", "um_per_px": 0.5}, content=picture)
    url: str = ok(answer, 202)["status_url"]
    return url


def _wait_for_progress(client: httpx.Client, status_url: str, *, beyond: float) -> float:
    """Wait until the batch before the detector hangs is done; returns the progress."""
    for _ in range(2400):
        image = ok(client.get(status_url), 200)
        assert image["state"] in ("waiting", "proposing"), image
        if image["progress"] > beyond:
            return float(image["progress"])
        time.sleep(0.05)
    raise AssertionError(f"no progress: {image}")


@dataclass(frozen=True)
class Revived:
    """A service that was killed and stopped while it searched and checked, started for the third time.

    Attributes
    ----------
    batches : tuple of Path
        What was found in the picture before the third start.
    searched, sent : bytes
        The picture that was being searched, and the one whose upload was being checked.
    status_url, upload_url : str
        Of the two.
    """

    batches: tuple[Path, ...]
    process: subprocess.Popen[bytes]
    client: httpx.Client
    searched: bytes
    sent: bytes
    status_url: str
    upload_url: str


@pytest.fixture(scope="module")
def revived(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Revived]:
    """Of one start after the other, for the tests that need such a service or a plain one."""
    folder, searched, sent = tmp_path_factory.mktemp("revived"), draw_grid(990), _large_png(1)
    with _service(folder / "data", calls_before_hang=CALLS_IN_A_BATCH) as (process, client):
        status_url = _begin(client, searched)
        progress = _wait_for_progress(client, status_url, beyond=0.2)
        upload_url = _send(client, sent)
        process.send_signal(signal.SIGKILL)
        process.wait(timeout=60)
    kept = _batches_kept(folder)
    with _service(folder / "data", calls_before_hang=CALLS_IN_A_BATCH) as (process, client):
        assert ok(client.get(status_url), 200)["progress"] >= progress
        _wait_for_progress(client, status_url, beyond=progress)
        process.send_signal(signal.SIGTERM)
        assert process.wait(timeout=60) in (0, -signal.SIGTERM)
    batches = _batches_kept(folder)
    assert kept.items() < batches.items(), "a batch was done again, or none was added"
    with _service(folder / "data") as (process, client):
        yield Revived(tuple(batches), process, client, searched, sent, status_url, upload_url)


def test_job_stopped_again_and_again_ends_in_the_same_candidates(revived: Revived, tmp_path: Path) -> None:
    image = wait_until_ready(revived.client, revived.status_url, timeout_s=240)
    assert is_as_undisturbed(list_candidates(revived.client, image), revived.searched, tmp_path)
    assert not any(path.exists() for path in revived.batches)


def test_upload_whose_check_was_killed_is_checked_again_and_stored(revived: Revived) -> None:
    upload = _wait_until_checked(revived.client, revived.upload_url, lambda: None)
    assert (upload["state"], upload["problem"]) == ("stored", None)
    assert revived.client.get(f"{upload['image_url']}/original").content == revived.sent
    # The next tests need not wait until it has been searched.
    revived.client.post(f"{upload['image_url']}/proposals/stop")


def test_crash_of_the_decoder_refuses_that_upload_alone(revived: Revived) -> None:
    client = revived.client
    url = _send(client, _large_png(2))
    upload = _wait_until_checked(client, url, lambda: _crash_children(revived.process.pid))
    assert upload["state"] == "refused"
    assert "grain.png made the decoder fail (signal SIGSEGV), so it was not taken" in upload["problem"]
    assert _wait_until_checked(client, _send(client, draw_slide(995)), lambda: None)["state"] == "stored"
    assert revived.process.poll() is None


def test_crash_at_one_picture_leaves_the_service_and_other_pictures_alone(revived: Revived) -> None:
    client = revived.client
    crashed = upload_slide(client, _crashing_slide())
    assert crashed["state"] == "failed"
    assert "made the worker fail 3 times" in crashed["problem"]
    assert upload_slide(client, draw_slide(991))["state"] == "ready"
    assert revived.process.poll() is None
    sign_off = client.post(f"/api/specimens/{crashed['specimen_id']}/sign-off", json={})
    assert problem(sign_off, 409)["not_ready"] == [crashed["id"]]


def test_search_stopped_by_a_person_stays_so_and_one_begun_with_other_weights_is_done_anew(
    tmp_path: Path,
) -> None:
    picture = draw_grid(996)
    # One worker hangs at each.
    with _service(tmp_path / "data", calls_before_hang=CALLS_IN_A_BATCH, workers=2) as (_, client):
        status_url, begun_url = _begin(client, picture), _begin(client, draw_grid(994))
        for url in (status_url, begun_url):
            _wait_for_progress(client, url, beyond=0.2)
        so_far = ok(client.get(f"{status_url}/proposals/so-far"), 200)
        assert so_far["is_provisional"] and so_far["tiles_done"] == BATCH_TILES < so_far["tiles_total"]
        assert so_far["seconds_left"] > 0 and 0 < len(so_far["candidates"]) < len(GRID)
        assert set(so_far["candidates"][0]) == {"bbox", "score", "group"}
        assert ok(client.get(f"{status_url}/candidates"), 200)["candidates"] == []
        problem(client.post(f"{status_url}/proposals/again"), 409)
        stopped = ok(client.post(f"{status_url}/proposals/stop"), 200)
        assert stopped["state"] == "stopped" and "Try again" in stopped["problem"]
        problem(client.post(f"{status_url}/proposals/stop"), 409)
    with _service(tmp_path / "data", weights="c" * 64) as (_, client):
        begun = list_candidates(client, wait_until_ready(client, begun_url))
        assert begun["detector"]["weights_sha256"] == "c" * 64
        assert len(begun["candidates"]) >= len(GRID)
        assert ok(client.get(status_url), 200)["state"] == "stopped"
        assert ok(client.get(f"{status_url}/proposals/so-far"), 200)["candidates"] == []
        ok(client.post(f"{status_url}/proposals/again"), 202)
        answer = list_candidates(client, wait_until_ready(client, status_url))
    assert is_as_undisturbed(answer, picture, tmp_path)
    assert _batches_kept(tmp_path) == {}


def test_killed_at_random_moments_ends_in_the_same_candidates(tmp_path: Path) -> None:
    generator, feeding = np.random.default_rng(SEED), Feeding(tmp_path / "data")
    met: Counter[str] = Counter()
    for number in range(KILLS):
        aimed = min(LONGEST_WAIT_S, key=met.__getitem__)
        with _service(tmp_path / "data") as (process, client):
            # Every other time the worker has been started by an earlier picture, so that all goes fast.
            n_before = feeding.n_ready + (number // len(LONGEST_WAIT_S)) % 2
            wait_s = generator.uniform(0, LONGEST_WAIT_S[aimed])
            killing = threading.Thread(target=_kill, args=(process, feeding, aimed, n_before, wait_s, met))
            killing.start()
            with pytest.raises(httpx.TransportError):
                feeding.go_on(client)
            killing.join()
    print(f"{KILLS} kills in {dict(met)} of {len(feeding.specimens)} pictures")
    with _service(tmp_path / "data") as (_, client):
        for index, specimen in enumerate(feeding.specimens):
            picture = feeding.draw(index)
            image = wait_until_ready(client, _upload(client, picture, specimen), timeout_s=240)
            assert is_as_undisturbed(list_candidates(client, image), picture, tmp_path)
            (preparation,) = ok(client.get(f"/api/specimens/{specimen['id']}"), 200)["preparations"]
            assert [one["id"] for one in preparation["images"]] == [image["id"]]
    assert feeding.specimens and _batches_kept(tmp_path) == {}
    for kind in ("originals", "pyramids"):
        kept = [path for path in (tmp_path / "data" / kind).rglob("*") if path.is_file()]
        assert len(kept) == len(feeding.specimens), kind
    assert sum(met.values()) == KILLS
    assert KILLS < 40 or min(met[name] for name in LONGEST_WAIT_S) >= KILLS // 10


class Feeding:
    """Uploads a picture of its own to each new specimen, once the one before has its candidates, for ever."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._is_sending, self._sha256 = False, ""
        self.specimens: list[dict[str, Any]] = []
        self.n_ready = 0

    def draw(self, index: int) -> bytes:
        return draw_grid(2000 + index)

    def go_on(self, client: httpx.Client) -> None:
        while True:
            if self.n_ready < len(self.specimens):
                picture = self.draw(self.n_ready)
                self._sha256, self._is_sending = hashlib.sha256(picture).hexdigest(), True
                try:
                    url = _upload(client, picture, self.specimens[-1])
                finally:
                    self._is_sending = False
                wait_until_ready(client, url)
                self._sha256, self.n_ready = "", self.n_ready + 1
            self.specimens.append(ok(client.post("/api/specimens", json=specimen_body()), 201))

    def find_phase(self) -> str:
        """What is being done, as far as the files that lie there say."""
        if not self._sha256:
            return "between"
        if self._is_sending:
            return "upload"
        if not (self._folder / "pyramids" / f"{self._sha256}.tif").exists():
            return "pyramid"
        return "propose" if len(_batches_kept(self._folder.parent)) < BATCHES_OF_GRID else "merge"


def _kill(
    process: subprocess.Popen[bytes],
    feeding: Feeding,
    aimed: str,
    n_before: int,
    wait_s: float,
    met: Counter[str],
) -> None:
    """Kill the service a while after a phase began, and count the phase that it met."""
    while process.poll() is None:
        if feeding.n_ready >= n_before and feeding.find_phase() == aimed:
            time.sleep(wait_s)
            met[feeding.find_phase()] += 1
            process.kill()
            return
        time.sleep(0.002)


def _upload(client: httpx.Client, picture: bytes, specimen: dict[str, Any]) -> str:
    path = f"/api/preparations/{specimen['preparations'][0]['id']}/images"
    parameters = {"file_name": "slide.png", "um_per_px": 0.5}
    url: str = ok(client.post(path, params=parameters, content=picture), 202)["status_url"]
    return url


def _batches_kept(folder: Path) -> dict[Path, int]:
    """When each batch that lies on disk was written."""
    return {path: path.stat().st_mtime_ns for path in (folder / "data" / "work").rglob("*.json")}


def _crashing_slide() -> bytes:
    file = io.BytesIO()
    Image.fromarray(np.full((300, 300, 3), CRASH_COLOUR, dtype=np.uint8)).save(file, "PNG")
    return file.getvalue()


def _large_png(seed: int) -> bytes:
    """Takes long enough to decode that something can happen meanwhile."""
    file = io.BytesIO()
    grain = np.random.default_rng(seed).integers(150, 200, (3000, 3000, 3), dtype=np.uint8)
    Image.fromarray(grain).save(file, "PNG", compress_level=1)
    return file.getvalue()


def _send(client: httpx.Client, picture: bytes) -> str:
    """Send a picture as an upload of one part; returns its address."""
    specimen = ok(client.post("/api/specimens", json=specimen_body()), 201)
    place = f"/api/preparations/{specimen['preparations'][0]['id']}/uploads"
    length = {"Upload-Length": str(len(picture))}
    begun = client.post(place, params={"file_name": "grain.png", "um_per_px": 0.5}, headers=length)
    url: str = ok(begun, 201)["upload_url"]
    assert ok(client.patch(url, content=picture, headers={"Upload-Offset": "0"}), 202)["state"] == "checking"
    return url


def _wait_until_checked(client: httpx.Client, url: str, meanwhile: Callable[[], None]) -> dict[str, Any]:
    deadline = time.monotonic() + 120
    while (upload := ok(client.get(url), 200))["state"] == "checking":
        assert time.monotonic() < deadline, upload
        meanwhile()
        time.sleep(0.05)
    return dict(upload)


def _crash_children(pid: int) -> None:
    for thread in Path(f"/proc/{pid}/task").iterdir():
        for child in (thread / "children").read_text().split():
            with suppress(FileNotFoundError, ProcessLookupError):
                if b"spawn_main" in Path(f"/proc/{child}/cmdline").read_bytes():
                    os.kill(int(child), signal.SIGSEGV)


def _task(path: Path) -> Task:
    return Task(path, path.name, 0.5, 0.01, "stated", None)


def test_child_worker_starts_again_after_a_crash(tmp_path: Path) -> None:
    bad, good = tmp_path / "bad.png", tmp_path / "good.png"
    bad.write_bytes(_crashing_slide())
    good.write_bytes(draw_slide(992))
    worker = ChildWorker(DetectorSource(given=BlobDetector()), timeout_s=60)
    try:
        with pytest.raises(WorkError, match="ended in the middle of step 'detect'"):
            worker.call("detect", _task(bad), 0)
        assert "boxes_xyxy" in worker.call("detect", _task(good), 0)
    finally:
        worker.close()


def test_child_worker_gives_up_a_step_that_hangs(tmp_path: Path) -> None:
    path = tmp_path / "slide.png"
    path.write_bytes(draw_slide(993))
    worker = ChildWorker(DetectorSource(given=BlobDetector(calls_before_hang=0)), timeout_s=4)
    try:
        with pytest.raises(WorkError, match="took longer than 4 s"):
            worker.call("detect", _task(path), 0)
    finally:
        worker.close()
    with pytest.raises(WorkError, match="was closed"):
        worker.call("plan", _task(path))


def test_child_worker_hands_on_what_a_step_says_of_bad_input(tmp_path: Path) -> None:
    path = tmp_path / "words.jpg"
    path.write_bytes(b"only words")
    worker = ChildWorker(DetectorSource(given=BlobDetector()), timeout_s=60)
    try:
        with pytest.raises(ImageError, match=r"words\.jpg is no picture"):
            worker.call("plan", _task(path))
    finally:
        worker.close()


@pytest.mark.parametrize(
    ("job", "expected"),
    [
        (Job(state="waiting", batches_done=0), (0.0, None)),
        (Job(state="proposing", batches_total=8, batches_done=0), (0.1, None)),
        (Job(state="proposing", batches_total=8, batches_done=6, batch_seconds=2.0), (0.7, 6.0)),
        (Job(state="proposing", batches_total=8, batches_done=8, batch_seconds=2.0), (0.9, 2.0)),
        (Job(state="proposing", batches_total=8, batches_done=8, parts_total=0), (1.0, None)),
        (
            Job(
                state="proposing",
                batches_total=8,
                batches_done=8,
                parts_total=4,
                parts_done=2,
                part_seconds=3.0,
            ),
            (0.95, 6.0),
        ),
        (Job(state="ready", batches_total=8, batches_done=8), (1.0, 0.0)),
    ],
)
def test_progress_counts_batches_and_says_seconds_once_known(
    job: Job, expected: tuple[float, float | None]
) -> None:
    assert progress_of(job) == pytest.approx(expected)
