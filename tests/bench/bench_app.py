"""Times the app as a person meets it: from `colourmatch app` to the first usable page, and each run of a page.

Run: python tests/bench/bench_app.py FOLDER [--photos 10] [--profile]   (the book is kept in FOLDER and used again)
     python tests/bench/bench_app.py FOLDER --lots BOOK     (Lots of another book, such as one of bench_scale.py)

The start is timed in a headless Chromium that is open already: from the start of the command until the page has its
heading, its script has run through and a button can be tapped. It is done twice, since the first one compiles and
reads from the disk; other work on the machine adds to it, so its load is printed. The runs are those of the server: the whole script of a page for a browser that has it open, as
after any tap. The target is 3 s to the first page and 0.3 s for a run of Match with ten photos, on two cores.
"""

from __future__ import annotations

import argparse
import cProfile
import json
import os
import pstats
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
_USABLE = """
const app = document.querySelector('.stApp'), button = document.querySelector('.stButton button, .cm-panel');
return !!app && app.getAttribute('data-test-script-state') === 'notRunning' && !!button
  && !document.querySelector('[data-testid="stSkeleton"]') && !!document.querySelector('h1');
"""


def make_book(folder: Path, photos: int) -> tuple[Path, int]:
    """A book with one open lot of so many photos, each after a few drops; made once."""
    from drawn import save_photo
    from drawn.demo import draw_demo_photo

    from colourmatch.book.lot_book import open_book
    from colourmatch.demo import STOCK
    from colourmatch.simulate.kitchen import Kitchen
    from colourmatch.workflow.lot import record_photos

    place = folder / f"book-{photos}.sqlite"
    with open_book(place) as book:
        if lots := book.lots.search(limit=1):
            return place, lots[0].id
        book.stocks.add(STOCK, "E129", 1.0)
        lot = book.lots.begin(
            "bitter of the benchmark", 900, [STOCK], ceiling_mg_per_l=60, dilution=5, jurisdiction="EU"
        )
        kitchen = Kitchen()
        for number in range(photos):
            name = folder / f"photo-{number}.jpg"
            save_photo(draw_demo_photo(kitchen, number), name)
            record_photos(book, lot.id, [(name.read_bytes(), name.name)])
            if number < photos - 1:
                book.additions.add(lot.id, STOCK, drops=5)
                kitchen = kitchen.add_drops(5)
    return place, lot.id


def time_start(place: Path, port: int, path: str = "") -> float:
    """Seconds from the command to the first usable page in a browser that is already open."""
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    options.binary_location = str(shutil.which("chromium"))
    profile = tempfile.mkdtemp(prefix="bench-app-")
    for flag in ("--headless=new", "--no-sandbox", "--disable-gpu", f"--user-data-dir={profile}"):
        options.add_argument(flag)
    driver = webdriver.Chrome(options=options, service=Service(str(shutil.which("chromedriver"))))
    command = [
        sys.executable,
        "-m",
        "colourmatch",
        "app",
        "--port",
        str(port),
        "--book",
        str(place),
        "--json",
    ]
    start = time.perf_counter()
    server = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
    try:
        assert server.stdout is not None
        told = json.loads(server.stdout.readline())
        said = time.perf_counter() - start
        driver.get(f"{told['url']}/{path}")
        while not driver.execute_script(_USABLE):
            time.sleep(0.02)
        seconds, spent = time.perf_counter() - start, processor_s(server.pid)
    finally:
        server.terminate()
        server.wait(20)
        driver.quit()
        shutil.rmtree(profile, ignore_errors=True)
    print(
        f"  address printed after {said:.2f} s, page /{path} usable after {seconds:.2f} s; the server took {spent:.2f} s "
        f"of processor time (load of the machine {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores)"
    )
    return seconds


def time_answer(place: Path, photo: Path) -> None:
    """Seconds from the choice of a photo until its answer stands on Match, in a browser that has the page open."""
    sys.path.insert(0, str(ROOT / "tests" / "browser"))
    from driving import Page, Server, open_browser

    from colourmatch.book.lot_book import open_book
    from colourmatch.demo import STOCK

    folder = Path(tempfile.mkdtemp(prefix="bench-answer-"))
    with open_book(place) as book:
        lot = book.lots.begin("bitter of one photo", 900, [STOCK], ceiling_mg_per_l=60, dilution=5)
    server, driver = Server(folder, str(place)), open_browser(folder / "profile")
    try:
        page = Page(driver, "phone")
        page.go(f"{server.url}/match?lot={lot.id}")
        start = time.perf_counter()
        page.upload(photo)
        while not page.find_all(".cm-answer.add:not(.old)"):
            time.sleep(0.02)
        print(f"  {time.perf_counter() - start:.2f} s from the photo to the answer (load {os.getloadavg()[0]:.1f})")
    finally:
        driver.quit()
        server.stop()
        shutil.rmtree(folder, ignore_errors=True)


