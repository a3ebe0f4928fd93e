"""Headers that keep pages to themselves, and the limit of JSON bodies."""

from __future__ import annotations

from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.errors import problem

CONTENT_SECURITY_POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        # The viewer shows an empty tile as data, and a phone's fresh picture as a blob.
        "img-src 'self' data: blob:",
        "connect-src 'self'",
        "font-src 'self'",
        "manifest-src 'self'",
        "form-action 'self'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
    )
)
HEADERS = {
    "Content-Security-Policy": CONTENT_SECURITY_POLICY,
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(self), geolocation=(), microphone=()",
    "Referrer-Policy": "same-origin",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
}
JSON_LIMIT_BYTES = 1024 * 1024
TOO_LARGE = f"The body is larger than {JSON_LIMIT_BYTES} bytes, the limit for everything but pictures."


class SecurityHeaders:
    """Adds the headers to every answer; answers under `/api` are not kept by caches unless they say so."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
                if scope["path"].startswith("/api"):
                    headers.setdefault("Cache-Control", "no-store")
            await send(message)

        await self._app(scope, receive, send_with_headers)


class BodyLimit:
    """Refuses bodies beyond `JSON_LIMIT_BYTES`, except uploads, which are counted where they are written."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, counting what it sends."""
        if scope["type"] != "http" or _is_upload(scope):
            await self._app(scope, receive, send)
            return
        if _stated_length(scope) > JSON_LIMIT_BYTES:
            await problem(413, TOO_LARGE)(scope, receive, send)
            return
        n_bytes = 0

        async def receive_counted() -> Message:
            nonlocal n_bytes
            message = await receive()
            n_bytes += len(message.get("body", b""))
            if n_bytes > JSON_LIMIT_BYTES:
                raise HTTPException(413, TOO_LARGE)
            return message

        await self._app(scope, receive_counted, send)


def _stated_length(scope: Scope) -> int:
    stated = Headers(scope=scope).get("content-length", "")
    return int(stated) if stated.isdecimal() else 0


def _is_upload(scope: Scope) -> bool:
    path: str = scope["path"]
    is_part = scope["method"] == "PATCH" and path.startswith("/api/uploads/")
    return (
        is_part
        or path in ("/api/calibration-pictures", "/api/labelled-sets/imports", "/api/practice-collections")
        or (path.startswith("/api/preparations/") and path.endswith("/images"))
    )
