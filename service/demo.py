"""An invented clinic to try the service on: drawn slides, filed, uploaded and proposed through the API."""

from __future__ import annotations

import io
import json
import secrets
import shutil
import signal
import tempfile
import threading
import time
import urllib.request
import webbrowser
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import uvicorn
from PIL import Image

from service.admin import create_user, name_first_hospital
from service.app import create_app
from service.settings import Settings
from triage.errors import TriageError
from triage.records import Detector

CLINIC = "Larkmead Animal Hospital (invented)"
PICTURE_WH = (1280, 960)
PRACTICE_SLIDES = 4
PRACTICE_SEED = 34
LONGEST_WAIT_S = 300.0


@dataclass(frozen=True)
class Login:
    """Somebody who works at the invented clinic."""

    user_name: str
    display_name: str
    role: str
    password: str


@dataclass(frozen=True)
class Slide:
    """One specimen of the demo and how its picture is drawn; `is_calibrated` False hides the scale."""

    specimen: dict[str, Any]
    style: str
    seed: int
    um_per_px: float
    is_calibrated: bool = True


def make_logins() -> tuple[Login, ...]:
    """The people of the clinic, with passwords that are new in every demo."""
    people = (
        ("rosa", "Rosa Quill", "reader"),
        ("ben", "Ben Ostrow", "reader"),
        ("hale", "Dr. Imke Hale", "veterinarian"),
        ("desk", "Front desk", "assistant"),
        ("mora", "Mora Finch", "administrator"),
    )
    return tuple(Login(*person, password=f"demo-{secrets.token_hex(4)}") for person in people)


def list_slides() -> tuple[Slide, ...]:
    """The specimens that wait in the demo, the last one on top of the list."""
    return (
        Slide(_specimen("L-1043", "cat", "Pudding, 4 months"), "field", 11, 0.5),
        Slide(_specimen("L-1044", "dog", "Captain, 7 years"), "close", 12, 0.25, is_calibrated=False),
        Slide(_specimen("L-1045", "dog", "Nettle, 10 weeks"), "field", 14, 0.5),
    )


def _specimen(code: str, species: str, animal_label: str) -> dict[str, Any]:
    return {
        "code": code,
        "species": species,
        "animal_label": animal_label,
        "collected_on": None,
        "remarks": "Drawn slide of an invented animal.",
        "preparation": {
            "method": "passive",
            "solution": "zinc sulfate",
            "specific_gravity": 1.18,
            "sample_g": 2.0,
            "standing_min": 12,
            "coverslip_mm": 22,
            "prepared_at": None,
        },
    }


def run_demo(
    *, port: int, is_browser_opened: bool, say: Callable[[str], None], detector: Detector | None = None
) -> None:
    """Serve the demo until it is interrupted; its folder is removed at the end.

    Parameters
    ----------
    port : int
        0 takes a free one.
    is_browser_opened : bool
        Open the address in the person's browser.
    say : callable
        Prints a line.
    detector : Detector, optional
        Used instead of the shipped one.

    Raises
    ------
    TriageError
        If the service doesn't start, or a drawn slide could not be proposed.
    """
    folder = Path(tempfile.mkdtemp(prefix="coverslip-demo-"))
    # A polite end from outside is an end like Ctrl+C.
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    try:
        settings = Settings(data_folder=folder / "data", port=port, sign_in_tries_per_minute=60)
        logins = make_logins()
        name_first_hospital(settings, CLINIC)
        for login in logins:
            create_user(settings, login.user_name, login.display_name, login.role, login.password)
        with serve_in_background(settings, detector) as address:
            say(f"Drawing and proposing {len(list_slides())} slides of {CLINIC} ...")
            fill(Caller(address, logins[0]))
            say(f"Drawing {PRACTICE_SLIDES} slides to practise on ...")
            offer_practice(Caller(address, next(one for one in logins if one.role == "veterinarian")))
            for line in describe(address, logins):
                say(line)
            if is_browser_opened:
                webbrowser.open(address)
            threading.Event().wait()
    except KeyboardInterrupt:
        say("Stopped; the demo's folder is removed.")
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def describe(address: str, logins: tuple[Login, ...]) -> list[str]:
    """What the person who started the demo is told."""
    width = max(len(login.user_name) for login in logins)
    return [
        f"Ready: {address}",
        *(
            f"  {login.user_name:<{width}}  {login.password}  {login.display_name}, {login.role}"
            for login in logins
        ),
        "Everything here is invented and is removed when you stop the demo (Ctrl+C).",
        "The tool proposes; a person marks; the licensed veterinarian decides.",
    ]


@contextmanager
def serve_in_background(settings: Settings, detector: Detector | None = None) -> Iterator[str]:
    """The address of a running service, stopped at the end of the block."""
    config = uvicorn.Config(
        create_app(settings, detector=detector), host=settings.host, port=settings.port, log_level="warning"
    )
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    try:
        _wait_until(lambda: server.started or not thread.is_alive(), "The service did not start in time.")
        if not server.started:
            raise TriageError(f"The service did not start on port {settings.port}. Choose another --port.")
        port = server.servers[0].sockets[0].getsockname()[1]
        yield f"http://{settings.host}:{port}"
    finally:
        server.should_exit = True
        thread.join(timeout=20)


