"""How many uploads are let through."""

from __future__ import annotations

from colourmatch.sharing.uploads import MOST_AT_ONCE, MOST_WAITING, UploadRoom


def put(room: UploadRoom, page: str, file: str, method: str = "PUT"):
    return room.take({"path": f"/_stcore/upload_file/{page}/{file}", "method": method})


def test_other_requests_pass():
    room = UploadRoom()
    assert not room.take({"path": "/", "method": "GET"}).refusal
    assert not put(room, "page", "file", "OPTIONS").refusal


def test_uploads_under_way_are_bounded_and_make_room_when_they_end():
    room = UploadRoom()
    under_way = [put(room, "page", f"file-{n}") for n in range(MOST_AT_ONCE)]
    assert not any(upload.refusal for upload in under_way)
    assert put(room, "other", "file").refusal.startswith("Too many uploads at once. Wait")
    under_way[0].end()
    assert not put(room, "other", "file").refusal


def test_files_of_a_page_are_bounded_and_removing_one_makes_room():
    room = UploadRoom()
    for number in range(MOST_WAITING):
        put(room, "page", f"file-{number}").end()
    refused = put(room, "page", "one-more")
    assert "Reload it" in refused.refusal
    refused.end()
    assert not put(room, "other", "file").refusal
    put(room, "page", "file-3", "DELETE")
    assert not put(room, "page", "one-more").refusal


def test_memory_of_pages_is_bounded():
    room = UploadRoom()
    for number in range(1000):
        put(room, f"page-{number}", "file").end()
    assert len(room._files) <= 256
