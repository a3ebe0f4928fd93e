"""Times 1, 2 and 4 processes that take work off a service on this machine, over HTTP as a browser would ask.

    python -m training.workers_bench [--counts 1 2 4] [--pictures 8] [--side-px 2048] [--cores-each 2]

For each count a service that takes no work itself, and so many processes of `coverslip work`, are started in
an empty data folder (SQLite, or whatever COVERSLIP_DATABASE_URL and COVERSLIP_OBJECT_STORE_URL say). Each
process first ends one picture, so that starting and loading the detector are not timed. Then all pictures are
uploaded, and the clock runs from the first upload until the last one's candidates are there. With
`--cores-each` every process has so many cores of its own (Linux; `taskset` says which there are), and the
service has those that are left.
"""

from __future__ import annotations

import argparse
import io
import json
import os
import socket
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from PIL import Image

from training.synthesize.render import render_scenes
from training.synthesize.scene import draw_scene
from training.synthesize.style import STYLES
from triage.errors import RecordError

COUNTS = (1, 2, 4)
UM_PER_PX = 0.5
_PASSWORD = "only-for-this-run"
_SEED = 515
_LONGEST_WAIT_S = 3600.0
_PAUSE_S = 0.1


@dataclass(frozen=True)
class WorkersTimed:
    """What one number of processes did.

    Attributes
    ----------
    n_processes, n_pictures : int
    mpx : float
        Of all pictures together.
    seconds : float
        From the first upload to the last candidate.
    times_one : float
        Pictures a second, over those of the first count that was timed.
    """

    n_processes: int
    n_pictures: int
    mpx: float
    seconds: float
    times_one: float


