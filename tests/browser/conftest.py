"""The real service in a process of its own, and Debian's Chromium."""

from __future__ import annotations

import os
import re
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx
import pytest
from PIL import Image, ImageDraw
from playwright.sync_api import Browser, ConsoleMessage, Page, Request, expect, sync_playwright

ROOT = Path(__file__).parents[2]
MODULE_PATH = (str(ROOT), str(ROOT / "tests" / "service"))
START_S = 120
# With a known key a test knows which split a specimen falls into.
SET_KEY = "the key of the labelled sets of tests"
CHROMIUM_ARGUMENTS = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
# A refusal or a cut connection that a test provokes is shown by the page; the browser logs it as well.
CUT = "net::ERR_(FAILED|CONNECTION_RESET|EMPTY_RESPONSE|SOCKET_NOT_CONNECTED)"
PROVOKED_REFUSAL = re.compile(rf"Failed to load resource: .*(status of 4\d\d|{CUT})")
SHADE_STRONG, SHADE_WEAK, SHADE_FAINT = (60, 45, 25), (110, 105, 95), (178, 172, 150)
UM_PER_PX = 0.5
SIZE_WH = (1200, 900)
# Where the tiles of the picture lie on the screen, whose whole they make while it is in sight; null until all
# of them are there.
FIND_PICTURE = """() => {
    const tiles = [...document.querySelectorAll('#viewer img.leaflet-tile')];
    if (!tiles.length || tiles.some((tile) => !tile.matches('.leaflet-tile-loaded'))) return null;
    const boxes = tiles.map((tile) => tile.getBoundingClientRect());
    const [left, top] = [Math.min(...boxes.map((box) => box.left)), Math.min(...boxes.map((box) => box.top))];
    return { left, top, width: Math.max(...boxes.map((box) => box.right)) - left };
}"""

# The first picture waits for a worker to start; on a busy machine that takes its time.
expect.set_options(timeout=30_000)


@dataclass(frozen=True)
class Clinic:
    """The running service, reached as a program with a session."""

    address: str
    client: httpx.Client

    def post(self, path: str, body: dict[str, Any]) -> Any:
        """The answer to a body sent as JSON."""
        return self.client.post(path, json=body).raise_for_status().json()

    def file_specimen(self, code: str) -> dict[str, Any]:
        """A specimen with one preparation."""
        preparation = {
            "method": "centrifuged",
            "solution": "Zinc sulfate",
            "specific_gravity": 1.18,
            "sample_g": 2.0,
            "standing_min": 10,
            "coverslip_mm": 22,
            "prepared_at": None,
        }
        facts = {"species": "dog", "animal_label": "Juniper", "collected_on": None, "remarks": ""}
        return self.post("/api/specimens", {"code": code, **facts, "preparation": preparation})

    def add_picture(self, specimen: dict[str, Any], picture: Path) -> int:
        """Id of an uploaded picture whose candidates are ready."""
        path = f"/api/preparations/{specimen['preparations'][0]['id']}/images"
        query = {"file_name": picture.name, "um_per_px": UM_PER_PX, "um_per_px_sd": 0.005}
        sent = self.client.post(path, params=query, content=picture.read_bytes()).raise_for_status().json()
        deadline = time.monotonic() + START_S
        while (state := self.client.get(f"/api/images/{sent['id']}").json())["state"] != "ready":
            assert time.monotonic() < deadline, state
            time.sleep(0.2)
        return int(sent["id"])

    def candidates(self, image_id: int) -> dict[str, Any]:
        """What the service says of a picture."""
        answer: dict[str, Any] = self.client.get(f"/api/images/{image_id}/candidates").json()
        return answer


@dataclass
class Watch:
    """What a page did that it must not do."""

    origin: str
    requests_elsewhere: list[str] = field(default_factory=list)
    errors: list[str] = field(default_factory=list)

    def see_request(self, request: Request) -> None:
        """Note a request that leaves the page's origin."""
        if not request.url.startswith((self.origin, "data:", "blob:")):
            self.requests_elsewhere.append(request.url)

    def see_message(self, message: ConsoleMessage) -> None:
        """Note an error, a broken security policy included."""
        if message.type == "error" and not PROVOKED_REFUSAL.match(message.text):
            self.errors.append(message.text)


@pytest.fixture(scope="session")
def chromium() -> str:
    """Path of the browser; only a bare machine that is not CI may go without."""
    path = os.environ.get("COVERSLIP_CHROMIUM") or shutil.which("chromium")
    if path is None and os.environ.get("CI") is None:
        pytest.skip("Chromium is not installed; install it or set COVERSLIP_CHROMIUM.")
    assert path is not None, "CI needs Chromium: install it or set COVERSLIP_CHROMIUM."
    return path


@pytest.fixture(scope="session")
def clinic(chromium: str, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Clinic]:
    """The service with a detector that finds dark blobs."""
    with run_clinic(tmp_path_factory.mktemp("blobs"), detector="blobs") as running:
        yield running


@contextmanager
def run_clinic(folder: Path, *, detector: str) -> Iterator[Clinic]:
    """The service on a free port, with an empty data folder."""
    port = find_free_port()
    script = ROOT / "tests" / "browser" / "serve_clinic.py"
    command = [sys.executable, str(script), str(folder / "data"), str(port), detector]
    log = folder / "service.log"
    environment = {
        **os.environ,
        "PYTHONPATH": os.pathsep.join(MODULE_PATH),
        "OMP_NUM_THREADS": "1",
        "COVERSLIP_LABELLED_SET_KEY": SET_KEY,
    }
    with log.open("wb") as sink:
        process = subprocess.Popen(command, cwd=ROOT, env=environment, stdout=sink, stderr=sink)
    try:
        with httpx.Client(base_url=f"http://127.0.0.1:{port}", timeout=30) as client:
            yield sign_in_program(client, process, log)
    finally:
        process.terminate()
        process.wait(timeout=30)


