"""Every page in each of its states: no serious fault, nothing cut off, each control named, focus in sight."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import pytest
from PIL import Image, ImageDraw
from playwright.sync_api import Browser, Page, expect

from .conftest import Clinic, draw_picture, enter_with_session, open_watched
from .faults import AXE, LIST_CUT, RUN_AXE, list_faults


@dataclass(frozen=True)
class Clients:
    """Sessions of people, and the ids of what they look at."""

    sessions: dict[str, Clinic]
    ids: dict[str, Any]


@pytest.fixture(scope="module")
def clients(clinic: Clinic, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Clients]:
    """One picture that three people read in three ways, and one that is signed off."""
    folder = tmp_path_factory.mktemp("eyes")
    with ExitStack() as stack:
        sessions = {"reader": clinic}
        for name in ("vet", "admin"):
            client = stack.enter_context(httpx.Client(base_url=clinic.address, timeout=60))
            body = {"user_name": name, "password": f"{name}-password"}
            answer = client.post("/api/session", json=body).raise_for_status().json()
            client.headers["X-CSRF-Token"] = answer["csrf_token"]
            sessions[name] = Clinic(clinic.address, client)
        specimen = clinic.file_specimen("PF-0441-with-a-code-as-long-as-a-bar-code-can-be-0123456789")
        name = "a-picture-whose-name-was-given-by-some-camera-20261126.png"
        picture = draw_picture(folder / name, "eyes and hands")
        ids = {"specimen": specimen["id"], "image": clinic.add_picture(specimen, picture.path)}
        _read_in_turns(sessions["vet"], clinic, ids)
        ids |= _sign_off_another(clinic, folder) | _measure_a_scale(clinic, picture.path)
        invited = {"display_name": "Kim Whose-Name-Is-Rather-Long", "role": "reader"}
        ids["join"] = sessions["admin"].post("/api/invitations", invited)["path"]
        sessions["admin"].post("/api/tokens", {"name": "camera at the second microscope"})
        yield Clients(sessions, ids)


def _read_in_turns(vet: Clinic, reader: Clinic, ids: dict[str, Any]) -> None:
    """The veterinarian unaided, then both with proposals, on the first of which they differ."""
    read = vet.post(f"/api/images/{ids['image']}/reads", {"mode": "unaided"})
    for bbox in ([105, 95, 150, 130], [880, 380, 160, 120]):
        vet.post(f"/api/images/{ids['image']}/objects", {"bbox": bbox, "group": "oocyst"})
    vet.post(f"/api/reads/{read['id']}/lock", {})
    reader.post(f"/api/images/{ids['image']}/reads", {"mode": "aided"})
    first, second, *_ = reader.candidates(ids["image"])["candidates"]
    reader.post(f"/api/candidates/{first['id']}/marks", {"answer": "confirm"})
    vet.post(f"/api/candidates/{first['id']}/marks", {"answer": "reject", "reason": "pollen"})
    words = "two poles, but square, and a wall that I have never seen so thick before"
    reader.post(f"/api/candidates/{second['id']}/doctor-calls", {"words": words})
    reader.post(f"/api/specimens/{ids['specimen']}/second-looks", {"blind": False})


def _sign_off_another(reader: Clinic, folder: Path) -> dict[str, Any]:
    specimen = reader.file_specimen("signed")
    picture = Image.new("RGB", (320, 240), (225, 220, 200))
    ImageDraw.Draw(picture).ellipse((100, 80, 180, 140), fill=(60, 45, 25))
    picture.save(folder / "one.png")
    image_id = reader.add_picture(specimen, folder / "one.png")
    for one in reader.candidates(image_id)["candidates"]:
        reader.post(f"/api/candidates/{one['id']}/marks", {"answer": "confirm"})
    reader.post(f"/api/specimens/{specimen['id']}/sign-off", {})
    labelled = reader.post("/api/labelled-sets", {"specimen_ids": [specimen["id"]]})
    return {"signed": specimen["id"], "set": labelled["id"]}


def _measure_a_scale(reader: Clinic, picture: Path) -> dict[str, Any]:
    sent = reader.client.post(
        "/api/calibration-pictures", params={"file_name": picture.name}, content=picture.read_bytes()
    )
    picture_id = sent.raise_for_status().json()["id"]
    points = {"method": "two points", "first_xy": [100, 100], "second_xy": [900, 100], "length_um": 400}
    measured = reader.post(f"/api/calibration-pictures/{picture_id}/measurements", points)
    where = {"microscope": "Bench 3, by the window", "objective": "40x", "camera_setting": "full size"}
    reader.post(f"/api/scale-measurements/{measured['id']}/confirmation", where)
    return {"picture": picture_id}


@pytest.fixture(scope="module")
def pages(browser: Browser, clients: Clients, clinic: Clinic) -> Iterator[dict[str, Page]]:
    """A page for each person, and one for nobody."""
    with ExitStack() as stack:
        opened = {name: stack.enter_context(open_watched(browser, clinic)) for name in clients.sessions}
        for name, page in opened.items():
            enter_with_session(page, clients.sessions[name])
        yield {**opened, "nobody": stack.enter_context(open_watched(browser, clinic))}


def _show_guide(page: Page) -> None:
    page.get_by_role("button", name="Start unaided").click()
    expect(page.locator("#guide-words")).to_contain_text("large enough")


def _show_differences(page: Page) -> None:
    expect(page.locator("#differences-lists")).to_contain_text("Only by the tool")
    page.locator("#differences details").evaluate_all("all => all.forEach((one) => { one.open = true; })")


def _show_candidate(page: Page) -> None:
    expect(page.locator("#candidate-panel")).to_contain_text("Readers differ")
    page.locator("#candidate-panel details").evaluate_all("all => all.forEach((one) => { one.open = true; })")
    page.keyboard.press("r")


def _show_sheet(page: Page) -> None:
    page.locator(".rail-item").first.wait_for()
    page.keyboard.press("t")
    expect(page.get_by_role("dialog")).to_contain_text("on your screen")


def _show_all(page: Page) -> None:
    page.get_by_label("For anybody").check()
    page.get_by_role("table").wait_for()


STATES: dict[str, tuple[str, str, Callable[[Page], None] | None]] = {
    "sign in": ("nobody", "/sign-in", None),
    "join": ("nobody", "{join}", None),
    "worklist": ("vet", "/", None),
    "waiting": ("vet", "/waiting", _show_all),
    "people": ("admin", "/people", None),
    "account": ("admin", "/account", None),
    "file a specimen": ("reader", "/specimens/new", None),
    "specimen": ("reader", "/specimens/{specimen}", None),
    "signed specimen": ("reader", "/specimens/{signed}", None),
    "how to read": ("admin", "/reading/{image}", None),
    "reading unaided": ("admin", "/reading/{image}", _show_guide),
    "differences": ("vet", "/reading/{image}", _show_differences),
    "candidate": ("reader", "/reading/{image}", _show_candidate),
    "contact sheet": ("reader", "/reading/{image}", _show_sheet),
    "scale of a picture": ("reader", "/images/{image}/scale", None),
    "calibrations": ("reader", "/calibrations", None),
    "send a ruling": ("reader", "/calibrations/new", None),
    "eyepiece": ("reader", "/calibrations/eyepiece", None),
    "measured picture": ("reader", "/calibrations/pictures/{picture}", None),
    "bench": ("reader", "/bench", None),
    "labelled sets": ("reader", "/labelled-sets", None),
    "labelled set": ("reader", "/labelled-sets/{set}", None),
    "readers": ("vet", "/readers", None),
    "practice": ("vet", "/practice", None),
    "detectors": ("vet", "/detectors", None),
    "reading record": ("reader", "/api/specimens/{signed}/papers/reading-record.html", None),
    "owner's sheet": ("reader", "/api/specimens/{signed}/papers/owner-sheet.html", None),
}


@pytest.mark.parametrize("state", STATES)
def test_page_has_no_serious_fault_and_cuts_nothing_off(
    state: str, pages: dict[str, Page], clients: Clients, clinic: Clinic
) -> None:
    who, path, show = STATES[state]
    page = pages[who]
    page.set_viewport_size({"width": 1280, "height": 900})
    # From elsewhere, so that a page that differs by what follows the # is loaded anew.
    page.goto("about:blank")
    page.goto(clinic.address + path.format(**clients.ids))
    expect(page.locator("main[inert], [aria-busy=true]")).to_have_count(0)
    if show is not None:
        show(page)
    elif not path.startswith("/api"):
        page.wait_for_load_state("networkidle")
    found = list_faults(page, is_paper=path.startswith("/api"))
    assert not found, "\n".join(found)


def test_faults_are_seen(pages: dict[str, Page], clinic: Clinic) -> None:
    page = pages["nobody"]
    page.goto(f"{clinic.address}/sign-in")
    page.evaluate("""() => {
        const wide = document.createElement('div');
        const grey = document.createElement('p');
        const nameless = document.createElement('button');
        wide.textContent = 'w'.repeat(400);
        [wide.style.overflowX, wide.style.whiteSpace, wide.style.overflowWrap] = ['auto', 'nowrap', 'normal'];
        [grey.textContent, grey.style.color] = ['too pale to be read', '#ddd'];
        document.querySelector('main').append(wide, grey, nameless);
    }""")
    page.evaluate(AXE)
    found = "\n".join([*page.evaluate(RUN_AXE, []), *page.evaluate(LIST_CUT)])
    for fault in ("color-contrast", "button-name", "cut: <div"):
        assert fault in found
