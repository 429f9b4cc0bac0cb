"""What several rooms' tests share: no test touches the user's own book, and photos drawn once for all."""

import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command line does, and before numpy starts
# A run starts a hundred processes: what one of them has compiled the others read, also where this is switched off.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

import pytest
from drawn import save_photo
from drawn.demo import draw_demo_photo
from hypothesis import HealthCheck, settings
from known_pictures import to_file
from PIL import Image
from raw_books import empty_database
from remembering import remember
from sqlalchemy import Engine, create_engine
from sqlalchemy.util import LRUCache
from xdist.scheduler import LoadFileScheduling

from colourmatch.book import opening
from colourmatch.book.lot_book import LotBook, open_book
from colourmatch.simulate.kitchen import Kitchen

#: Files of half a minute and more without a browser.
LONG = ("test_cli.py", "test_lot.py", "test_pages.py", "test_reference.py")
SAMPLE_PHOTOS = Path(__file__).parent / "photos"
#: No example has a deadline, nor a pace: beside other workers one may wait for its turn.
settings.register_profile("tests", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("tests")


def pytest_xdist_auto_num_workers() -> int:
    """Two workers more than there are cores: those of the tests in a browser wait most of the time."""
    return len(os.sched_getaffinity(0)) + 2 if hasattr(os, "sched_getaffinity") else (os.cpu_count() or 1) + 2


class Files(LoadFileScheduling):
    """A file's tests run in one worker, and those of all files with a browser in two: each starts a browser and an app of its
    own, which keep what they have compiled, while the other workers compute."""

    def _split_scope(self, nodeid: str) -> str:
        folder, _, name = super()._split_scope(nodeid).rpartition("/")
        return f"{folder}/{name if not folder.endswith('browser') else name < 'test_l'}"


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Files | None:
    return Files(config, log) if config.getvalue("dist") == "loadfile" else None


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Files of tests in a browser come first, then other long ones: begun last they would keep one worker busy alone."""
    slow = {item.path for item in items if item.get_closest_marker("browser")}
    items.sort(key=lambda item: (item.path not in slow, item.path.name not in LONG))


@pytest.fixture(scope="session")
def server(worker_id: str):
    """The address of a database on the PostgreSQL server for this worker's tests alone, which run one by one.

    Skips the test when COLOURMATCH_TEST_POSTGRES_URL names no server.
    """
    named = os.environ.get("COLOURMATCH_TEST_POSTGRES_URL")
    if not named:
        pytest.skip("COLOURMATCH_TEST_POSTGRES_URL is not set")
    url = opening.parse_location(named)
    name = f"{url.database}_{worker_id}"
    engine = create_engine(url, isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        connection.exec_driver_sql(f'DROP DATABASE IF EXISTS "{name}" WITH (FORCE)')
        connection.exec_driver_sql(f'CREATE DATABASE "{name}"')
    yield url.set(database=name).render_as_string(hide_password=False)
    with engine.connect() as connection:
        connection.exec_driver_sql(f'DROP DATABASE "{name}" WITH (FORCE)')
    engine.dispose()


@pytest.fixture(scope="session")
def empty_server(server: str) -> Callable[[], str]:
    """Throws away all that the database on the server holds, and gives its address."""

    def empty() -> str:
        empty_database(server)
        return server

    return empty


@pytest.fixture(scope="session", autouse=True)
def _own_book(tmp_path_factory: pytest.TempPathFactory):
    """A book of the test run's own stands where the user's would be found."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("COLOURMATCH_BOOK", str(tmp_path_factory.mktemp("own") / "book.sqlite"))
        patch.setenv("XDG_DATA_HOME", str(tmp_path_factory.mktemp("data")))
        yield


@pytest.fixture(scope="session", autouse=True)
def _statements_compiled_once() -> Iterator[None]:
    """Each book has an engine of its own, which compiles all its statements; those of the tests share what is compiled.

    It is kept for a dialect, so that they share one of these too.
    """
    make, compiled, dialects = opening.make_engine, LRUCache(2000), dict[str, Any]()

    def make_engine(*given: Any, **named: Any) -> Engine:
        engine = make(*given, **named)
        if engine.dialect.name == "sqlite":
            engine.dialect = dialects.setdefault("sqlite", engine.dialect)
            engine.update_execution_options(compiled_cache=compiled)
        return engine

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(opening, "make_engine", make_engine)
        yield


@pytest.fixture(scope="session")
def browsers(tmp_path_factory: pytest.TempPathFactory):
    """What opens browsers, for the tests that need one."""
    from driving import Browsers, Page

    Page.keeps_pictures = bool(os.environ.get("COLOURMATCH_TEST_PICTURES"))
    made = Browsers(tmp_path_factory.mktemp("browsers"))
    yield made
    made.quit()


@pytest.fixture(scope="session")
def drawn_photos(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Photos of the invented lot after 0 and 64 drops, 1512 x 1134 pixels."""
    folder = tmp_path_factory.mktemp("drawn")
    drawn = {drops: draw_demo_photo(Kitchen().add_drops(drops), 1, width_px=1512) for drops in (0, 64)}
    return [save_photo(photo, folder / f"after-{drops}.jpg") for drops, photo in drawn.items()]


@pytest.fixture(scope="session", autouse=True)
def _remembered() -> Iterator[None]:
    """The same fit of the same photos, the same reading of the same file: kept for all tests of a process."""
    with remember():
        yield


@pytest.fixture(scope="session")
def sample_photos() -> Path:
    """The folder of sample photos whose truth is known (truth.json)."""
    return SAMPLE_PHOTOS


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """A fresh book for every test: SQLite; where the two can differ (writing, locking, migrations, types), PostgreSQL too."""
    if "location" in metafunc.fixturenames:
        both = metafunc.definition.get_closest_marker("both_databases")
        metafunc.parametrize("location", ["sqlite", "postgresql"] if both else ["sqlite"], indirect=True)


@pytest.fixture
def location(request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    """Where an empty book may be made; photos of a server's book then lie in the test's folder."""
    monkeypatch.setenv("COLOURMATCH_PHOTOS", str(tmp_path / "server-photos"))
    if request.param == "sqlite":
        return str(tmp_path / "book.sqlite")
    return request.getfixturevalue("empty_server")()


@pytest.fixture
def second_location(location: str, tmp_path: Path, request: pytest.FixtureRequest) -> Callable[[], str]:
    """Makes another empty place of the same kind; on a server the first book is thrown away for it."""

    def make() -> str:
        if "://" not in location:
            return str(tmp_path / "second.sqlite")
        return request.getfixturevalue("empty_server")()

    return make


@pytest.fixture(scope="session")
def empty_book(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """The file of an empty book: copying it is faster than building its tables again."""
    path = tmp_path_factory.mktemp("empty") / "book.sqlite"
    open_book(path).close()
    return path.read_bytes()


@pytest.fixture
def book(location: str, empty_book: bytes) -> Iterator[LotBook]:
    """An open empty book."""
    if "://" not in location:
        Path(location).write_bytes(empty_book)
    with open_book(location) as opened:
        yield opened


@pytest.fixture
def lot(book: LotBook) -> int:
    """A lot of 900 ml with two stocks of 1 g in 100 ml, drops of 0.05 ml."""
    book.stocks.add("red", "E129", 1.0)
    book.stocks.add("yellow", "E102", 1.0, made_in="batch")
    return book.lots.begin("Aperitif", 900, ["red", "yellow"], ceiling_mg_per_l=60, dilution=5).id


@pytest.fixture(scope="session")
def jpeg() -> bytes:
    """A small photo."""
    return to_file(Image.effect_noise((64, 48), 60).convert("RGB"))
