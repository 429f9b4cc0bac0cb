"""The photo store."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from colourmatch.book.photo_store import PhotoStore, hash_photo, open_source
from colourmatch.errors import BookError, PhotoError


def test_a_photo_lies_under_the_hash_of_its_content(tmp_path: Path, jpeg: bytes) -> None:
    store = PhotoStore(tmp_path / "deep" / "photos")
    kept = store.keep(jpeg)
    path = store.path(kept.name)
    assert path == tmp_path / "deep" / "photos" / kept.sha256[:2] / f"{kept.sha256}.jpg"
    assert hashlib.sha256(path.read_bytes()).hexdigest() == kept.sha256
    assert kept.original_sha256 == hash_photo(jpeg) == hashlib.sha256(jpeg).hexdigest()
    stamp = path.stat().st_mtime_ns
    assert store.keep(jpeg) == kept and path.stat().st_mtime_ns == stamp
    assert list(store.names()) == [kept.name]


def test_others_may_read_a_stored_photo(tmp_path: Path, jpeg: bytes) -> None:
    store = PhotoStore(tmp_path)
    assert store.path(store.keep(jpeg).name).stat().st_mode & 0o777 == 0o644


def test_a_half_written_file_is_written_again(tmp_path: Path, jpeg: bytes) -> None:
    store = PhotoStore(tmp_path)
    kept = store.keep(jpeg)
    whole = store.path(kept.name).read_bytes()
    store.path(kept.name).write_bytes(whole[:100])
    store.keep(jpeg)
    assert store.path(kept.name).read_bytes() == whole


def test_the_same_photo_is_put_back_where_it_is_missing_or_changed_and_no_other(
    tmp_path: Path, jpeg: bytes
) -> None:
    store = PhotoStore(tmp_path)
    name = store.keep(jpeg).name
    whole = store.path(name).read_bytes()
    assert store.holds(name) and not store.put_back(name, jpeg) and not store.put_back(None, jpeg)
    store.path(name).write_bytes(whole[:-1] + b"x")  # as long as it was
    assert not store.holds(name) and store.put_back(name, jpeg) and store.path(name).read_bytes() == whole
    store.path(name).unlink()
    other = jpeg.replace(b"\xff\xd9", b"\xff\xfe\x00\x04hi\xff\xd9")  # with a comment in it
    assert not store.put_back(name, other) and list(store.names()) == []
    assert store.put_back(name, jpeg) and store.path(name).read_bytes() == whole


def test_refusals(tmp_path: Path, jpeg: bytes) -> None:
    store = PhotoStore(tmp_path / "photos")
    with pytest.raises(PhotoError, match="empty"):
        store.keep(b"")
    for place in (tmp_path / "none.jpg", tmp_path):
        with pytest.raises(PhotoError, match="cannot be read"):
            open_source(place)
    with pytest.raises(ValueError, match="no folder"):
        store.path("../../etc/passwd")
    with pytest.raises(ValueError, match="not what its name says"):
        store.restore("0" * 64 + ".jpg", jpeg)
    (tmp_path / "photos").write_text("in the way")
    with pytest.raises(BookError, match=r"cannot be kept.*then add the photo again"):
        store.keep(jpeg)
