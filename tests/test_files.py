"""Files written whole or not at all, whatever happens on the way; the full disk itself is in tests/faults."""

import os
import stat
import subprocess
import sys
from pathlib import Path

import pytest
from processes import run_python

from colourmatch import files
from colourmatch.errors import InputError
from colourmatch.files import replace_text, replace_whole, write_out


def names(folder: Path) -> list[str]:
    return sorted(file.name for file in folder.iterdir())


@pytest.mark.parametrize("error", [OSError("the disk"), KeyboardInterrupt(), ValueError("a fault")])
@pytest.mark.parametrize("write", [replace_whole, replace_text])
def test_whatever_ends_the_writing_leaves_the_old_file_and_no_piece(tmp_path, write, error):
    out = tmp_path / "a.csv"
    out.write_bytes(b"old")
    with pytest.raises(type(error)), write(out) as stream:
        stream.write("half" if write is replace_text else b"half")
        raise error
    assert out.read_bytes() == b"old" and names(tmp_path) == ["a.csv"]
    with replace_text(out) as stream:
        stream.write("Grüße\r\n")
        stream.flush()
        assert out.read_bytes() == b"old"
    assert out.read_bytes() == "Grüße\r\n".encode() and names(tmp_path) == ["a.csv"]


@pytest.mark.skipif(os.name == "nt", reason="rights of files are of another kind here")
def test_rights_are_those_of_the_old_file_else_the_usual_ones(tmp_path):
    (tmp_path / "plain").write_bytes(b"")
    write_out(b"x", tmp_path / "new", "card")
    assert (tmp_path / "new").stat().st_mode == (tmp_path / "plain").stat().st_mode
    (tmp_path / "new").chmod(0o640)
    with replace_whole(tmp_path / "new") as stream:
        (partial,) = tmp_path.glob(".partial-*")
        assert stat.S_IMODE(partial.stat().st_mode) == 0o640
        stream.write(b"y")
    assert stat.S_IMODE((tmp_path / "new").stat().st_mode) == 0o640
    with replace_whole(tmp_path / "private", mode=0o600) as stream:
        (partial,) = tmp_path.glob(".partial-*")
        assert stat.S_IMODE(partial.stat().st_mode) == 0o600
        stream.write(b"z")
    with replace_whole(tmp_path / "shared", mode=0o604) as stream:
        stream.write(b"z")
    assert stat.S_IMODE((tmp_path / "shared").stat().st_mode) == 0o604


@pytest.mark.skipif(not hasattr(os, "symlink") or os.name == "nt", reason="no links here")
def test_a_link_keeps_pointing_and_a_pipe_is_written_as_it_is(tmp_path):
    (tmp_path / "true.pdf").write_bytes(b"old")
    (tmp_path / "link.pdf").symlink_to("true.pdf")
    write_out(b"new", tmp_path / "link.pdf", "card")
    assert (tmp_path / "link.pdf").is_symlink() and (tmp_path / "true.pdf").read_bytes() == b"new"
    os.mkfifo(tmp_path / "pipe")
    reader = os.open(tmp_path / "pipe", os.O_RDONLY | os.O_NONBLOCK)
    write_out(b"through", tmp_path / "pipe", "card")
    assert os.read(reader, 100) == b"through" and stat.S_ISFIFO((tmp_path / "pipe").stat().st_mode)
    os.close(reader)


def test_a_file_protected_against_writing_is_not_replaced(tmp_path, monkeypatch):
    (tmp_path / "a.pdf").write_bytes(b"old")
    monkeypatch.setattr(os, "access", lambda *_: False)  # root may write everything
    with pytest.raises(InputError, match=r"cannot be written to .* \(Permission denied\)\. Choose a file"):
        write_out(b"new", tmp_path / "a.pdf", "card")
    assert (tmp_path / "a.pdf").read_bytes() == b"old"


@pytest.mark.parametrize("name", ["", "no/such/folder/a.pdf", "x" * 300])
def test_a_place_that_cannot_be_written_is_refused_with_what_to_do(tmp_path, name):
    with pytest.raises(InputError, match="Choose a file in a folder that exists and is yours"):
        write_out(b"x", tmp_path / name, "card")
    assert names(tmp_path) == []


@pytest.mark.skipif(os.name == "nt", reason="a folder cannot be opened here")
def test_the_content_is_on_the_disk_before_it_has_the_name_and_the_name_at_the_end(tmp_path, monkeypatch):
    done = []
    fsync, replace = os.fsync, os.replace

    def note_sync(handle: int) -> None:
        done.append("folder" if stat.S_ISDIR(os.fstat(handle).st_mode) else "content")
        fsync(handle)

    def note_name(*paths: Path) -> None:
        done.append("name")
        replace(*paths)

    monkeypatch.setattr(os, "fsync", note_sync)
    monkeypatch.setattr(os, "replace", note_name)
    write_out(b"new", tmp_path / "a.pdf", "card")
    assert done == ["content", "name", "folder"]


def test_pieces_of_killed_jobs_are_cleared_and_those_of_running_ones_stay(tmp_path):
    gone = subprocess.Popen([sys.executable, "-c", ""])
    gone.wait()
    own = files.name_partial()
    dead = own.replace(f"-{os.getpid()}-", f"-{gone.pid}-")
    other = f".backup-00000000-{gone.pid}-abc"
    old = f".partial-11111111-{os.getpid()}-abc"
    for name in (own, dead, old, "kept.pdf", ".partial-mine"):
        (tmp_path / name).write_bytes(b"x")
    for name in (other, dead.replace("partial", "backup")):
        (tmp_path / name).mkdir()
        (tmp_path / name / "archive.zip").write_bytes(b"x")
    os.utime(tmp_path / old, (0, 0))
    assert files.clear_left_over(tmp_path) == 3
    assert {file.name for file in tmp_path.iterdir()} == {own, other, "kept.pdf", ".partial-mine"}


def test_a_file_that_is_written_clears_what_was_left_there(tmp_path):
    code = (
        "import os, sys; from pathlib import Path; from colourmatch.files import replace_whole\n"
        "with replace_whole(Path(sys.argv[1])) as out: out.write(b'half'); out.flush(); os._exit(1)"
    )
    run_python("-c", code, tmp_path / "a.pdf")
    assert len(list(tmp_path.glob(".partial-*"))) == 1
    running = files.name_partial()  # of a job that still runs
    (tmp_path / running).write_bytes(b"x")
    with files.replace_whole(tmp_path / "a.pdf") as out:
        out.write(b"whole")
    assert names(tmp_path) == sorted(["a.pdf", running])
