"""What the service refuses, and the one table from error class to HTTP status.

ServiceError (a TriageError)
├── SignedOutError      nobody is signed in, or the sign-in or token is not valid
├── NotAllowedError     this person's role may not do that
├── MissingError        there is no such record
├── ConflictError       the record's state forbids it
├── TooLargeError       the body is beyond the limit
├── TooManyTriesError   too many failed sign-ins
├── NoPdfError          this machine can't make a PDF
├── NoTrainingError     this machine can't train a detector
├── WorkError           a step of background work could not be done
└── UnreachableError    the database or the store of files doesn't answer, or is of another version
"""

from __future__ import annotations

import logging
from http import HTTPStatus
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from starlette.exceptions import HTTPException
from starlette.responses import Response

from service.pages import asks_for_page, show_no_such_page
from triage.errors import (
    BoxError,
    CalibrationError,
    ImageError,
    RecordError,
    StorageError,
    TriageError,
    WeightsError,
)

LOG = logging.getLogger(__name__)


class ServiceError(TriageError):
    """A request that can't be done; `extensions` are added to the problem document."""

    def __init__(self, message: str, **extensions: Any) -> None:
        super().__init__(message)
        self.extensions = extensions


class SignedOutError(ServiceError):
    """Nobody is signed in, or the sign-in or token is not valid."""


class NotAllowedError(ServiceError):
    """This person's role may not do that."""


class MissingError(ServiceError):
    """There is no such record."""


class ConflictError(ServiceError):
    """The record's state forbids it."""


class TooLargeError(ServiceError):
    """The body is beyond the limit."""


class TooManyTriesError(ServiceError):
    """Too many failed sign-ins."""


class NoPdfError(ServiceError):
    """This machine can't make a PDF."""


class NoTrainingError(ServiceError):
    """This machine can't train a detector."""


class WorkError(ServiceError):
    """A step of background work could not be done."""


class UnreachableError(ServiceError):
    """The database or the store of files doesn't answer, or is of another version."""


STATUS_OF: dict[type[TriageError], HTTPStatus] = {
    TriageError: HTTPStatus.BAD_REQUEST,
    ImageError: HTTPStatus.UNPROCESSABLE_ENTITY,
    BoxError: HTTPStatus.UNPROCESSABLE_ENTITY,
    CalibrationError: HTTPStatus.UNPROCESSABLE_ENTITY,
    RecordError: HTTPStatus.UNPROCESSABLE_ENTITY,
    WeightsError: HTTPStatus.INTERNAL_SERVER_ERROR,
    StorageError: HTTPStatus.INSUFFICIENT_STORAGE,
    ServiceError: HTTPStatus.BAD_REQUEST,
    SignedOutError: HTTPStatus.UNAUTHORIZED,
    NotAllowedError: HTTPStatus.FORBIDDEN,
    MissingError: HTTPStatus.NOT_FOUND,
    ConflictError: HTTPStatus.CONFLICT,
    TooLargeError: HTTPStatus.REQUEST_ENTITY_TOO_LARGE,
    TooManyTriesError: HTTPStatus.TOO_MANY_REQUESTS,
    NoPdfError: HTTPStatus.NOT_IMPLEMENTED,
    NoTrainingError: HTTPStatus.NOT_IMPLEMENTED,
    WorkError: HTTPStatus.INTERNAL_SERVER_ERROR,
    UnreachableError: HTTPStatus.SERVICE_UNAVAILABLE,
}


class ProblemResponse(JSONResponse):
    """A problem document (RFC 9457)."""

    media_type = "application/problem+json"

    def render(self, content: Any) -> bytes:
        """The document as bytes."""
        # Escaped, so that a lone surrogate in what was received can't break the answer.
        return super().render(_without_surrogates(content))


def _without_surrogates(value: Any) -> Any:
    if isinstance(value, str):
        return value.encode("utf-8", "replace").decode("utf-8")
    if isinstance(value, dict):
        return {key: _without_surrogates(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_without_surrogates(item) for item in value]
    return value


def problem(status: int, detail: str, **extensions: Any) -> ProblemResponse:
    """One problem document with its status."""
    headers = {"WWW-Authenticate": "Bearer"} if status == HTTPStatus.UNAUTHORIZED else None
    body = {"type": "about:blank", "title": HTTPStatus(status).phrase, "status": status, "detail": detail}
    return ProblemResponse({**extensions, **body}, status_code=status, headers=headers)


def status_of(error: type[TriageError]) -> HTTPStatus:
    """The status of an error class: its own, else that of its nearest parent in the table."""
    return next(STATUS_OF[parent] for parent in error.__mro__ if parent in STATUS_OF)


def add_error_handlers(app: FastAPI) -> None:
    """Let `app` answer every error with a problem document."""
    app.add_exception_handler(TriageError, _on_triage_error)
    app.add_exception_handler(RequestValidationError, _on_validation_error)
    app.add_exception_handler(HTTPException, _on_http_exception)
    app.add_exception_handler(Exception, _on_fault)


def _on_triage_error(request: Request, error: Exception) -> ProblemResponse:
    status = status_of(type(error))  # type: ignore[arg-type]
    if status >= HTTPStatus.INTERNAL_SERVER_ERROR:
        # What the surroundings refuse, a full disk for one, is said in one line; the rest is a fault of ours.
        where = error if status == HTTPStatus.INTERNAL_SERVER_ERROR else None
        LOG.error("%s %s: %s", request.method, request.url.path, error, exc_info=where)
    return problem(status, str(error), **getattr(error, "extensions", {}))


def _on_validation_error(_: Request, error: Exception) -> ProblemResponse:
    assert isinstance(error, RequestValidationError)
    errors = [_short_error(item) for item in error.errors()]
    return problem(HTTPStatus.UNPROCESSABLE_ENTITY, errors[0]["sentence"], errors=errors)


def _short_error(item: Any) -> dict[str, str]:
    """One refused value as `{field, sentence}`."""
    field = ".".join(str(part) for part in item["loc"][1:]) or str(item["loc"][0])
    message = str(item["msg"]).removeprefix("Value error, ").rstrip(".")
    received = repr(item.get("input"))
    shown = received if len(received) <= 80 else received[:77] + "..."
    return {"field": field, "sentence": f"{field}: {message}; received {shown}."}


def _on_http_exception(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    if error.status_code == HTTPStatus.NOT_FOUND and asks_for_page(request):
        return show_no_such_page(request)
    sentences = {
        HTTPStatus.NOT_FOUND: f"There is nothing at {request.url.path}.",
        HTTPStatus.METHOD_NOT_ALLOWED: f"{request.method} is not allowed at {request.url.path}.",
    }
    fallback = error.detail if str(error.detail).endswith(".") else f"{error.detail}."
    return problem(error.status_code, sentences.get(HTTPStatus(error.status_code), fallback))


def _on_fault(_: Request, __: Exception) -> ProblemResponse:
    return problem(
        HTTPStatus.INTERNAL_SERVER_ERROR,
        "The program failed at this request; nothing was stored. The log of the service says why.",
    )
