"""The browser pages: thin shells; everything on them comes from the API by way of `web/static/js`."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from fastapi import APIRouter, Request
from fastapi.templating import Jinja2Templates
from starlette.responses import Response

from triage.labelled_set import LEAST_JUDGED_SPECIMENS

WEB_FOLDER = Path(__file__).parent / "web"
STATIC_FOLDER = WEB_FOLDER / "static"

router = APIRouter(include_in_schema=False)
_templates = Jinja2Templates(directory=WEB_FOLDER / "templates")


@router.get("/")
def show_worklist(request: Request) -> Response:
    """What waits, and second looks asked of the reader."""
    return _render(request, "worklist.html")


@router.get("/sign-in")
def show_sign_in(request: Request) -> Response:
    """The one page that needs no session."""
    return _render(request, "sign-in.html")


@router.get("/specimens/new")
def show_specimen_form(request: Request) -> Response:
    """File a specimen with its preparation facts."""
    return _render(request, "file-specimen.html")


@router.get("/specimens/{specimen_id}")
def show_specimen(request: Request, specimen_id: str) -> Response:
    """One specimen: preparation, pictures, second look and sign-off."""
    return _render(request, "specimen.html", specimen_id=specimen_id)


@router.get("/waiting")
def show_waiting(request: Request) -> Response:
    """What waits for whom, and since when."""
    return _render(request, "waiting.html")


@router.get("/reading/{image_id}")
def show_reading(request: Request, image_id: str) -> Response:
    """One picture with its ranked candidates, to be marked."""
    return _render(request, "reading.html", image_id=image_id)


@router.get("/calibrations")
def show_calibrations(request: Request) -> Response:
    """Calibrations on record, and a form that adds one."""
    return _render(request, "calibrations.html")


@router.get("/calibrations/new")
def show_calibration_upload(request: Request) -> Response:
    """Send a photograph to measure a scale on."""
    return _render(request, "calibration-upload.html")


@router.get("/calibrations/eyepiece")
def show_eyepiece_scale(request: Request) -> Response:
    """Work out and keep the scale of an eyepiece."""
    return _render(request, "eyepiece-scale.html")


@router.get("/calibrations/pictures/{picture_id}")
def show_calibration_picture(request: Request, picture_id: str) -> Response:
    """Measure a scale on a photograph, and confirm or refuse it."""
    return _render(request, "measure-scale.html", picture_id=picture_id, image_id="")


@router.get("/images/{image_id}/scale")
def show_image_scale(request: Request, image_id: str) -> Response:
    """Measure a scale that lies in an image itself."""
    return _render(request, "measure-scale.html", picture_id="", image_id=image_id)


@router.get("/bench")
def show_bench(request: Request) -> Response:
    """Published sizes, fields over a coverslip, what floats: to look up beside the microscope."""
    return _render(request, "bench.html")


@router.get("/labelled-sets")
def show_labelled_sets(request: Request) -> Response:
    """Labelled sets made so far, and a form that makes one."""
    return _render(request, "labelled-sets.html")


@router.get("/labelled-sets/{set_id}")
def show_labelled_set(request: Request, set_id: str) -> Response:
    """What one labelled set holds."""
    return _render(request, "labelled-set.html", set_id=set_id, least_judged=LEAST_JUDGED_SPECIMENS)


@router.get("/practice")
def show_practice(request: Request) -> Response:
    """Slides to learn on, how far one has come, and what the hospital asks for."""
    return _render(request, "practice.html")


@router.get("/practice/slides/{slide_id}")
def show_practice_slide(request: Request, slide_id: str) -> Response:
    """One practice slide, read blind, then with its answers."""
    return _render(request, "practice-slide.html", slide_id=slide_id)


@router.get("/readers")
def show_readers(request: Request) -> Response:
    """What readers find and how far they agree."""
    return _render(request, "readers.html")


@router.get("/detectors")
def show_detectors(request: Request) -> Response:
    """The hospital's detectors, which is in use, and who signed it."""
    return _render(request, "detectors.html")


@router.get("/detectors/{detector_id}")
def show_detector(request: Request, detector_id: str) -> Response:
    """How one detector was made and judged, and what it gains and loses beside the one in use."""
    return _render(request, "detector.html", detector_id=detector_id)


@router.get("/people")
def show_people(request: Request) -> Response:
    """Who works in a hospital, and who is invited."""
    return _render(request, "people.html")


@router.get("/join")
def show_join(request: Request) -> Response:
    """Come in by a one-time link; it needs no session."""
    return _render(request, "join.html")


@router.get("/account")
def show_account(request: Request) -> Response:
    """One's own name and role, password, sign-ins and program tokens."""
    return _render(request, "account.html")


def asks_for_page(request: Request) -> bool:
    """Whether a browser asks for something to show, and not a program, a script or a picture on a page."""
    is_page = not request.url.path.startswith(("/api/", "/static/"))
    return is_page and "text/html" in request.headers.get("accept", "")


def show_no_such_page(request: Request) -> Response:
    """Where somebody comes by a wrong address."""
    return _render(request, "no-such-page.html", status_code=404, path=request.url.path)


def _render(request: Request, template: str, *, status_code: int = 200, **context: Any) -> Response:
    return _templates.TemplateResponse(request, template, context, status_code=status_code)
