"""Starts the app as a person does, and drives real headless browsers; pictures, where they are wanted, go to tests/output/browser/."""

import base64
import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from functools import cache
from pathlib import Path
from typing import Any
from urllib.parse import urljoin

import pytest
from selenium.webdriver import ActionChains
from selenium.webdriver.common.keys import Keys

from colourmatch.book.lot_book import LotBook
from colourmatch.book.naming import EXAMPLE_STOCK
from colourmatch.demo import begin_example, take_example_photo
from colourmatch.workflow.lot import record_photos

ROOT = Path(__file__).resolve().parents[2]
PICTURES = ROOT / "tests" / "output" / "browser"
SCREENS = {"phone": (390, 844), "desk": (1280, 900)}
CHROMIUM, DRIVER = shutil.which("chromium"), shutil.which("chromedriver")
FLAGS = (
    "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync", "--disable-extensions",
    "--force-prefers-reduced-motion", "--process-per-site", "--js-flags=--no-turbofan",
)  # fmt: skip
#: How long anything may take before it counts as never: a busy machine is slow, not wrong.
PATIENCE_SECONDS = 300
#: Notes when a page last asked its app for something, and when an answer last came; a page that is loaded begins with it.
_LISTEN = """
if (!window.cmAsked) {
  window.cmAsked = window.cmHeard = 1;
  const send = WebSocket.prototype.send;
  WebSocket.prototype.send = function (...what) {
    if (!this.cmHears) this.addEventListener('message', () => { window.cmHeard = performance.now(); });
    this.cmHears = true;
    window.cmAsked = performance.now();
    return send.apply(this, what);
  };
}
"""
#: Answers when the page has been at rest, as high and with the same text for a quarter of a second, and each question to
#: the app had its answer; not every one gets one, and a window that was not listened to from its beginning is watched for
#: longer. A fold that opens is not at rest, and at the end of its way it is for a moment as low as a closed one.
_REST = """
const done = arguments[arguments.length - 1], begun = performance.now();
let text = '', since = begun;
const look = () => {
  const now = performance.now(), app = document.querySelector('.stApp');
  const rests = app?.getAttribute('data-test-connection-state') === 'CONNECTED'
    && app.getAttribute('data-test-script-state') === 'notRunning'
    && !document.querySelector('[data-testid="stSkeleton"]')
    && document.querySelector('[data-testid="stMainBlockContainer"] h1, .cm-panel, .cm-empty')
    && ![...document.querySelectorAll('details')].some(fold => fold.getAnimations().length)
    && (window.cmHeard >= window.cmAsked || !(now - window.cmAsked < 1500));
  const high = document.querySelector('[data-testid=stMain]')?.scrollHeight;
  const seen = rests ? `${high} ${document.body.innerText}` : '';
  if (!seen || seen !== text) { text = seen; since = now; }
  if (seen && now - since >= (window.cmAsked ? 250 : 500)) done(true);
  else if (now - begun > 20000) done(false);
  else setTimeout(look, 50);
};
look();
"""
#: Brings an element up and listens whether a tap comes to it: what moves at that moment is not hit.
_AIM = """
const target = arguments[0];
target.scrollIntoView({block: 'center'});
window.cmTapped = false;
target.addEventListener('click', () => { window.cmTapped = true; }, {capture: true, once: true});
"""
_WIDEST = """
const main = document.querySelector('[data-testid=stMain]');
return Math.max(document.scrollingElement.scrollWidth, main ? main.scrollWidth : 0, innerWidth);
"""
#: The name of what holds the focus, its kind, and whether it shows that it does.
_HELD = """
const held = document.activeElement, look = getComputedStyle(held);
const whole = !held.matches('a, button, input, summary, [role=tab]');
const name = whole ? '' : held.getAttribute('aria-label') || held.innerText || '';
return [name, held.tagName, look.outlineStyle !== 'none' || look.boxShadow !== 'none'];
"""


