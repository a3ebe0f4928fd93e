"""Two hospitals on one running service, and in one of them a thing of every sort that a path may name."""

from __future__ import annotations

import io
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx
from PIL import Image
from service_calls import next_number, ok, specimen_body, upload_slide, wait_until_ready
from service_slides import draw_slide

from service.accounts import ROLES, hash_password
from service.files import Files
from service.store import detectors, people
from service.store.database import Database
from service.store.detectors import DetectorRow, DetectorRun
from training.synthesize.ruling import Ruling, draw_ruling
from triage.weights import read_record, shipped_folder

# In every name that somebody of this hospital gave.
OURS, THEIRS = "Millbrook", "Saltmarsh"
PASSWORD = "a long password"
# Readers, in the order of their roles; the other one differs from all of them.
READERS = ("reader", "veterinarian", "administrator")
# How many blobs a picture to mark, one read unaided, one with a tail and one searched again have.
N_BLOBS = (7, 1, 2, 0)


@dataclass
class Member:
    """A person with a sign-in, and what the names in a row of the table are for this person."""

    client: httpx.Client
    user_name: str
    role: str
    things: dict[str, Any] = field(default_factory=dict)
    signed_in: dict[str, str] = field(default_factory=dict)

    def sign_in(self) -> dict[str, str]:
        """Headers of a new sign-in."""
        body = {"user_name": self.user_name, "password": PASSWORD}
        answer = self.client.post("/api/session", json=body)
        csrf_token = ok(answer, 200)["csrf_token"]
        cookie = answer.headers["set-cookie"].split(";")[0]
        self.client.cookies.clear()
        return {"Cookie": cookie, "X-CSRF-Token": csrf_token}

    def ask(self, method: str, path: str, **sent: Any) -> httpx.Response:
        """The answer to this person."""
        headers = {**self.signed_in, **sent.pop("headers", {})}
        answer = self.client.request(method, path, headers=headers, **sent)
        self.client.cookies.clear()
        return answer

    def get(self, path: str, **sent: Any) -> httpx.Response:
        """As a client does it."""
        return self.ask("GET", path, **sent)

    def post(self, path: str, **sent: Any) -> httpx.Response:
        """As a client does it."""
        return self.ask("POST", path, **sent)

    def made(self, path: str, body: Any, status: int = 201) -> Any:
        """What came of a body sent as JSON."""
        return ok(self.post(path, json=body), status)


@dataclass(frozen=True)
class World:
    """Members of the hospital that owns the things, and of the other, each by role."""

    ours: dict[str, Member]
    theirs: dict[str, Member]
    nobody: Member


def build_world(database: Database, files: Files, client: httpx.Client) -> World:
    """Both hospitals, with a thing of ours for every name in the table."""
    ids = _add_people(database)
    ours, theirs = (
        {role: _sign_in(client, f"{where}-{role}", role) for role in ROLES} for where in (OURS, THEIRS)
    )
    other = _sign_in(client, f"{OURS}-other", "reader")
    common = {
        "mark_of_ours": f"{OURS} microscope",
        "password": PASSWORD,
        "user_id": ids[f"{OURS}-staying"],
        "leaving_id": ids[f"{OURS}-leaving"],
        "level": 0,
        "column": 0,
        "row": 0,
        "paper": "owner-sheet",
        "script": "js/api.js",
        "viewer_script": "leaflet.js",
    }
    common |= _links(ours["administrator"])
    common |= _scales(ours["reader"])
    common |= _slides(ours["assistant"], ours["reader"])
    common |= _signed(ours["reader"])
    common |= _detector(database, files, common["set_id"], created_by=ids[f"{OURS}-veterinarian"])
    common |= _practice(ours["veterinarian"], common)
    common |= _turns(ours, other, common)
    for role, member in ours.items():
        member.things = {**common, **_own_things(member, common, may_read=role in READERS)}
    # An assistant has no marks, reads or sheets: it asks for a reader's.
    ours["assistant"].things = {**ours["reader"].things, **ours["assistant"].things}
    for role, member in theirs.items():
        # They ask for the very things that this role has here, but sign in as themselves.
        own = {"user_name": member.user_name, "new_code": f"{THEIRS} by {role}"}
        member.things = {**ours[role].things, **own}
    nobody = Member(client, "nobody", "nobody", ours["reader"].things)
    return World(ours, theirs, nobody)


def _add_people(database: Database) -> dict[str, int]:
    """Ids by user name: one for each role in each hospital, and some more in ours."""
    password_hash, ids = hash_password(PASSWORD), {}
    more = [(OURS, "other", "reader"), (OURS, "staying", "assistant"), (OURS, "leaving", "assistant")]
    with database.write() as session:
        for where, name, role in [
            *((where, role, role) for where in (OURS, THEIRS) for role in ROLES),
            *more,
        ]:
            user = people.add_user(
                session,
                user_name=f"{where}-{name}",
                display_name=f"{where} {name}",
                role=role,
                password_hash=password_hash,
                hospital_id=people.find_or_add_hospital(session, where).id,
            )
            ids[user.user_name] = user.id
    return ids