def find_free_port() -> int:
    """A port that nobody listens on."""
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        return int(listener.getsockname()[1])


def sign_in_program(client: httpx.Client, process: subprocess.Popen[bytes], log: Path) -> Clinic:
    """The service once it answers."""
    deadline = time.monotonic() + START_S
    while not is_up(client):
        assert process.poll() is None and time.monotonic() < deadline, log.read_text()
        time.sleep(0.2)
    body = {"user_name": "reader", "password": "reader-password"}
    token = client.post("/api/session", json=body).raise_for_status().json()["csrf_token"]
    client.headers["X-CSRF-Token"] = token
    return Clinic(str(client.base_url).rstrip("/"), client)


def is_up(client: httpx.Client) -> bool:
    """Whether the service answers."""
    try:
        return client.get("/api/health").is_success
    except httpx.TransportError:
        return False


@pytest.fixture(scope="session")
def browser(chromium: str) -> Iterator[Browser]:
    """One browser for all tests."""
    with sync_playwright() as driver:
        running = driver.chromium.launch(executable_path=chromium, args=list(CHROMIUM_ARGUMENTS))
        yield running
        running.close()


@pytest.fixture
def page(browser: Browser, clinic: Clinic) -> Iterator[Page]:
    """A fresh page whose every request stays with the service and whose console stays free of errors."""
    with open_watched(browser, clinic) as fresh:
        yield fresh


@contextmanager
def open_watched(browser: Browser, clinic: Clinic) -> Iterator[Page]:
    """A page that is closed at the end, and fails if it did what it must not do."""
    # Without moves and fades the picture lies still as soon as its tiles are there.
    context = browser.new_context(
        viewport={"width": 1440, "height": 900}, accept_downloads=True, reduced_motion="reduce"
    )
    context.set_default_timeout(15_000)
    fresh, watch = context.new_page(), Watch(clinic.address)
    fresh.on("request", watch.see_request)
    fresh.on("console", watch.see_message)
    fresh.on("pageerror", lambda error: watch.errors.append(str(error)))
    yield fresh
    context.close()
    assert watch.requests_elsewhere == []
    assert watch.errors == []


@pytest.fixture
def reader(page: Page, clinic: Clinic) -> Page:
    """The worklist, with the reader's session of `clinic` so that not every test signs in anew."""
    enter_with_session(page, clinic)
    return page


def enter_with_session(page: Page, clinic: Clinic) -> None:
    """Open the worklist in the session of `clinic`."""
    cookies = [
        {"name": name, "value": value, "url": clinic.address} for name, value in clinic.client.cookies.items()
    ]
    page.context.add_cookies(cookies)
    page.goto(f"{clinic.address}/")


def find_picture(page: Page) -> dict[str, float]:
    """Left, top and width of the picture on the screen, which the viewer shows whole."""
    place: dict[str, float] = page.wait_for_function(FIND_PICTURE).json_value()
    return place


def sign_in(page: Page, clinic: Clinic, user_name: str) -> None:
    """Sign in on the sign-in page, which is open; the password is the test users' own."""
    page.get_by_label("User name").fill(user_name)
    page.get_by_label("Password").fill(f"{user_name}-password")
    page.get_by_role("button", name="Sign in").click()


@dataclass(frozen=True)
class Drawn:
    """A picture with five strong blobs, one weak one, and a faint one that no detector points at.

    Boxes are left, top, right, bottom.
    """

    path: Path
    strong: tuple[tuple[int, int, int, int], ...]
    faint: tuple[int, int, int, int]


@pytest.fixture
def drawn(tmp_path: Path, request: pytest.FixtureRequest) -> Drawn:
    """A drawn picture of the test's own."""
    return draw_picture(tmp_path / "field-01.png", request.node.name)


def draw_picture(path: Path, caption: str) -> Drawn:
    """A picture of 1200 x 900 px; the caption gives it bytes of its own, as every photograph has."""
    strong = (
        (100, 100, 260, 220),
        (400, 150, 540, 262),
        (760, 120, 920, 240),
        (200, 480, 360, 600),
        (560, 520, 700, 640),
    )
    weak, faint = (900, 620, 1040, 730), (880, 380, 1040, 500)
    picture = Image.new("RGB", SIZE_WH, (225, 220, 200))
    canvas = ImageDraw.Draw(picture)
    for box, shade in [*((box, SHADE_STRONG) for box in strong), (weak, SHADE_WEAK), (faint, SHADE_FAINT)]:
        canvas.ellipse(box, fill=shade)
    canvas.text((4, 4), caption, fill=(215, 210, 190))
    picture.save(path)
    return Drawn(path, strong, faint)


@pytest.fixture
def reading(reader: Page, clinic: Clinic, drawn: Drawn, request: pytest.FixtureRequest) -> int:
    """Id of a picture that is open on the page, proposals shown."""
    image_id = clinic.add_picture(clinic.file_specimen(request.node.name), drawn.path)
    reader.goto(f"{clinic.address}/reading/{image_id}")
    reader.get_by_role("button", name="Show proposals").click()
    reader.locator(".rail-item").first.wait_for()
    return image_id