def free_port(wanted: int = 0) -> int:
    """The wanted port where nothing listens there, else another."""
    with socket.socket() as door:
        door.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            door.bind(("127.0.0.1", wanted))
        except OSError:
            return free_port()
        return int(door.getsockname()[1])


@cache
def usual_port() -> int:
    """One for the apps of this process, one after the other: what a browser has read and compiled from there it keeps."""
    return free_port()


def wait_for(fits: Callable[[], Any], otherwise: str) -> Any:
    """What `fits` gives as soon as it is true; the test fails with a sentence when it never is.

    A page that is being left or drawn again answers with errors of many kinds: they count as "not yet".
    """
    from selenium.common.exceptions import WebDriverException

    end, last = time.monotonic() + PATIENCE_SECONDS, ""
    while time.monotonic() < end:
        try:
            found = fits()
        except WebDriverException as error:
            found, last = None, f" ({error.msg})"
        if found:
            return found
        time.sleep(0.1)
    pytest.fail(otherwise + last)


class Server:
    """`colourmatch app` on one port with one book; it can be killed and started again."""

    def __init__(self, folder: Path, book: str, *options: str) -> None:
        self.port, self.options, self.folder, self.book = free_port(usual_port()), options, folder, book
        self.log = folder / "server.txt"
        self.start()

    def start(self) -> None:
        arguments = ["app", "--port", str(self.port), "--book", self.book, "--json", *self.options]
        environ = {**os.environ, "XDG_STATE_HOME": str(self.folder / "state"), "PYTHONPATH": str(ROOT)}
        line = self.launch(arguments, environ)
        assert line, self.log.read_text()
        self.told: dict[str, Any] = json.loads(line)
        self.url = str(self.told["url"])

    def launch(self, arguments: list[str], environ: dict[str, str]) -> str:
        """Start the program; the first line that it says."""
        call = [sys.executable, "-m", "colourmatch", *arguments]
        with self.log.open("ab") as log:
            self.process: Any = subprocess.Popen(
                call, cwd=self.folder, env=environ, stdout=subprocess.PIPE, stderr=log, text=True
            )
        return str(self.process.stdout.readline())

    def is_running(self) -> bool:
        return self.process.poll() is None

    def kill(self) -> None:
        """Take it away at once, as a crash or a power cut does."""
        self.process.send_signal(signal.SIGKILL)
        self.process.wait(PATIENCE_SECONDS)

    def stop(self) -> None:
        self.process.terminate()
        try:
            self.process.wait(60)
        except subprocess.TimeoutExpired:
            self.kill()


class ForkedServer(Server):
    """The same without the seconds that its imports take; tests/test_wheel.py and test_sharing.py start the program itself."""

    def launch(self, arguments: list[str], environ: dict[str, str]) -> str:
        from forking import start_app

        said = self.folder / "said.txt"
        said.write_text("")
        self.process = start_app(arguments, self.folder, environ)
        wait_for(lambda: said.read_text().endswith("\n") or not self.is_running(), "the app says nothing")
        return said.read_text()

    def is_running(self) -> bool:
        return bool(self.process.is_alive())

    def kill(self) -> None:
        self.process.kill()
        self.process.join(PATIENCE_SECONDS)

    def stop(self) -> None:
        self.process.terminate()
        self.process.join(60)
        if self.is_running():
            self.kill()