def _sign_in(client: httpx.Client, user_name: str, role: str) -> Member:
    member = Member(client, user_name, role)
    member.signed_in = member.sign_in()
    return member


def _links(administrator: Member) -> dict[str, Any]:
    """The secret of one invitation, and the id of another."""
    invited = {"display_name": f"{OURS} guest", "role": "reader"}
    secret = administrator.made("/api/invitations", invited)["path"].split("#")[1]
    administrator.made("/api/invitations", invited)
    return {
        "hospital_id": ok(administrator.get("/api/session"), 200)["hospital"]["id"],
        "secret": secret,
        "invitation_id": ok(administrator.get("/api/invitations"), 200)[-1]["id"],
    }


def _scales(reader: Member) -> dict[str, Any]:
    """A photograph of a stage micrometer, measured by its ruling and, not to be used, by two points."""
    file = io.BytesIO()
    Image.fromarray(draw_ruling(Ruling(shape_hw=(480, 640), um_per_px=0.5, angle_deg=2.0), 1)).save(
        file, "PNG"
    )
    sent = reader.post(
        "/api/calibration-pictures", params={"file_name": f"{OURS}-ruling.png"}, content=file.getvalue()
    )
    path = f"/api/calibration-pictures/{ok(sent, 201)['id']}"
    measured = reader.made(f"{path}/measurements", {"method": "ruling", "division_um": 10})
    points = {"method": "two points", "first_xy": [10, 20], "second_xy": [310, 20], "length_um": 150}
    refused = reader.made(f"{path}/measurements", points)
    return {
        "picture_id": measured["picture_id"],
        "measurement_id": measured["id"],
        "refused_id": refused["id"],
    }


def _slides(assistant: Member, reader: Member) -> dict[str, Any]:
    """One preparation with a picture to mark, one read unaided, and one whose tail is laid out."""
    body = specimen_body()
    specimen = assistant.made("/api/specimens", {**body, "code": f"{OURS} {body['code']}"})
    preparation_id = specimen["preparations"][0]["id"]
    images = [_add_slide(assistant, preparation_id, draw_blobs(n)) for n in N_BLOBS]
    marked, _, laid_out, _ = (
        ok(reader.get(f"/api/images/{image['id']}/candidates"), 200)["candidates"] for image in images
    )
    stitching = assistant.made(
        f"/api/preparations/{preparation_id}/stitchings",
        {"image_ids": [images[0]["id"], images[2]["id"]], "writes_mosaic": False},
        202,
    )
    names = ("candidate_id", "withdrawn_from_id", "unsettled_id", "offered_id", "agreed_id", "called_id")
    return {
        "specimen_id": specimen["id"],
        "preparation_id": preparation_id,
        "image_id": images[0]["id"],
        "unaided_image_id": images[1]["id"],
        "sheet_image_id": images[2]["id"],
        "proposed_again_id": images[3]["id"],
        "stitching_id": stitching["id"],
        "laid_out_id": laid_out[0]["id"],
        "n_laid_out": len(laid_out),
        **{name: one["id"] for name, one in zip(names, marked, strict=False)},
    }


