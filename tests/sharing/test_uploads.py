"""How many uploads are let through."""

from __future__ import annotations

from contextlib import ExitStack

import pytest

from colourmatch.sharing.connections import (
    BYTES_OF_ONE,
    FILES_WAITING,
    MOST_BYTES,
    UPLOADS_AT_ONCE,
    UploadRoom,
)


class Upload(ExitStack):
    """A request that lasts until it ends."""

    def __init__(self, room: UploadRoom, scope: dict[str, object]) -> None:
        super().__init__()
        self.refusal = self.enter_context(room.take(scope))
        self.end = self.close


def put(
    room: UploadRoom, page: str, file: str = "file", method: str = "PUT", visitor: str = "192.168.1.9"
) -> Upload:
    path = f"/_stcore/upload_file/{page}/{file}"
    return Upload(room, {"path": path, "method": method, "client": (visitor, 50000)})


@pytest.mark.parametrize("method", ["OPTIONS", "DELETE"])
def test_other_requests_pass(method):
    room = UploadRoom(lambda: {"page": [1] * 1000})
    assert not Upload(room, {"path": "/", "method": "GET"}).refusal
    assert not put(room, "page", method=method).refusal


def test_uploads_under_way_are_bounded_and_make_room_when_they_end():
    room = UploadRoom()
    under_way = [put(room, "page", f"file-{n}") for n in range(UPLOADS_AT_ONCE)]
    assert not any(upload.refusal for upload in under_way)
    refused = put(room, "other")
    assert refused.refusal.startswith("Too many uploads at once. Wait")
    refused.end()
    assert put(room, "other").refusal
    assert not put(room, "third", visitor="192.168.1.10").refusal
    under_way[0].end()
    assert not put(room, "other").refusal


def test_files_of_a_page_are_bounded():
    files = {"page": [10] * FILES_WAITING}
    room = UploadRoom(lambda: files)
    assert "Take some out, or reload" in put(room, "page").refusal
    assert not put(room, "other").refusal
    files["page"].pop()
    assert not put(room, "page").refusal


def test_one_visitor_fills_no_more_than_their_share():
    files: dict[str, list[int]] = {}
    room = UploadRoom(lambda: files)
    assert not put(room, "one", visitor="a").refusal
    files["one"] = [BYTES_OF_ONE + 1]
    assert "wait a minute" in put(room, "one", visitor="a").refusal
    assert put(room, "one-more", visitor="a").refusal
    assert not put(room, "two", visitor="b").refusal
    for page, visitor in (("two", "b"), ("three", "c"), ("four", "d")):
        assert not put(room, page, visitor=visitor).refusal
        files[page] = [BYTES_OF_ONE]
    assert sum(map(sum, files.values())) > MOST_BYTES
    assert put(room, "two", visitor="b").refusal and not put(room, "five", visitor="e").refusal
    del files["one"], files["three"]
    assert not put(room, "one-more", visitor="a").refusal