class Page:
    """A headless browser of one screen size, and what a person does with it."""

    folder = PICTURES
    #: Tests set it to false unless somebody wants to look: a page that fails leaves a picture all the same.
    keeps_pictures = True

    def __init__(self, driver: Any, name: str) -> None:
        self.driver, self.name, self.taps = driver, name, 0
        self.take_window()

    def take_window(self) -> None:
        """Make the window that is driven now one of this page's."""
        self.tell("Page.addScriptToEvaluateOnNewDocument", {"source": _LISTEN})
        self.resize(self.name)

    def resize(self, name: str) -> None:
        self.name, (self.width, self.height) = name, SCREENS[name]
        self.show_in("light")

    def show_in(self, scheme: str, height: int | None = None) -> None:
        size = {"width": self.width, "height": height or self.height, "deviceScaleFactor": 1}
        self.tell("Emulation.setDeviceMetricsOverride", size | {"mobile": self.name == "phone"})
        wish = {"name": "prefers-color-scheme", "value": scheme}
        self.tell("Emulation.setEmulatedMedia", {"features": [wish]})

    def tell(self, command: str, values: dict[str, Any]) -> Any:
        return self.driver.execute_cdp_cmd(command, values)

    def go(self, url: str) -> None:
        """To an address, or to a path where the page is."""
        self.driver.get(urljoin(self.driver.current_url, url))
        self.settle()

    def settle(self) -> None:
        """Wait until the page is at rest and stays as it is."""
        self.wait(lambda: self.driver.execute_async_script(_REST), "the page never came to rest")

    def wait(self, fits: Callable[[], Any], otherwise: str) -> Any:
        """As `wait_for`; where it never fits a picture is kept, and pytest shows what stood there instead."""
        try:
            return wait_for(fits, f"{self.name}: {otherwise}")
        except BaseException:
            self.picture("failed")
            print(self.text())
            raise

    def run(self, script: str, *arguments: Any) -> Any:
        return self.driver.execute_script(script, *arguments)

    def text(self) -> str:
        return str(self.run("return document.body ? document.body.innerText : ''"))

    def wait_text(self, words: str) -> None:
        self.wait(lambda: words in self.text(), f"{words!r} never appeared")

    def find(self, css: str) -> Any:
        return self.wait(lambda: next(iter(self.find_all(css)), None), f"there is no {css}")

    def leave(self, act: Callable[[], Any]) -> None:
        """Do what leads to another page, and wait until the browser is there."""
        self.run("window.leftBehind = true")
        act()
        self.wait(lambda: self.run("return !window.leftBehind"), "the page was not left")

    def find_all(self, css: str) -> list[Any]:
        return list(self.driver.find_elements("css selector", css))

    def tap(self, kind: str, words: str) -> Any:
        """Tap the first element of a kind that shows the words."""
        path = f"//{kind}[contains(., {words!r})]"
        return self._touch("xpath", path, f"there is no {kind} with {words!r}")

    def click(self, css: str) -> Any:
        """Click the first element that a selector finds."""
        return self._touch("css selector", css, f"there is no {css}")

    def _touch(self, way: str, path: str, otherwise: str) -> Any:
        from selenium.common.exceptions import WebDriverException

        def touch() -> Any:
            shown = (e for e in self.driver.find_elements(way, path) if e.is_displayed())
            target = next(shown, None)
            if target is None:
                return None
            self.run(_AIM, target)
            target.click()
            with suppress(WebDriverException):  # the tap has led elsewhere
                if self.run("return window.cmTapped === false"):
                    return None
            self.taps += 1
            return target

        return self.wait(touch, otherwise)

    def unfold(self, words: str = "Details") -> None:
        """Open the fold of these words; Match's, under which all lies that is not the answer, is open on a desk.

        A tap is lost where the page is drawn again under it: a person would tap once more.
        """
        path = f"//details[summary[contains(., {words!r})]]"

        def is_open() -> bool:
            self.settle()
            fold = next((e for e in self.driver.find_elements("xpath", path) if e.is_displayed()), None)
            if fold and fold.get_attribute("open") is None:
                self.tap("summary", words)
                self.settle()
            return bool(fold and fold.get_attribute("open"))

        self.wait(is_open, f"{words!r} stays closed")

    def upload(self, *files: Path) -> None:
        self.find('[data-testid="stFileUploaderDropzoneInput"]').send_keys("\n".join(map(str, files)))

    def picture(self, name: str) -> None:
        if not self.keeps_pictures and name != "failed":
            return
        self.folder.mkdir(parents=True, exist_ok=True)
        data = self.tell("Page.captureScreenshot", {"format": "png"})["data"]
        (self.folder / f"{name}-{self.name}.png").write_bytes(base64.b64decode(data))

    def pictures(self, name: str) -> None:
        """One in light and one in dark surroundings; the page must not be wider than its screen."""
        for scheme in ("dark", "light") if self.keeps_pictures else ():
            self.show_in(scheme)
            time.sleep(0.3)
            self.picture(f"{name}-{scheme}")
        assert self.run(_WIDEST) <= self.width, f"{name} is wider than the screen of a {self.name}"

    def complaints(self) -> list[str]:
        """What the browser's console says is refused by policy or went wrong in a script."""
        told = [entry["message"] for entry in self.driver.get_log("browser")]
        return [one for one in told if "Content Security Policy" in one or "Uncaught" in one]