def draw_blobs(n: int) -> bytes:
    """A small picture, whose bytes are its own."""
    boxes = tuple((20 + 75 * (one % 4), 30 + 100 * (one // 4), 50, 40) for one in range(n))
    return draw_slide(8000 + next_number(), width=320, height=240, boxes_xywh=boxes, has_faint=False)


def _add_slide(assistant: Member, preparation_id: int, picture: bytes) -> dict[str, Any]:
    answer = assistant.post(
        f"/api/preparations/{preparation_id}/images",
        params={"file_name": f"{OURS}.png", "um_per_px": 0.5},
        content=picture,
    )
    return wait_until_ready(assistant, ok(answer, 202)["status_url"])  # type: ignore[arg-type]


def _signed(reader: Member) -> dict[str, Any]:
    """A set of a signed specimen, and a specimen that can be signed."""
    image = upload_slide(reader, draw_blobs(1), file_name=f"{OURS}-signed.png")  # type: ignore[arg-type]
    for one in ok(reader.get(f"/api/images/{image['id']}/candidates"), 200)["candidates"]:
        reader.made(f"/api/candidates/{one['id']}/marks", {"answer": "confirm"})
    reader.made(f"/api/specimens/{image['specimen_id']}/sign-off", {})
    set_id = reader.made("/api/labelled-sets", {"specimen_ids": [image["specimen_id"]]})["id"]
    unsigned = upload_slide(reader, draw_blobs(0))  # type: ignore[arg-type]
    return {"set_id": set_id, "amended_id": image["specimen_id"], "unsigned_id": unsigned["specimen_id"]}


def _practice(veterinarian: Member, things: dict[str, Any]) -> dict[str, Any]:
    """A slide to practise on."""
    body = {"set_id": things["set_id"], "name": f"{OURS} slides"}
    return {"slide_id": veterinarian.made("/api/practice-collections/own", body)["slides"][0]["id"]}


def _detector(database: Database, files: Files, set_id: int, *, created_by: int) -> dict[str, Any]:
    """A detector as a training of the set leaves it, with one plot; its files are the shipped ones."""
    record = read_record(shipped_folder())
    made: dict[str, Any] = {"set_id": set_id, "started_from": record.weights_sha256}
    with database.write() as session:
        made["hospital_id"] = people.find_or_add_hospital(session, OURS).id
        done = DetectorRun(kind="train", state="ready", options={}, created_by=created_by, **made)
        run_id = detectors.add_row(session, done).id
        row = DetectorRow(run_id=run_id, name=OURS, weights_sha256=record.weights_sha256, record={}, **made)
        row.curve = {"losses": [], "checks": []}
        detector_id = detectors.add_row(session, row).id
    files.keep_detector(record.weights_sha256, shipped_folder())
    with files.new_folder() as folder:
        plot = Path(folder, "recall.png")
        plot.write_bytes(b"no real plot")
        files.keep_plot(run_id, plot)
    return {"run_id": run_id, "detector_id": detector_id, "plot": "recall"}


def _turns(ours: dict[str, Member], other: Member, things: dict[str, Any]) -> dict[str, Any]:
    """What readers ask of each other."""
    reader, assistant = ours["reader"], ours["assistant"]
    for name in ("offered_id", "agreed_id"):
        for role in READERS:
            ours[role].made(f"/api/candidates/{things[name]}/marks", {"answer": "confirm"})
        other.made(f"/api/candidates/{things[name]}/marks", {"answer": "unsure"})
    offer = other.made(f"/api/candidates/{things['agreed_id']}/settling-offers", {"answer": "confirm"})
    other.made(f"/api/candidates/{things['unsettled_id']}/marks", {"answer": "unsure"})
    ours["veterinarian"].made(f"/api/candidates/{things['unsettled_id']}/marks", {"answer": "confirm"})
    call = other.made(f"/api/candidates/{things['called_id']}/doctor-calls", {"words": f"asked in {OURS}"})
    looks = [assistant.made(f"/api/specimens/{things['specimen_id']}/second-looks", {}) for _ in range(2)]
    lay_out, last = f"/api/images/{things['sheet_image_id']}/contact-sheets", things["n_laid_out"]
    sheet = reader.made(lay_out, {"from_rank": last})
    reader.made(f"/api/contact-sheets/{sheet['id']}/views", {"candidate_ids": sheet["candidate_ids"]}, 200)
    reader.made(f"/api/contact-sheets/{sheet['id']}/rejection", {"reason": "pollen"})
    return {
        "offer_id": offer["id"],
        "call_id": call["id"],
        "look_id": looks[0]["id"],
        "reader_rejected_id": sheet["id"],
    }


def _own_things(member: Member, things: dict[str, Any], *, may_read: bool) -> dict[str, Any]:
    """What only its own person may use."""
    member.sign_in()
    own = {"user_name": member.user_name, "new_code": f"{OURS} by {member.role}"}
    sign_ins = ok(member.get("/api/sign-ins"), 200)
    own["sign_in_id"] = next(one["id"] for one in sign_ins if not one["this_one"])
    own["token_id"] = member.made("/api/tokens", {"name": f"{OURS} camera"})["id"]
    own["upload_id"], own["unwanted_id"] = (_begin_upload(member, things) for _ in range(2))
    return own | _own_reading(member, things) if may_read else own


def _begin_upload(member: Member, things: dict[str, Any]) -> int:
    begun = member.post(
        f"/api/preparations/{things['preparation_id']}/uploads",
        params={"file_name": f"{OURS}-parts.png"},
        headers={"Upload-Length": "9"},
    )
    number: int = ok(begun, 201)["id"]
    return number


def _own_reading(member: Member, things: dict[str, Any]) -> dict[str, Any]:
    marked = member.made(f"/api/candidates/{things['withdrawn_from_id']}/marks", {"answer": "confirm"})
    reads = f"/api/images/{things['unaided_image_id']}/reads"
    locked = member.made(reads, {"mode": "unaided"})
    member.made(f"/api/reads/{locked['id']}/lock", {}, 200)
    opened = member.made(f"/api/images/{things['proposed_again_id']}/reads", {"mode": "unaided"})
    sheet = member.made(f"/api/images/{things['sheet_image_id']}/contact-sheets", {"from_rank": 1})
    seen = {"candidate_ids": sheet["candidate_ids"]}
    member.made(f"/api/contact-sheets/{sheet['id']}/views", seen, 200)
    practised = member.made(f"/api/practice-slides/{things['slide_id']}/reads", {})["id"]
    found = {"bbox": [1, 1, 20, 20], "group": "oocyst"}
    find = member.made(f"/api/practice-reads/{practised}/finds", found)
    rejected = things["reader_rejected_id"] if member.role == "reader" else sheet["id"]
    return {
        "mark_id": marked["id"],
        "read_id": opened["id"],
        "locked_id": locked["id"],
        "practice_read_id": practised,
        "find_id": find["id"],
        "sheet_id": sheet["id"],
        "rejected_id": rejected,
    }