def time_lots(place: Path, visits: int = 4) -> None:
    """Seconds until the list of Lots of a book can be tapped, in a browser that has the app open."""
    sys.path.insert(0, str(ROOT / "tests" / "browser"))
    from driving import Server, open_browser

    folder = Path(tempfile.mkdtemp(prefix="bench-lots-"))
    server, driver = Server(folder, str(place)), open_browser(folder / "profile")
    try:
        for path in ("", *["lots"] * visits):
            start, busy = time.perf_counter(), processor_s(server.process.pid)
            driver.get(f"{server.url}/{path}")
            while not driver.execute_script(_USABLE):
                time.sleep(0.02)
            print(
                f"  /{path} usable after {time.perf_counter() - start:.2f} s, {processor_s(server.process.pid) - busy:.2f} s "
                f"of the server's processor time (load {os.getloadavg()[0]:.1f})"
            )
    finally:
        driver.quit()
        server.stop()
        shutil.rmtree(folder, ignore_errors=True)


def processor_s(process: int) -> float:
    """Processor time of a process so far, where the system tells it (Linux)."""
    try:
        fields = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
    except OSError:
        return float("nan")
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def time_runs(page: str, lot_id: int, runs: int, profile: bool) -> None:
    """Milliseconds of each run of a page's whole script, the first one with empty caches."""
    from streamlit.testing.v1 import AppTest
    from streamlit.util import calc_hash

    app: Any = AppTest.from_file(str(ROOT / "app.py"), default_timeout=120)
    app.query_params["lot"] = str(lot_id)
    app.run()
    app._page_hash = calc_hash(page.replace("_", "-"))  # switch_page() knows only pages that are files
    took, spent = [], []
    for _ in range(runs):
        start, processor = time.perf_counter(), time.process_time()
        app.run()
        took.append(1000 * (time.perf_counter() - start))
        spent.append(1000 * (time.process_time() - processor))
    again, busy = sorted(took[1:]), sorted(spent[1:])
    print(
        f"  {page}: first {took[0]:.0f} ms, then {again[len(again) // 2]:.0f} ms (median of {len(again)}); "
        f"{spent[0]:.0f} and {busy[len(busy) // 2]:.0f} ms of processor time"
    )
    if app.exception:
        print("  it failed:", app.exception[0].message)
    if profile:
        profile_page(app)


def profile_page(app: Any) -> None:
    """Where one run spends its time; the script runs in a thread of its own, so that is where it is measured."""
    from colourmatch.screens import session

    meter, run_page = cProfile.Profile(), session.run_page
    session.run_page = lambda page: meter.runcall(run_page, page)  # type: ignore[assignment]
    app.run()
    session.run_page = run_page
    pstats.Stats(meter).sort_stats("cumulative").print_stats(45)


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--photos", type=int, default=10)
    parser.add_argument("--port", type=int, default=8699)
    parser.add_argument("--runs", type=int, default=8)
    parser.add_argument("--profile", action="store_true", help="Show where a run of Match spends its time.")
    parser.add_argument("--only", choices=("start", "runs", "answer"))
    parser.add_argument("--lots", type=Path, metavar="BOOK", help="Only Lots of this book.")
    given = parser.parse_args()
    if given.lots is not None:
        time_lots(given.lots)
        return
    given.folder.mkdir(parents=True, exist_ok=True)
    place, lot_id = make_book(given.folder, given.photos)
    os.environ["COLOURMATCH_BOOK"] = str(place)
    if given.only in (None, "answer"):
        print("a photo on Match")
        for _ in range(2):  # the first one of a server loads what it needs
            time_answer(place, given.folder / "photo-0.jpg")
    if given.only in (None, "start"):
        print("start of the app")
        for path in ("", "", f"match?lot={lot_id}"):
            time_start(place, given.port, path)
    if given.only in (None, "runs"):
        print(f"runs of a page, a lot with {given.photos} photos")
        for page in ("start", "match", "lots"):
            time_runs(page, lot_id, given.runs, given.profile and page == "match")


if __name__ == "__main__":
    main()