def time_workers(
    *,
    counts: Sequence[int] = COUNTS,
    n_pictures: int = 8,
    side_px: int = 2048,
    cores_each: int | None = None,
) -> list[WorkersTimed]:
    """The time that each number of processes takes for the same drawn pictures.

    Parameters
    ----------
    counts : sequence of int
        Numbers of processes, the first one being what the others are compared with.
    n_pictures : int
        Timed, at every count; one more for each process is drawn to warm up with.
    side_px : int
        Of each square picture.
    cores_each : int, optional
        Cores of its own, and threads of the detector, that each process gets; left out: all share all.

    Raises
    ------
    RecordError
        If a number is below 1, there are too few cores, or a process ends or takes longer than an hour.
    """
    if cores_each is not None:
        _share_cores(max(counts), cores_each)
    if min((*counts, n_pictures, side_px // 256)) < 1:
        raise RecordError(
            f"Asked for {list(counts)} processes and {n_pictures} pictures of {side_px} px; ask for 1 or "
            "more, and 256 px or more."
        )
    pictures = [_draw(number, side_px) for number in range(n_pictures + max(counts))]
    timed: list[WorkersTimed] = []
    for count in counts:
        cores = None if cores_each is None else _share_cores(count, cores_each)
        seconds = _time_count(
            count, pictures[:n_pictures], pictures[n_pictures : n_pictures + count], cores=cores
        )
        first_s = timed[0].seconds if timed else seconds
        mpx = n_pictures * side_px**2 / 1e6
        timed.append(WorkersTimed(count, n_pictures, mpx, round(seconds, 1), round(first_s / seconds, 2)))
    return timed


def describe(timed: Sequence[WorkersTimed]) -> list[str]:
    """The table, a line for each count."""
    head = f"{'processes':>9} {'pictures':>8} {'Mpx':>6} {'seconds':>8} {'times one':>9}"
    return [
        head,
        *(
            f"{one.n_processes:>9} {one.n_pictures:>8} {one.mpx:>6.0f} {one.seconds:>8.1f} "
            f"{one.times_one:>9.2f}"
            for one in timed
        ),
        f"on {_count_cores()} cores",
    ]


def _count_cores() -> int:
    """Cores that this process may use, where the system says so (Linux), else all."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _share_cores(count: int, cores_each: int) -> list[set[int]]:
    """Cores of each process, and last those that are left for the service."""
    here = sorted(os.sched_getaffinity(0))
    n_taken = count * cores_each
    if cores_each < 1 or n_taken >= len(here):
        raise RecordError(
            f"{count} processes of {cores_each} cores each and a service need at least {n_taken + 1} cores; "
            f"there are {len(here)}. Ask for fewer, and for 1 core or more."
        )
    shares = [set(here[start : start + cores_each]) for start in range(0, n_taken, cores_each)]
    return [*shares, set(here[n_taken:])]


def _draw(number: int, side_px: int) -> bytes:
    scene = draw_scene(_SEED, number, STYLES["field"], (side_px, side_px), um_per_px=UM_PER_PX)
    drawn, _ = render_scenes([scene])
    file = io.BytesIO()
    Image.fromarray(drawn[0].permute(1, 2, 0).numpy()).save(file, "JPEG", quality=92)
    return file.getvalue()


def _time_count(
    count: int, pictures: Sequence[bytes], warming: Sequence[bytes], *, cores: list[set[int]] | None
) -> float:
    with tempfile.TemporaryDirectory(prefix="coverslip-workers-") as name, ExitStack() as stack:
        folder = Path(name)
        port = _find_free_port()
        environment = os.environ | {
            "COVERSLIP_DATA_FOLDER": str(folder / "data"),
            "COVERSLIP_PORT": str(port),
            "COVERSLIP_NEW_PASSWORD": _PASSWORD,
        }
        _run_program(
            "add-person", "bench", "--display-name", "Bench", "--role", "reader", environment=environment
        )
        serving = environment | {"COVERSLIP_WORKERS": "0"}
        working = environment | {"COVERSLIP_WORKERS": "1"}
        if cores is not None:
            working["COVERSLIP_DETECTOR_THREADS"] = str(len(cores[0]))
        shares: Sequence[set[int] | None] = cores or [None] * (count + 1)
        processes = [stack.enter_context(_running("serve", folder / "serve.log", serving, shares[-1]))]
        caller = _Caller(f"http://127.0.0.1:{port}", processes)
        caller.sign_in()
        preparation_id = caller.file_specimen()
        for number in range(count):
            log = folder / f"{number}.log"
            processes.append(stack.enter_context(_running("work", log, working, shares[number])))
        # One at a time would warm one process alone.
        caller.wait_for([caller.upload(preparation_id, picture) for picture in warming])
        begun = time.monotonic()
        caller.wait_for([caller.upload(preparation_id, picture) for picture in pictures])
        return time.monotonic() - begun


class _Caller:
    """Calls the API as one person; an ended process ends the run."""

    def __init__(self, address: str, processes: list[subprocess.Popen[bytes]]) -> None:
        self._address = address
        self._processes = processes
        self._headers: dict[str, str] = {}
        self._opener = urllib.request.build_opener(urllib.request.HTTPCookieProcessor())

    def sign_in(self) -> None:
        """Wait until the service answers, and sign in."""
        deadline = time.monotonic() + _LONGEST_WAIT_S
        while True:
            try:
                self._call("GET", "/api/health")
                break
            except urllib.error.URLError:
                self._check(deadline)
        answer = self._call("POST", "/api/session", {"user_name": "bench", "password": _PASSWORD})
        self._headers["X-CSRF-Token"] = answer["csrf_token"]

    def file_specimen(self) -> int:
        """Id of a preparation to upload to."""
        preparation = {"method": "passive", "solution": "zinc sulfate", "specific_gravity": 1.18}
        body = {"code": "BENCH-1", "species": "dog", "preparation": preparation}
        answer = self._call("POST", "/api/specimens", body)
        preparation_id: int = answer["preparations"][0]["id"]
        return preparation_id

    def upload(self, preparation_id: int, picture: bytes) -> str:
        """Where the state of an uploaded picture is told."""
        query = f"file_name=drawn.jpg&um_per_px={UM_PER_PX}"
        answer = self._call("POST", f"/api/preparations/{preparation_id}/images?{query}", picture)
        url: str = answer["status_url"]
        return url

    def wait_for(self, status_urls: list[str]) -> None:
        """Wait until the candidates of all pictures are there."""
        deadline = time.monotonic() + _LONGEST_WAIT_S
        for url in status_urls:
            while (answer := self._call("GET", url))["state"] != "ready":
                if answer["state"] in ("failed", "stopped"):
                    raise RecordError(f"A drawn picture could not be proposed: {answer['problem']}")
                self._check(deadline)

    def _check(self, deadline: float) -> None:
        ended = [process.args for process in self._processes if process.poll() is not None]
        if ended or time.monotonic() > deadline:
            raise RecordError(f"A process ended or took longer than an hour: {ended}. Run the bench again.")
        time.sleep(_PAUSE_S)

    def _call(self, method: str, path: str, body: Any = None) -> Any:
        data = body if body is None or isinstance(body, bytes) else json.dumps(body).encode()
        headers = {
            "Content-Type": "application/octet-stream" if isinstance(body, bytes) else "application/json"
        }
        request = urllib.request.Request(
            f"{self._address}{path}", data=data, method=method, headers=headers | self._headers
        )
        with self._opener.open(request, timeout=_LONGEST_WAIT_S) as answer:
            return json.load(answer)


def _run_program(*words: str, environment: dict[str, str]) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "service.cli", *words], env=environment, capture_output=True, text=True
    )
    if done.returncode != 0:
        raise RecordError(done.stderr.strip() or f"The program ended with {done.returncode}.")


@contextmanager
def _running(
    command: str, log: Path, environment: dict[str, str], cores: set[int] | None
) -> Iterator[subprocess.Popen[bytes]]:
    with log.open("wb") as file:
        process = subprocess.Popen(
            [sys.executable, "-m", "service.cli", command], env=environment, stdout=file, stderr=file
        )
    if cores is not None:
        # Before it has started anything that would not take them over.
        os.sched_setaffinity(process.pid, cores)
    try:
        yield process
    finally:
        process.terminate()
        process.wait()


def _find_free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def main(arguments: list[str] | None = None) -> None:
    """Print the table, and the same as JSON."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--counts", type=int, nargs="+", default=list(COUNTS))
    parser.add_argument("--pictures", type=int, default=8)
    parser.add_argument("--side-px", type=int, default=2048)
    parser.add_argument("--cores-each", type=int, help="cores of its own that each process gets")
    options = parser.parse_args(arguments)
    try:
        timed = time_workers(
            counts=options.counts,
            n_pictures=options.pictures,
            side_px=options.side_px,
            cores_each=options.cores_each,
        )
    except RecordError as err:
        sys.exit(str(err))
    print("\n".join(describe(timed)))
    print(json.dumps([asdict(one) for one in timed]))


if __name__ == "__main__":
    main()
