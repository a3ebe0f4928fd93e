"""The child that decodes: real signals, a real bound on memory, a real hang."""

from __future__ import annotations

import os
import signal
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from service_slides import draw_slide

from service.decoding import Bounds, Decoder, DecoderClosedError, DecoderGoneError, Seen
from triage.errors import ImageError

LIMIT_S = 60.0


@pytest.fixture
def decoder() -> Iterator[Decoder]:
    made = Decoder(Bounds(memory_mib=768, seconds=LIMIT_S))
    yield made
    made.close()


@pytest.fixture
def good(tmp_path: Path) -> Path:
    path = tmp_path / "good.png"
    path.write_bytes(draw_slide(8001))
    return path


@pytest.fixture
def hanging(tmp_path: Path) -> Path:
    """A pipe that nobody writes to: whoever opens it waits for ever."""
    path = tmp_path / "hanging.tif"
    os.mkfifo(path)
    return path


def look(decoder: Decoder, path: Path) -> Seen:
    folder = path.parent
    return decoder.look(path, path.name, pyramid_path=folder / "pyramid.tif", copy_path=folder / "copy.tif")


def wait_for_child() -> int:
    deadline = time.monotonic() + LIMIT_S
    own = os.getpid()
    while time.monotonic() < deadline:
        for thread in Path(f"/proc/{own}/task").iterdir():
            for child in (thread / "children").read_text().split():
                if b"spawn_main" in Path(f"/proc/{child}/cmdline").read_bytes():
                    return int(child)
        time.sleep(0.02)
    raise AssertionError("no child was started")


def test_good_picture_is_seen(decoder: Decoder, good: Path) -> None:
    assert look(decoder, good) == Seen(600, 420, None)
    assert not (good.parent / "pyramid.tif").exists(), "a small picture's pyramid is written later"


def test_refusal_of_the_child_comes_through(decoder: Decoder, tmp_path: Path) -> None:
    path = tmp_path / "words.jpg"
    path.write_bytes(b"these are only words")
    with pytest.raises(ImageError, match=r"words\.jpg is no picture"):
        look(decoder, path)


def test_crash_is_told_and_the_next_picture_is_seen(decoder: Decoder, good: Path, hanging: Path) -> None:
    def crash() -> None:
        child = wait_for_child()
        # Long enough to be at the picture; a signal before that is as much of a crash.
        time.sleep(1)
        os.kill(child, signal.SIGSEGV)

    killer = threading.Thread(target=crash)
    killer.start()
    with pytest.raises(DecoderGoneError, match=r"hanging\.tif made the decoder fail \(signal SIGSEGV\)"):
        look(decoder, hanging)
    killer.join()
    assert look(decoder, good).width == 600


def test_hang_is_ended_and_the_next_picture_is_seen(good: Path, hanging: Path) -> None:
    decoder = Decoder(Bounds(memory_mib=768, seconds=3))
    try:
        with pytest.raises(DecoderGoneError, match=r"hanging\.tif took longer than 3 s to decode"):
            look(decoder, hanging)
    finally:
        decoder.close()
    with pytest.raises(DecoderClosedError):
        look(decoder, good)


def test_hunger_for_memory_is_refused_and_the_next_picture_is_seen(good: Path, tmp_path: Path) -> None:
    # All coefficients of a progressive JPEG are held: 6 bytes a pixel, 206 MiB; a child alone has some 250.
    path = tmp_path / "progressive.jpg"
    Image.fromarray(np.full((6000, 6000, 3), 200, np.uint8)).save(
        path, progressive=True, subsampling=0, quality=50
    )
    decoder = Decoder(Bounds(memory_mib=384, seconds=LIMIT_S))
    try:
        with pytest.raises(ImageError, match=r"progressive\.jpg needs more than 384 MiB of memory"):
            look(decoder, path)
        assert look(decoder, good).width == 600
    finally:
        decoder.close()
    roomy = Decoder(Bounds(memory_mib=768, seconds=LIMIT_S))
    try:
        assert look(roomy, path).width == 6000
    finally:
        roomy.close()


def test_cut_picture_is_told_as_such_by_a_service_that_once_held_much_memory(tmp_path: Path) -> None:
    held = np.ones(700 * 1024 * 1024, np.uint8)
    del held
    whole = tmp_path / "whole.jpg"
    Image.fromarray(np.full((600, 800, 3), 200, np.uint8)).save(whole)
    path = tmp_path / "cut.jpg"
    path.write_bytes(whole.read_bytes()[:-600])
    decoder = Decoder(Bounds(memory_mib=768, seconds=LIMIT_S))
    try:
        with pytest.raises(ImageError, match=r"cut\.jpg is cut short or damaged"):
            look(decoder, path)
    finally:
        decoder.close()


def test_closing_ends_a_picture_without_blaming_it(hanging: Path) -> None:
    decoder = Decoder(Bounds(memory_mib=768, seconds=LIMIT_S))

    def close() -> None:
        wait_for_child()
        decoder.close()

    closer = threading.Thread(target=close)
    closer.start()
    with pytest.raises(DecoderClosedError):
        look(decoder, hanging)
    closer.join()