class Caller:
    """Calls the API as one person."""

    def __init__(self, address: str, login: Login) -> None:
        self._api = f"{address}/api"
        # As it stands in the list of a person's sign-ins.
        self._headers = {"User-Agent": "coverslip demo"}
        opener = urllib.request.build_opener(urllib.request.HTTPCookieProcessor())
        self._open = opener.open
        signed_in = self.post("/session", {"user_name": login.user_name, "password": login.password})
        self._headers["X-CSRF-Token"] = signed_in["csrf_token"]

    def get(self, path: str) -> Any:
        """The JSON at a path."""
        return self._send("GET", path, None, "application/json")

    def post(self, path: str, body: dict[str, Any]) -> Any:
        """The JSON that answers a JSON body."""
        return self._send("POST", path, json.dumps(body).encode(), "application/json")

    def upload(self, path: str, picture: bytes) -> Any:
        """The JSON that answers a picture."""
        return self._send("POST", path, picture, "application/octet-stream")

    def _send(self, method: str, path: str, body: bytes | None, content_type: str) -> Any:
        request = urllib.request.Request(
            self._api + path,
            data=body,
            method=method,
            headers={"Content-Type": content_type, **self._headers},
        )
        with self._open(request, timeout=60) as answer:
            return json.load(answer)


def fill(caller: Caller) -> None:
    """File every slide of the demo and wait until its candidates are there."""
    calibration = caller.post("/calibrations", _calibration(list_slides()[0].um_per_px))
    images = []
    for slide in list_slides():
        picture = draw_picture(slide)
        specimen = caller.post("/specimens", slide.specimen)
        query = f"?file_name={slide.specimen['code']}.jpg"
        if slide.is_calibrated:
            query += f"&calibration_id={calibration['id']}"
        preparation_id = specimen["preparations"][0]["id"]
        images.append(caller.upload(f"/preparations/{preparation_id}/images{query}", picture))
    caller.upload("/calibration-pictures?file_name=stage-micrometer.png", draw_micrometer())
    for image in images:
        _wait_until_ready(caller, image["id"])


def _calibration(um_per_px: float) -> dict[str, Any]:
    return {
        "microscope": "Bench 1",
        "objective": "10x",
        "camera_setting": "full size, no zoom",
        "um_per_px": um_per_px,
        "um_per_px_sd": round(um_per_px * 0.01, 4),
        "source": "stage micrometer, 1 mm in 100 parts",
        "image_width": PICTURE_WH[0],
        "image_height": PICTURE_WH[1],
    }


def draw_picture(slide: Slide) -> bytes:
    """The JPEG bytes of a drawn field."""
    # Drawing needs torch, which the service itself starts without.
    from training.synthesize.render import render_scenes
    from training.synthesize.scene import draw_scene
    from training.synthesize.style import STYLES

    shape_hw = (PICTURE_WH[1], PICTURE_WH[0])
    scene = draw_scene(slide.seed, 0, STYLES[slide.style], shape_hw, um_per_px=slide.um_per_px)
    pictures, _ = render_scenes([scene])
    buffer = io.BytesIO()
    Image.fromarray(pictures[0].permute(1, 2, 0).numpy()).save(buffer, "JPEG", quality=92)
    return buffer.getvalue()


def draw_micrometer() -> bytes:
    """The PNG bytes of a drawn stage micrometer at the scale of the first slide, to calibrate with."""
    from training.synthesize.ruling import Ruling, draw_ruling

    shape_hw, um_per_px = (PICTURE_WH[1], PICTURE_WH[0]), list_slides()[0].um_per_px
    ruling = Ruling(shape_hw=shape_hw, um_per_px=um_per_px, angle_deg=1.5, light=(0.15, -0.1, 0.2))
    buffer = io.BytesIO()
    Image.fromarray(draw_ruling(ruling, 1)).save(buffer, "PNG")
    return buffer.getvalue()


def offer_practice(caller: Caller) -> None:
    """Send drawn slides, whose objects are known, as a practice collection."""
    from training.practice import draw_practice

    with tempfile.TemporaryDirectory() as folder:
        zipped = Path(folder, "practice.zip")
        shape_hw = (PICTURE_WH[1], PICTURE_WH[0])
        draw_practice(zipped, n=PRACTICE_SLIDES, seed=PRACTICE_SEED, shape_hw=shape_hw)
        caller.upload("/practice-collections?name=Drawn%20slides", zipped.read_bytes())


def _wait_until_ready(caller: Caller, image_id: int) -> None:
    def is_done() -> bool:
        return caller.get(f"/images/{image_id}")["state"] in ("ready", "failed")

    _wait_until(is_done, f"Picture {image_id} of the demo was not ready in time.")
    image = caller.get(f"/images/{image_id}")
    if image["state"] == "failed":
        raise TriageError(f"Picture {image_id} of the demo could not be proposed: {image['problem']}")


def _wait_until(is_done: Callable[[], bool], sentence: str) -> None:
    end = time.monotonic() + LONGEST_WAIT_S
    while not is_done():
        if time.monotonic() > end:
            raise TriageError(f"{sentence} Start the demo again.")
        time.sleep(0.1)
