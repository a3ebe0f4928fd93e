"""Peak memory of a whole service while it takes one large picture: upload in parts, pyramid, candidates.

The service is a process of its own, started with `coverslip serve` and driven over HTTP as a browser would.
Memory is what all its processes together hold: the proportional set size (PSS, proc(5):
/proc/PID/smaps_rollup) of the process and of all that it started, sampled ten times a second. Linux only.

    python -m training.service_memory mosaic.tif --um-per-px 1.0
    python -m training.service_memory --draw 20000 --form striped-tiff --form jpeg --until stored

prints, for each picture:

    striped-tiff 20000 x 20000 px, 1144 MiB: uploaded in 3.1 s, stored after 14.0 s more; peak 393 MiB (…)
"""

from __future__ import annotations

import argparse
import http.client
import json
import os
import shutil
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal
from urllib.parse import urlencode

import numpy as np
import pyvips

PART_BYTES = 16 * 1024 * 1024
SAMPLE_S = 0.1
START_S = 300.0
PASSWORD = "measured-alone"
FORMS = ("striped-tiff", "one-strip-tiff", "tiled-bigtiff", "ome-tiff", "jpeg", "png")
Until = Literal["stored", "ready"]


@dataclass(frozen=True)
class Measured:
    """What one picture took.

    Attributes
    ----------
    peak_mib, idle_mib : float
        Memory of all processes of the service at most, and before the picture came.
    peak_of_phase_mib : dict
        The most in each phase: `upload`, `check` (decoding and the pyramid), `propose`.
    seconds_of_phase : dict
        How long each phase took.
    state : str
        Of the upload, or of the image where its candidates were waited for.
    """

    peak_mib: float
    idle_mib: float
    peak_of_phase_mib: dict[str, float]
    seconds_of_phase: dict[str, float]
    state: str


def measure_service_memory(
    picture: Path,
    folder: Path,
    *,
    um_per_px: float | None = None,
    until: Until = "ready",
    settings: dict[str, str] | None = None,
    timeout_s: float = 7200.0,
) -> Measured:
    """Peak memory of a service that takes one picture.

    Parameters
    ----------
    picture : Path
    folder : Path
        For the service's data, which is removed at the end; on the disk that is to be measured.
    um_per_px : float, optional
        Stated with the upload.
    until : str
        `stored`: until it is an image (of a large one the viewer's pyramid is written then); `ready`: until
        its candidates are there.
    settings : dict, optional
        More settings of the service, for instance `{"COVERSLIP_WORKERS": "2"}`.
    timeout_s : float

    Raises
    ------
    RuntimeError
        If the service ends, or the picture is refused; the message says what the service said.
    TimeoutError
        If it takes longer than `timeout_s`.
    """
    data_folder = Path(tempfile.mkdtemp(prefix="service-memory-", dir=folder))
    try:
        with _run_service(data_folder, settings or {}) as (process, port), _Sampler(process.pid) as sampler:
            client = _Client(port)
            client.sign_in()
            time.sleep(4 * SAMPLE_S)
            idle_mib = sampler.begin("upload")
            deadline = time.monotonic() + timeout_s
            upload = _send(client, picture, um_per_px)
            sampler.begin("check")
            upload = _wait(client, process, upload["upload_url"], ("receiving", "checking"), deadline)
            if upload["state"] != "stored":
                raise RuntimeError(f"{picture.name} was not stored ({upload['state']}): {upload['problem']}")
            state = upload["state"]
            if until == "ready":
                sampler.begin("propose")
                state = _wait(client, process, upload["image_url"], ("waiting", "proposing"), deadline)[
                    "state"
                ]
            sampler.begin("end")
            peaks = {name: peak for name, peak in sampler.peaks_mib.items() if name not in ("start", "end")}
            seconds = {name: sampler.seconds[name] for name in peaks}
            return Measured(max(peaks.values()), idle_mib, peaks, seconds, state)
    finally:
        shutil.rmtree(data_folder, ignore_errors=True)


def tree_memory_mib(pid: int) -> float:
    """Proportional set size of a process and of all that it started, in MiB; 0 once they are gone."""
    return sum(_pss_kib(one) for one in _tree(pid)) / 1024


def draw_large(path: Path, form: str, side_px: int) -> Path:
    """A square picture with blobs on a grainy ground, one square of 1000 px repeated, in one of `FORMS`.

    Raises
    ------
    ValueError
        If the form is none of `FORMS`.
    """
    if form not in FORMS:
        raise ValueError(f"The form is {form!r}; it must be one of {', '.join(FORMS)}.")
    image = _repeat_square(side_px)
    tiled = {"tile": True, "tile_width": 256, "tile_height": 256, "compression": "jpeg", "Q": 90}
    writers: dict[str, Callable[[], None]] = {
        "striped-tiff": lambda: image.tiffsave(str(path), bigtiff=True, compression="deflate", predictor=2),
        "one-strip-tiff": lambda: _write_one_strip(image, path),
        "tiled-bigtiff": lambda: image.tiffsave(str(path), bigtiff=True, **tiled),
        "ome-tiff": lambda: image.tiffsave(str(path), bigtiff=True, pyramid=True, subifd=True, **tiled),
        "jpeg": lambda: image.jpegsave(str(path), Q=85),
        "png": lambda: image.pngsave(str(path), compression=1),
    }
    writers[form]()
    return path