def play_example(book: LotBook) -> int:
    """The example lot in the middle of its work: three photos, and drops between them."""
    lot = begin_example(book)
    for drops in (45, 20, 0):
        record_photos(book, lot, [take_example_photo(book.lots.story(lot))])
        if drops:
            book.additions.add(lot, EXAMPLE_STOCK, drops=drops)
    return lot


def press(page: Page, *keys: str) -> None:
    ActionChains(page.driver).send_keys(*keys).perform()


def tab_to(page: Page, words: str) -> None:
    """Press Tab until what shows the words holds the focus; a button or a link must then show that it does."""
    seen = []
    for _ in range(80):
        press(page, Keys.TAB)
        name, kind, marked = page.run(_HELD)
        seen.append(name)
        if name.split("\n")[-1].startswith(words):  # an icon's name may stand on lines before
            assert marked or kind == "INPUT", f"{words}: nothing shows that it holds the focus"
            return
    pytest.fail(f"Tab never came to {words!r}, only to {seen}")


def open_browser(profile: Path) -> Any:
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    options.binary_location = str(CHROMIUM)
    for flag in (*FLAGS, f"--user-data-dir={profile}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    return webdriver.Chrome(options=options, service=Service(str(DRIVER)))


class Browsers:
    """The browsers of one test process: starting one costs more than most tests do in it.

    A test's first page is in a new tab of the one that stays open, without cookies and without what was stored; each
    further page, which stands for another person's browser, has one of its own until the test ends.
    """

    def __init__(self, folder: Path) -> None:
        self.folder, self.lent, self.count = folder, False, 0
        self.kept: Any = None
        self.others: list[Any] = []

    def open(self) -> Any:
        """A driver for one more page of this test."""
        if self.lent:
            self.others.append(self._start())
            return self.others[-1]
        self.lent, self.kept = True, self.kept or self._start()
        return self.kept

    def give_back(self) -> None:
        """The test is over: no page of it may come to the next app, which has the same address."""
        from selenium.common.exceptions import WebDriverException

        self.lent = False
        while self.others:
            self.others.pop().quit()
        try:
            if self.kept is not None:
                self._clear()
        except WebDriverException:  # it went down with the test
            self.quit()

    def quit(self) -> None:
        """The test process ends."""
        if self.kept is not None:
            self.kept.quit()
        self.kept = None

    def _start(self) -> Any:
        self.count += 1
        return open_browser(self.folder / f"profile-{self.count}")

    def _clear(self) -> None:
        """A window that the old page opens stays in its process, which has compiled the app's scripts already."""
        old = self.kept.window_handles
        self.kept.switch_to.window(old[0])
        self.kept.execute_script("window.open('about:blank')")
        (new,) = set(self.kept.window_handles) - set(old)
        for handle in old:
            self.kept.switch_to.window(handle)
            self.kept.close()
        self.kept.switch_to.window(new)  # its origin is theirs, whose store they have written to on leaving
        self.kept.execute_script("localStorage.clear(); sessionStorage.clear()")
        self.kept.execute_cdp_cmd("Network.clearBrowserCookies", {})
        self.kept.get_log("browser")
