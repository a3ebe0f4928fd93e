"""Large files through a connection that is cut in the middle."""

from __future__ import annotations

import hashlib
import re
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from playwright.sync_api import Browser, Page, expect

from .conftest import Clinic, enter_with_session, open_watched

LONG_MS = 60_000
# A browser sends a request again by itself when a connection that it used before breaks.
FEW_CUTS = 3
MUCH_BYTES = 500_000


@dataclass
class Line:
    """A line to the service that can be cut.

    Attributes
    ----------
    address : str
        Where a browser reaches the service through it.
    cut_after : int or None
        Bytes from the browser after which each connection that sends much breaks, `cuts` times.
    """

    address: str
    cut_after: int | None = None
    cuts: int = 1000
    n_sent: int = 0
    n_cut: int = 0
    open_sockets: list[socket.socket] = field(default_factory=list)

    def cut(self, browser_side: socket.socket, service_side: socket.socket) -> None:
        """Break one connection at both ends."""
        self.n_cut += 1
        if self.n_cut == self.cuts:
            self.cut_after = None
        for end in (browser_side, service_side):
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)


@contextmanager
def run_line(clinic: Clinic) -> Iterator[Line]:
    """A line to the service of `clinic`."""
    target_port = int(clinic.address.rsplit(":", 1)[1])
    listener = socket.create_server(("127.0.0.1", 0))
    line = Line(f"http://127.0.0.1:{listener.getsockname()[1]}")
    accepting = threading.Thread(target=_accept, args=(listener, line, target_port), daemon=True)
    accepting.start()
    try:
        yield line
    finally:
        with suppress(OSError):
            listener.shutdown(socket.SHUT_RDWR)
        listener.close()
        accepting.join()
        for one in line.open_sockets:
            with suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)
            one.close()


def _accept(listener: socket.socket, line: Line, target_port: int) -> None:
    while True:
        try:
            browser_side, _ = listener.accept()
        except OSError:
            return
        try:
            service_side = socket.create_connection(("127.0.0.1", target_port))
        except OSError:
            browser_side.close()
            continue
        line.open_sockets += [browser_side, service_side]
        for source, target, is_sending in (
            (browser_side, service_side, True),
            (service_side, browser_side, False),
        ):
            threading.Thread(target=_pass_on, args=(line, source, target, is_sending), daemon=True).start()


def _pass_on(line: Line, source: socket.socket, target: socket.socket, is_sending: bool) -> None:
    n_bytes, is_taken = 0, True
    with suppress(OSError):
        while piece := source.recv(65536):
            n_bytes += len(piece)
            line.n_sent += len(piece) if is_sending else 0
            is_due = line.cut_after is not None and line.n_sent > line.cut_after
            if is_sending and is_due and n_bytes > MUCH_BYTES:
                line.cut(source, target)
                return
            # A service that has answered already takes no more; the rest must go somewhere, or the browser
            # waits for ever and never reads the answer.
            is_taken = is_taken and _send(target, piece)
    with suppress(OSError):
        target.shutdown(socket.SHUT_WR)


def _send(target: socket.socket, piece: bytes) -> bool:
    """Whether the other end took it."""
    try:
        target.sendall(piece)
    except OSError:
        return False
    return True


@pytest.fixture
def large_picture(tmp_path: Path) -> Path:
    """Some 8 MB that no compression makes smaller."""
    path = tmp_path / "mosaic.png"
    noise = np.random.default_rng(5).integers(160, 220, (1900, 2000, 3), dtype=np.uint8)
    Image.fromarray(noise).save(path)
    return path


@pytest.fixture
def line(clinic: Clinic) -> Iterator[Line]:
    with run_line(clinic) as running:
        yield running


@pytest.fixture
def behind(browser: Browser, clinic: Clinic, line: Line) -> Iterator[Page]:
    """A page that reaches the service through the line."""
    there = Clinic(line.address, clinic.client)
    with open_watched(browser, there) as page:
        enter_with_session(page, there)
        yield page


def choose(page: Page, picture: Path) -> None:
    page.get_by_label("µm per pixel by hand").check()
    page.get_by_label("µm per pixel", exact=True).fill("0.5")
    page.locator("#file-input").set_input_files(picture)


def test_upload_goes_on_by_itself_after_the_connection_was_cut(
    behind: Page, line: Line, clinic: Clinic, large_picture: Path
) -> None:
    specimen = clinic.file_specimen("CUT-1")
    behind.goto(f"{line.address}/specimens/{specimen['id']}")
    line.cut_after, line.cuts = 2_000_000, FEW_CUTS
    choose(behind, large_picture)
    expect(behind.locator("#picture-list")).to_contain_text("mosaic.png", timeout=LONG_MS)
    assert line.n_cut == FEW_CUTS
    expect(behind.locator("#upload-list li")).to_have_count(0)
    images = clinic.client.get(f"/api/specimens/{specimen['id']}").json()["preparations"][0]["images"]
    assert [one["sha256"] for one in images] == [hashlib.sha256(large_picture.read_bytes()).hexdigest()]


def test_upload_goes_on_where_it_was_after_the_page_was_opened_anew(
    behind: Page, line: Line, clinic: Clinic, large_picture: Path
) -> None:
    specimen = clinic.file_specimen("CUT-2")
    path = f"{line.address}/specimens/{specimen['id']}"
    behind.goto(path)
    # After the first part, in the middle of the second.
    line.cut_after = 5_500_000
    choose(behind, large_picture)
    expect(behind.locator("#upload-list")).to_contain_text(
        re.compile(r"Connection lost at \d+ %"), timeout=LONG_MS
    )
    behind.goto("about:blank")
    behind.goto(path)
    left_over = behind.locator("#upload-list li")
    expect(left_over).to_contain_text(re.compile(r"[1-9]\d % arrived. Choose the same file again to go on."))
    begun = clinic.client.get(f"/api/preparations/{specimen['preparations'][0]['id']}/uploads").json()
    line.cut_after = None
    choose(behind, large_picture)
    expect(behind.locator("#picture-list")).to_contain_text("mosaic.png", timeout=LONG_MS)
    expect(left_over).to_have_count(0)
    stored = clinic.client.get(begun[0]["upload_url"]).json()
    assert (len(begun), stored["state"]) == (1, "stored")


def test_stopped_upload_leaves_nothing_behind(
    behind: Page, line: Line, clinic: Clinic, large_picture: Path
) -> None:
    specimen = clinic.file_specimen("CUT-3")
    behind.goto(f"{line.address}/specimens/{specimen['id']}")
    line.cut_after = 2_000_000
    choose(behind, large_picture)
    expect(behind.locator("#upload-list")).to_contain_text("Connection lost", timeout=LONG_MS)
    behind.get_by_role("button", name="Stop sending mosaic.png").click()
    expect(behind.locator("#upload-list li")).to_have_count(0)
    begun = clinic.client.get(f"/api/preparations/{specimen['preparations'][0]['id']}/uploads").json()
    assert begun == []
