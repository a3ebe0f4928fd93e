"""What to mark next."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import httpx
from service_calls import list_candidates, mark, ok, problem


def _listed(client: httpx.Client) -> list[int]:
    return [one["image_id"] for one in ok(client.get("/api/next-to-label", params={"limit": 100}), 200)]


def test_picture_without_marks_is_offered_until_somebody_marks_it(
    reader: httpx.Client, second: httpx.Client, assistant: httpx.Client, new_image: Callable[..., Any]
) -> None:
    image = new_image()
    assert image["id"] in _listed(reader)
    ok(second.post(f"/api/images/{image['id']}/reads", json={"mode": "unaided"}), 201)
    # Whoever reads unaided is told nothing of what the tool makes of it.
    assert image["id"] in _listed(reader) and image["id"] not in _listed(second)
    mark(reader, list_candidates(reader, image)["candidates"][0])
    assert image["id"] not in _listed(reader)
    problem(assistant.get("/api/next-to-label"), 403)


def test_ranks_count_from_one_and_the_list_is_cut(reader: httpx.Client, image: dict[str, Any]) -> None:
    (first,) = ok(reader.get("/api/next-to-label", params={"limit": 1}), 200)
    assert first["rank"] == 1 and first["doubt"] >= 0
    problem(reader.get("/api/next-to-label", params={"limit": 0}), 422)
