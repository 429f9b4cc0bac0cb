"""How many uploads are let through."""

from __future__ import annotations

import pytest

from colourmatch.sharing.uploads import MOST_AT_ONCE, MOST_BYTES, MOST_WAITING, Upload, UploadRoom


def put(room: UploadRoom, page: str, file: str = "file", method: str = "PUT") -> Upload:
    return room.take({"path": f"/_stcore/upload_file/{page}/{file}", "method": method})


@pytest.mark.parametrize("method", ["OPTIONS", "DELETE"])
def test_other_requests_pass(method):
    room = UploadRoom(lambda: {"page": [1] * 1000})
    assert not room.take({"path": "/", "method": "GET"}).refusal
    assert not put(room, "page", method=method).refusal


def test_uploads_under_way_are_bounded_and_make_room_when_they_end():
    room = UploadRoom()
    under_way = [put(room, "page", f"file-{n}") for n in range(MOST_AT_ONCE)]
    assert not any(upload.refusal for upload in under_way)
    refused = put(room, "other")
    assert refused.refusal.startswith("Too many uploads at once. Wait")
    refused.end()
    assert put(room, "other").refusal
    under_way[0].end()
    assert not put(room, "other").refusal


def test_files_of_a_page_are_bounded():
    files = {"page": [10] * MOST_WAITING}
    room = UploadRoom(lambda: files)
    assert "Take some out, or reload" in put(room, "page").refusal
    assert not put(room, "other").refusal
    files["page"].pop()
    assert not put(room, "page").refusal


def test_bytes_of_all_pages_are_bounded():
    room = UploadRoom(lambda: {"one": [MOST_BYTES], "two": [1]})
    assert put(room, "three").refusal
