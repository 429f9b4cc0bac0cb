"""Many photos in one call: every core, in order, one thread each; neither a bad file nor a dead worker stops the rest."""

import json
import os
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image
from processes import run_python

from colourmatch.cli import run
from colourmatch.commands import photos
from colourmatch.commands.framework import Session
from colourmatch.commands.photos import note_each

BOXES = ["--white", "10,10,60,60", "--reference", "100,80,60,60", "--batch", "200,80,60,60"]


def draw_scenes(folder: Path, count: int) -> list[str]:
    """Small photos, each with a batch a little darker than the one before."""
    paths = []
    for k in range(count):
        pixels = np.full((180, 300, 3), 205.0)
        pixels[70:150, 90:170], pixels[70:150, 190:270] = (190, 100, 90), (190 - 8 * k, 100 - 4 * k, 90)
        pixels += np.random.default_rng(k).normal(0, 1, pixels.shape)
        paths.append(str(folder / f"scene-{k}.png"))
        Image.fromarray(np.clip(pixels, 0, 255).astype(np.uint8)).save(paths[-1])
    return paths


def test_bad_files_among_many_stop_nothing_and_keep_their_place(tmp_path):
    good = draw_scenes(tmp_path, 4)
    (tmp_path / "text.jpg").write_text("no photo")
    (tmp_path / "empty.jpg").touch()
    (tmp_path / "cut.png").write_bytes(Path(good[0]).read_bytes()[:2000])
    bad = [str(tmp_path / name) for name in ("text.jpg", "empty.jpg", "cut.png", "none.jpg", ".")]
    given = [good[0], bad[0], bad[1], good[1], bad[2], good[2], bad[3], bad[4], good[3]]
    done = run_python("-m", "colourmatch", "measure", *given, *BOXES, "--json")
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)["photos"]
    assert [photo["photo"] for photo in found] == [Path(path).name for path in given]
    assert [photo["error"] is None for photo in found] == [path in good for path in given]
    assert all(photo["error"].endswith(".") for photo in found if photo["error"])
    away = [photo["delta_e_2000"]["value"] for photo in found if photo["error"] is None]
    assert away == sorted(away)
    told = [line.split(",")[0] for line in done.stderr.splitlines()]
    assert told == [f"Photo {k} of 9" for k in range(1, 10)]


def die_or_say(photo: str, *_how: Any) -> dict[str, Any]:
    """Instead of measuring: the process and the threads of its matrices; one photo ends it, as for want of memory."""
    if photo == "huge.jpg":
        os._exit(9)
    return {"photo": photo, "process": os.getpid(), "threads": os.environ.get("OPENBLAS_NUM_THREADS")}


@pytest.fixture
def two_cores(monkeypatch: pytest.MonkeyPatch) -> None:
    """As on a machine with two cores, whatever this one has."""
    monkeypatch.setattr(os, "sched_getaffinity", lambda _pid: {0, 1}, raising=False)


def test_many_are_measured_by_workers_with_a_thread_each_and_one_that_dies_costs_one(two_cores, monkeypatch):
    monkeypatch.setattr(photos, "measure_one", die_or_say)
    found = list(photos.measure_all(("a", "huge.jpg", "b", "c", "d"), {}))
    assert [one["photo"] for one in found] == ["a", "huge.jpg", "b", "c", "d"]
    assert "more memory than there is" in found.pop(1)["error"]
    assert os.getpid() not in {one["process"] for one in found}
    assert {one["threads"] for one in found} == {"1"}


@pytest.mark.parametrize(("terminal", "total", "bar"), [(True, 3, True), (False, 3, False), (True, 1, False)])
def test_a_bar_is_shown_on_a_terminal_only(monkeypatch, capsys, terminal, total, bar):
    monkeypatch.setattr(sys.stderr, "isatty", lambda: terminal)
    results = [{"photo": f"{number}.jpg"} for number in range(total)]
    assert list(note_each(Session(), iter(results), total)) == results
    out, err = capsys.readouterr()
    assert out == "" and ("Measuring photos" in err) is bar


def test_photos_are_read_in_parallel_and_learnt_from_in_order(tmp_path, capsys, two_cores, monkeypatch):
    monkeypatch.setattr("colourmatch.workflow.fitting.list_mishaps", lambda *_given: [])  # they take long
    scenes = draw_scenes(tmp_path, 4)
    (tmp_path / "text.jpg").write_text("no photo")
    given = [*scenes[:2], str(tmp_path / "text.jpg"), *scenes[2:]]

    def tell(*words: str) -> Any:
        assert run([*words, "--book", str(tmp_path / "lots.db"), "--json"]) == 0
        return json.loads(capsys.readouterr().out)

    tell("stock", "add", "red", "--colourant", "E129", "--strength-g-per-100ml", "1")
    tell("lot", "new", "--name", "Bitter", "--volume-ml", "900", "--stock", "red")
    found = tell("lot", "photo", "1", *given, *BOXES)["photos"]
    assert [photo["photo"] for photo in found] == [Path(path).name for path in given]
    entries = [photo["entry"] for photo in found]
    assert entries[2] is None and sorted(e for e in entries if e) == [e for e in entries if e]
    # each advice rests on the photos before it
    seen = [photo["advice"]["combined"]["photos"] for photo in found if photo["entry"]]
    assert [len(names) for names in seen] == [1, 2, 3, 4]
    again = tell("lot", "photo", "1", scenes[1], *BOXES)
    assert again["entry"] == entries[1] and again["repeated"]