def _repeat_square(side_px: int) -> pyvips.Image:
    rng = np.random.default_rng(11)
    y, x = np.mgrid[0:1000, 0:1000]
    grey = np.full((1000, 1000), 220.0)
    for centre_y, centre_x in rng.integers(60, 940, (12, 2)):
        grey[((x - centre_x) / 40) ** 2 + ((y - centre_y) / 25) ** 2 < 1] = 80.0
    square = (grey + rng.normal(0, 3, grey.shape)).clip(0, 255).astype(np.uint8)
    rgb = np.repeat(square[..., None], 3, axis=2)
    times = -(-side_px // 1000)
    return (
        pyvips.Image.new_from_array(rgb)
        .copy(interpretation="srgb")
        .replicate(times, times)
        .crop(0, 0, side_px, side_px)
    )


def _write_one_strip(image: pyvips.Image, path: Path) -> None:
    import tifffile

    rows = tifffile.memmap(
        path, shape=(image.height, image.width, 3), dtype=np.uint8, photometric="rgb", bigtiff=True
    )
    region = pyvips.Region.new(image)
    for top in range(0, image.height, 256):
        height = min(256, image.height - top)
        pixels = region.fetch(0, top, image.width, height)
        rows[top : top + height] = np.frombuffer(pixels, np.uint8).reshape(height, image.width, 3)
    rows.flush()


class _Sampler:
    """Takes the memory of a process tree again and again, and keeps the most of each phase."""

    def __init__(self, pid: int) -> None:
        self._pid = pid
        self._phase, self._begun = "start", time.monotonic()
        self._last = 0.0
        self._is_done = threading.Event()
        self._thread = threading.Thread(target=self._sample, daemon=True)
        self.peaks_mib: dict[str, float] = {}
        self.seconds: dict[str, float] = {}

    def __enter__(self) -> _Sampler:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._is_done.set()
        self._thread.join()

    def begin(self, phase: str) -> float:
        """End the phase before; the memory now, in MiB."""
        self._take()
        self.seconds[self._phase] = time.monotonic() - self._begun
        self._phase, self._begun = phase, time.monotonic()
        return self._last

    def _sample(self) -> None:
        while not self._is_done.wait(SAMPLE_S):
            self._take()

    def _take(self) -> None:
        self._last = tree_memory_mib(self._pid)
        self.peaks_mib[self._phase] = max(self._last, self.peaks_mib.get(self._phase, 0.0))


def _tree(pid: int) -> list[int]:
    found = [pid]
    try:
        threads = list(Path(f"/proc/{pid}/task").iterdir())
        children = [child for thread in threads for child in (thread / "children").read_text().split()]
    except OSError:
        return found
    for child in children:
        found += _tree(int(child))
    return found


def _pss_kib(pid: int) -> int:
    try:
        text = Path(f"/proc/{pid}/smaps_rollup").read_text()
    except OSError:
        return 0
    return next((int(line.split()[1]) for line in text.splitlines() if line.startswith("Pss:")), 0)


@contextmanager
def _run_service(folder: Path, settings: dict[str, str]) -> Iterator[tuple[subprocess.Popen[bytes], int]]:
    port = _find_free_port()
    own = {"COVERSLIP_DATA_FOLDER": str(folder / "data"), "COVERSLIP_PORT": str(port)}
    environment = {**os.environ, "OMP_NUM_THREADS": "1", **own, **settings}
    program = [sys.executable, "-m", "service.cli"]
    adding = [*program, "add-person", "measurer", "--display-name", "Measurer", "--role", "reader"]
    subprocess.run(
        adding, env={**environment, "COVERSLIP_NEW_PASSWORD": PASSWORD}, check=True, stdout=subprocess.DEVNULL
    )
    process = subprocess.Popen([*program, "serve"], env=environment)
    try:
        deadline = time.monotonic() + START_S
        while not _is_up(port):
            if process.poll() is not None or time.monotonic() > deadline:
                raise RuntimeError(f"The service did not start (exit status {process.poll()}).")
            time.sleep(0.1)
        yield process, port
    finally:
        process.terminate()
        try:
            process.wait(timeout=30)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def _find_free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def _is_up(port: int) -> bool:
    try:
        return _Client(port).ask("GET", "/api/health")[0] == 200
    except OSError:
        return False


@dataclass
class _Client:
    """A program with a session."""

    port: int
    headers: dict[str, str] = field(default_factory=dict)

    def sign_in(self) -> None:
        status, answer, cookie = self.ask(
            "POST", "/api/session", {"user_name": "measurer", "password": PASSWORD}
        )
        _expect(status, 200, answer)
        self.headers = {"Cookie": cookie.split(";")[0], "X-CSRF-Token": answer["csrf_token"]}

    def ask(
        self, method: str, path: str, body: dict[str, Any] | bytes | None = None, **headers: str
    ) -> tuple[int, Any, str]:
        """Status, JSON and cookie of an answer."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=600)
        sent = {**self.headers, **{name.replace("_", "-"): value for name, value in headers.items()}}
        content = body
        if isinstance(body, dict):
            content, sent["Content-Type"] = json.dumps(body).encode(), "application/json"
        try:
            connection.request(method, path, body=content, headers=sent)
            answer = connection.getresponse()
            text = answer.read()
            return answer.status, json.loads(text) if text else None, answer.getheader("Set-Cookie", "")
        finally:
            connection.close()


def _expect(status: int, wanted: int, answer: Any) -> None:
    if status != wanted:
        raise RuntimeError(f"The service answered with status {status} instead of {wanted}: {answer}")


def _send(client: _Client, picture: Path, um_per_px: float | None) -> Any:
    preparation = {"method": "centrifuged", "solution": "zinc sulfate", "specific_gravity": 1.18}
    specimen = {"code": "MEASURED", "species": "dog", "preparation": preparation}
    status, filed, _ = client.ask("POST", "/api/specimens", specimen)
    _expect(status, 201, filed)
    scale = {} if um_per_px is None else {"um_per_px": um_per_px}
    path = f"/api/preparations/{filed['preparations'][0]['id']}/uploads"
    n_bytes = picture.stat().st_size
    query = urlencode({"file_name": picture.name, **scale})
    status, upload, _ = client.ask("POST", f"{path}?{query}", Upload_Length=str(n_bytes))
    _expect(status, 201, upload)
    with picture.open("rb") as file:
        while part := file.read(PART_BYTES):
            status, upload, _ = client.ask(
                "PATCH",
                upload["upload_url"],
                part,
                Upload_Offset=str(upload["offset"]),
                Content_Type="application/partial-upload",
            )
            _expect(status, 202 if upload["offset"] == n_bytes else 200, upload)
    return upload


def _wait(
    client: _Client,
    process: subprocess.Popen[bytes],
    url: str,
    under_way: tuple[str, ...],
    deadline: float,
) -> Any:
    while True:
        if process.poll() is not None:
            raise RuntimeError(f"The service ended with exit status {process.poll()}.")
        status, answer, _ = client.ask("GET", url)
        _expect(status, 200, answer)
        if answer["state"] not in under_way:
            return answer
        if time.monotonic() > deadline:
            raise TimeoutError(f"{url} is still {answer['state']!r}.")
        time.sleep(2 * SAMPLE_S)


def _say(name: str, n_bytes: int, measured: Measured) -> str:
    phases = ", ".join(
        f"{name} {measured.seconds_of_phase[name]:.1f} s {peak:.0f} MiB"
        for name, peak in measured.peak_of_phase_mib.items()
    )
    return (
        f"{name}, {n_bytes / 2**20:.0f} MiB: {measured.state}; peak {measured.peak_mib:.0f} MiB, "
        f"idle {measured.idle_mib:.0f} MiB ({phases})"
    )


def main(arguments: list[str] | None = None) -> None:
    """Command line; the module's docstring shows it."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("pictures", nargs="*", type=Path, help="large pictures of your own")
    parser.add_argument(
        "--draw", type=int, metavar="SIDE_PX", help="draw square pictures of this side instead"
    )
    parser.add_argument("--form", action="append", choices=FORMS, help="forms to draw (default: all)")
    parser.add_argument("--um-per-px", type=float, default=None, help="scale stated with the upload")
    parser.add_argument("--until", choices=("stored", "ready"), default="ready", help="what is waited for")
    parser.add_argument(
        "--folder", type=Path, default=None, help="where files lie meanwhile (default: temporary)"
    )
    asked = parser.parse_args(arguments)
    if not asked.pictures and asked.draw is None:
        parser.error("name a picture, or give --draw SIDE_PX")
    if missing := [str(path) for path in asked.pictures if not path.is_file()]:
        parser.error(f"there is no picture {', '.join(missing)}")
    if asked.folder is not None:
        asked.folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=asked.folder) as folder:
        for name, path, is_drawn in _list_pictures(asked, Path(folder)):
            measured = measure_service_memory(
                path, Path(folder), um_per_px=asked.um_per_px, until=asked.until
            )
            print(_say(name, path.stat().st_size, measured), flush=True)
            if is_drawn:
                path.unlink()


def _list_pictures(asked: argparse.Namespace, folder: Path) -> Iterator[tuple[str, Path, bool]]:
    for picture in asked.pictures:
        yield picture.name, picture, False
    if asked.draw is not None:
        for form in asked.form or FORMS:
            name = f"{form} {asked.draw} x {asked.draw} px"
            yield name, draw_large(folder / f"drawn-{form}", form, asked.draw), True


if __name__ == "__main__":
    main()
