"""Who may do what: one row for each route of the service; `test_allowed.py` holds the service to it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

Least = Literal["nobody", "assistant", "reader", "veterinarian", "administrator"]
# What somebody of another hospital gets who asks for the very same: nothing is there (404), or what the
# least role gets here, with nothing of this hospital in it.
Elsewhere = Literal["404", "same"]
PREPARATION = {"method": "passive", "solution": "Zinc sulfate"}
SPECIMEN = {"code": "{new_code}", "species": "dog", "preparation": PREPARATION}
CALIBRATION = {
    "microscope": "M",
    "objective": "10x",
    "um_per_px": 0.5,
    "um_per_px_sd": 0.01,
    "source": "made",
}
OCULAR = {"stage_divisions": 10, "ocular_divisions": 8}
POINTS = {"method": "two points", "first_xy": [10, 20], "second_xy": [310, 20], "length_um": 150}
CONFIRM = {"answer": "confirm"}
# Refused once it has come and been looked at; a picture would set the service to work.
NO_PICTURE = b"no picture"


@dataclass(frozen=True)
class Row:
    """One route: the least role that may use it, and what is sent.

    Attributes
    ----------
    route : str
        Method and path. `{names}` in path, query and body are things of `access_world.py`.
    least : str
        Every role above it may do it too; "nobody": without a sign-in.
    elsewhere : str
        See `Elsewhere`.
    first : int
        What the least role gets, who asks first; who asks later may find it done (409).
    names : mapping
        Things to take instead of those that the path names.
    fresh : bool
        Whether each person signs in anew for it, because it ends the sign-in.
    """

    route: str
    least: Least
    elsewhere: Elsewhere
    body: Any = None
    first: int = 200
    query: dict[str, Any] = field(default_factory=dict)
    headers: dict[str, str] = field(default_factory=dict)
    names: dict[str, str] = field(default_factory=dict)
    content: bytes | None = None
    fresh: bool = False


PAGES = tuple(
    Row(f"GET {path}", "nobody", "same")
    for path in (
        # Shells without anything of a hospital: what is on them comes from the API.
        "/",
        "/sign-in",
        "/join",
        "/account",
        "/people",
        "/readers",
        "/practice",
        "/practice/slides/{slide_id}",
        "/waiting",
        "/bench",
        "/specimens/new",
        "/specimens/{specimen_id}",
        "/reading/{image_id}",
        "/images/{image_id}/scale",
        "/calibrations",
        "/calibrations/new",
        "/calibrations/eyepiece",
        "/calibrations/pictures/{picture_id}",
        "/labelled-sets",
        "/labelled-sets/{set_id}",
        "/detectors",
        "/detectors/{detector_id}",
    )
)
FILES = (
    Row("GET /openapi.json", "nobody", "same"),
    Row("GET /static/{file}", "nobody", "same", names={"file": "script"}),
    Row("GET /static/leaflet/{file}", "nobody", "same", names={"file": "viewer_script"}),
)
PEOPLE = (
    Row("GET /api/health", "nobody", "same"),
    Row("POST /api/session", "nobody", "same", {"user_name": "{user_name}", "password": "{password}"}),
    Row("GET /api/session", "assistant", "same"),
    Row("DELETE /api/session", "assistant", "same", first=204, fresh=True),
    Row("PUT /api/session/hospital", "assistant", "404", {"hospital_id": "{hospital_id}"}, 204),
    # Too short, so that the person's own stays; whether the old one is right is asked later.
    Row("PUT /api/password", "assistant", "same", {"old": "{password}", "new": "short"}, 422),
    Row("GET /api/sign-ins", "assistant", "same"),
    Row("DELETE /api/sign-ins/{sign_in_id}", "assistant", "404", first=204),
    Row("POST /api/tokens", "assistant", "same", {"name": "camera"}, 201),
    Row("GET /api/tokens", "assistant", "same"),
    Row("DELETE /api/tokens/{token_id}", "assistant", "404", first=204),
    Row("GET /api/users", "assistant", "same"),
    Row("PUT /api/users/{user_id}/role", "administrator", "404", {"role": "reader"}),
    Row("POST /api/users/{user_id}/password-link", "administrator", "404", first=201),
    Row("DELETE /api/users/{user_id}", "administrator", "404", first=204, names={"user_id": "leaving_id"}),
    Row("POST /api/invitations", "administrator", "same", {"display_name": "Cy", "role": "reader"}, 201),
    Row("GET /api/invitations", "administrator", "same"),
    Row("DELETE /api/invitations/{invitation_id}", "administrator", "404", first=204),
    # Who holds a link needs no sign-in. The password is too short, so that the link stays.
    Row("POST /api/links/look", "nobody", "same", {"secret": "{secret}"}),
    Row("POST /api/links/use", "nobody", "same", {"secret": "{secret}", "password": "short"}, 422),
)
SCALES = (
    Row("GET /api/calibrations", "assistant", "same"),
    Row("POST /api/calibrations", "reader", "same", CALIBRATION, 201),
    Row("GET /api/calibration-series", "assistant", "same"),
    Row("GET /api/ocular-scales", "assistant", "same"),
    Row("POST /api/ocular-scales/figures", "assistant", "same", OCULAR),
    Row("POST /api/ocular-scales", "reader", "same", {**OCULAR, "microscope": "M", "objective": "10x"}, 201),
    Row(
        "POST /api/calibration-pictures",
        "assistant",
        "same",
        content=NO_PICTURE,
        query={"file_name": "ruling.png"},
        first=422,
    ),
    Row("GET /api/calibration-pictures", "assistant", "same"),
    Row("GET /api/calibration-pictures/{picture_id}", "assistant", "404"),
    Row("GET /api/calibration-pictures/{picture_id}/tiles/{level}/{column}/{row}.jpg", "assistant", "404"),
    Row("GET /api/calibration-pictures/{picture_id}/measurements", "assistant", "404"),
    Row("POST /api/calibration-pictures/{picture_id}/measurements", "assistant", "404", POINTS, 201),
    Row("GET /api/images/{image_id}/measurements", "assistant", "404"),
    Row("POST /api/images/{image_id}/measurements", "assistant", "404", POINTS, 201),
    Row("GET /api/scale-measurements", "assistant", "same"),
    Row("GET /api/scale-measurements/{measurement_id}", "assistant", "404"),
    Row("GET /api/scale-measurements/{measurement_id}/shown.jpg", "assistant", "404"),
    Row(
        "POST /api/scale-measurements/{measurement_id}/confirmation",
        "reader",
        "404",
        {"microscope": "{mark_of_ours}", "objective": "40x"},
        201,
    ),
    Row(
        "POST /api/scale-measurements/{measurement_id}/refusal",
        "reader",
        "404",
        {"reason": "blurred"},
        201,
        names={"measurement_id": "refused_id"},
    ),
)
SPECIMENS = (
    Row("GET /api/groups", "assistant", "same"),
    Row("GET /api/preparation-advice", "assistant", "same"),
    Row("GET /api/bench/sizes", "assistant", "same"),
    Row("GET /api/bench/coverage", "assistant", "same"),
    Row("GET /api/bench/flotation", "assistant", "same", query={"specific_gravity": 1.18}),
    Row("GET /api/bench/limits", "assistant", "same"),
    Row("POST /api/specimens", "assistant", "same", SPECIMEN, 201),
    Row("GET /api/specimens", "assistant", "same"),
    Row("GET /api/specimens/{specimen_id}", "assistant", "404"),
    Row(
        "POST /api/specimens/{specimen_id}/sign-off",
        "reader",
        "404",
        {},
        201,
        names={"specimen_id": "unsigned_id"},
    ),
    Row(
        "POST /api/specimens/{specimen_id}/amendments",
        "reader",
        "404",
        {"reason": "another slide"},
        201,
        names={"specimen_id": "amended_id"},
    ),
    Row("GET /api/specimens/{specimen_id}/versions", "assistant", "404"),
    Row("GET /api/specimens/{specimen_id}/events", "assistant", "404"),
    Row("GET /api/events/check", "administrator", "same"),
    Row("GET /api/events.jsonl", "administrator", "same"),
    Row("GET /api/specimens/{specimen_id}/numbers", "assistant", "404"),
    Row("GET /api/papers/languages", "assistant", "same"),
    Row("GET /api/specimens/{specimen_id}/papers/{paper}.html", "assistant", "404"),
    Row("GET /api/specimens/{specimen_id}/papers/{paper}.pdf", "assistant", "404"),
)
PICTURES = (
    Row(
        "POST /api/preparations/{preparation_id}/images",
        "assistant",
        "404",
        content=NO_PICTURE,
        query={"file_name": "one-more.png", "um_per_px": 0.5},
        first=422,
    ),
    Row("GET /api/images/{image_id}", "assistant", "404"),
    Row("GET /api/images/{image_id}/tiles/{level}/{column}/{row}.jpg", "assistant", "404"),
    Row("GET /api/images/{image_id}/original", "assistant", "404"),
    Row("GET /api/images/{image_id}/proposals/so-far", "assistant", "404"),
    Row(
        "POST /api/images/{image_id}/proposals",
        "assistant",
        "404",
        {"um_per_px": 0.5},
        202,
        names={"image_id": "proposed_again_id"},
    ),
    Row("POST /api/images/{image_id}/proposals/stop", "assistant", "404", first=409),
    Row("POST /api/images/{image_id}/proposals/again", "assistant", "404", first=409),
    Row(
        "POST /api/preparations/{preparation_id}/uploads",
        "assistant",
        "404",
        query={"file_name": "parts.png"},
        headers={"Upload-Length": "9"},
        first=201,
    ),
    Row("GET /api/preparations/{preparation_id}/uploads", "assistant", "404"),
    Row("HEAD /api/uploads/{upload_id}", "assistant", "404", first=204),
    Row("GET /api/uploads/{upload_id}", "assistant", "404"),
    Row(
        "PATCH /api/uploads/{upload_id}",
        "assistant",
        "404",
        content=b"9",
        headers={"Upload-Offset": "0", "Content-Type": "application/partial-upload"},
    ),
    Row("DELETE /api/uploads/{upload_id}", "assistant", "404", first=204, names={"upload_id": "unwanted_id"}),
    # Each picture is named once; otherwise the work would begin.
    Row(
        "POST /api/preparations/{preparation_id}/stitchings",
        "assistant",
        "404",
        {"image_ids": ["{image_id}", "{image_id}"]},
        409,
    ),
    Row("GET /api/preparations/{preparation_id}/stitchings", "assistant", "404"),
    Row("GET /api/stitchings/{stitching_id}", "assistant", "404"),
    Row("GET /api/preparations/{preparation_id}/shown-twice", "assistant", "404"),
    Row(
        "POST /api/preparations/{preparation_id}/partings",
        "assistant",
        "404",
        {"candidate_ids": ["{candidate_id}", "{offered_id}"]},
        409,
    ),
)
READING = (
    Row("GET /api/images/{image_id}/candidates", "assistant", "404"),
    Row(
        "POST /api/images/{image_id}/objects",
        "reader",
        "404",
        {"bbox": [10, 12, 40, 30], "group": "oocyst"},
        201,
    ),
    Row("GET /api/candidates/{candidate_id}/crop.jpg", "assistant", "404"),
    Row("GET /api/candidates/{candidate_id}/elsewhere", "assistant", "404"),
    Row("GET /api/candidates/{candidate_id}/likenesses", "assistant", "404"),
    Row(
        "GET /api/images/{image_id}/cutout.jpg",
        "assistant",
        "404",
        query={"x": 50, "y": 50, "span_px": 64},
    ),
    Row("POST /api/candidates/{candidate_id}/marks", "reader", "404", CONFIRM, 201),
    Row("POST /api/marks/{mark_id}/withdrawal", "reader", "404"),
    Row(
        "POST /api/candidates/{candidate_id}/adjudications",
        "reader",
        "404",
        CONFIRM,
        201,
        names={"candidate_id": "unsettled_id"},
    ),
    Row("POST /api/images/{image_id}/reads", "reader", "404", {"mode": "aided"}, 201),
    Row("POST /api/reads/{read_id}/lock", "reader", "404"),
    Row("GET /api/reads/{read_id}/differences", "reader", "404", names={"read_id": "locked_id"}),
    Row("GET /api/images/{image_id}/reading-place", "reader", "404"),
    Row("POST /api/images/{image_id}/reading-place", "reader", "404", {}),
    Row("POST /api/images/{image_id}/contact-sheets", "reader", "404", {"from_rank": 1}, 201),
    Row("POST /api/contact-sheets/{sheet_id}/views", "reader", "404", {"candidate_ids": ["{laid_out_id}"]}),
    Row("POST /api/contact-sheets/{sheet_id}/rejection", "reader", "404", {"reason": "pollen"}, 201),
    Row("POST /api/contact-sheets/{sheet_id}/withdrawal", "reader", "404", names={"sheet_id": "rejected_id"}),
    Row("GET /api/images/{image_id}/contact-sheets", "reader", "404"),
)
TOGETHER = (
    Row("GET /api/readers-measured", "veterinarian", "same"),
    Row("GET /api/readers-measured/me", "reader", "same"),
    Row("GET /api/waiting", "assistant", "same"),
    Row("POST /api/candidates/{candidate_id}/doctor-calls", "reader", "404", {"words": "two poles"}, 201),
    Row("GET /api/images/{image_id}/doctor-calls", "reader", "404"),
    Row("POST /api/doctor-calls/{call_id}/answer", "veterinarian", "404", {"words": "a mite's"}, 201),
    Row(
        "POST /api/candidates/{candidate_id}/settling-offers",
        "reader",
        "404",
        CONFIRM,
        201,
        names={"candidate_id": "offered_id"},
    ),
    Row("GET /api/candidates/{candidate_id}/settling-offers", "reader", "404"),
    Row("POST /api/settling-offers/{offer_id}/agreements", "reader", "404", first=201),
    Row("GET /api/specimens/{specimen_id}/reading-rules", "assistant", "404"),
    Row(
        "POST /api/specimens/{specimen_id}/reading-rules",
        "veterinarian",
        "404",
        {"rule": "aided_allowed", "reason": "a control"},
        201,
    ),
    Row("POST /api/specimens/{specimen_id}/second-looks", "assistant", "404", {}, 201),
    Row("GET /api/second-looks", "assistant", "same"),
    Row("POST /api/second-looks/{look_id}/claim", "reader", "404", first=201),
    Row("POST /api/second-looks/{look_id}/return", "reader", "404"),
    Row("POST /api/second-looks/{look_id}/close", "reader", "404"),
    Row("GET /api/reading-rules", "assistant", "same"),
    # No rule, so that what is filed later begins without one.
    Row("POST /api/reading-rules", "administrator", "same", {"rule": "none", "reason": "x"}, 422),
    Row("POST /api/labelled-sets", "reader", "same", {}, 201),
    Row("GET /api/labelled-sets", "assistant", "same"),
    Row("GET /api/labelled-sets/{set_id}", "assistant", "404"),
    Row("GET /api/labelled-sets/{set_id}.zip", "assistant", "404"),
)
# A labelled set before its specimen is under amendment.
PRACTICE = (
    Row("GET /api/next-to-label", "reader", "same"),
    Row("GET /api/practice-collections", "reader", "same"),
    Row(
        "POST /api/practice-collections",
        "veterinarian",
        "same",
        first=422,
        query={"name": "no set"},
        content=NO_PICTURE,
    ),
    # Made already.
    Row(
        "POST /api/practice-collections/own", "veterinarian", "404", {"set_id": "{set_id}", "name": "x"}, 409
    ),
    Row("GET /api/practice-slides/{slide_id}", "reader", "404"),
    Row("GET /api/practice-slides/{slide_id}/tiles/{level}/{column}/{row}.jpg", "reader", "404"),
    Row("POST /api/practice-slides/{slide_id}/reads", "reader", "404", {}, 201),
    Row(
        "POST /api/practice-reads/{practice_read_id}/finds",
        "reader",
        "404",
        {"bbox": [1, 1, 20, 20], "group": "oocyst"},
        201,
    ),
    Row("DELETE /api/practice-finds/{find_id}", "reader", "404", first=204),
    Row("POST /api/practice-reads/{practice_read_id}/end", "reader", "404"),
    Row("GET /api/practice/rule", "reader", "same"),
    Row("POST /api/practice/rule", "veterinarian", "same", {"objects_per_group": 0, "share_right": 0}, 201),
    Row("GET /api/practice/me", "reader", "same"),
    Row("GET /api/practice/people", "veterinarian", "same"),
    Row("GET /api/specimens/{specimen_id}/learner-reads", "assistant", "404"),
)
# Trained, judged and in use nowhere; nothing here sets a training going.
DETECTORS = (
    Row("POST /api/labelled-sets/imports", "veterinarian", "same", first=422, content=NO_PICTURE),
    Row("POST /api/labelled-sets/{set_id}/trainings", "veterinarian", "404", {"steps": 0}, 422),
    Row("GET /api/labelled-sets/{set_id}/trainings", "assistant", "404"),
    Row("GET /api/trainings/{run_id}", "assistant", "404"),
    Row("POST /api/trainings/{run_id}/stop", "veterinarian", "404", first=409),
    Row("POST /api/trainings/{run_id}/again", "veterinarian", "404", first=409),
    Row("GET /api/detectors", "assistant", "same"),
    Row("GET /api/detectors/{detector_id}", "assistant", "404"),
    Row("GET /api/detectors/{detector_id}/record.json", "assistant", "404"),
    Row("GET /api/detectors/{detector_id}/plots/{name}.png", "assistant", "404", names={"name": "plot"}),
    Row("POST /api/detectors/{detector_id}/comparisons", "veterinarian", "404", {"set_id": 0}, 422),
    Row("POST /api/detectors/{detector_id}/use", "veterinarian", "404", {"comparison_id": 1, "lost": 0}, 409),
    Row("POST /api/detectors/go-back", "veterinarian", "same", {}, 409),
)
ROWS = (*PAGES, *FILES, *PEOPLE, *SCALES, *PICTURES, *READING, *TOGETHER, *SPECIMENS, *DETECTORS, *PRACTICE)
