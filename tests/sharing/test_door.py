"""The door: its code, waits, visits and QR code as another program reads it; addresses and ports of this machine."""

import logging
import math

import cv2
import numpy as np
import pytest

from colourmatch.errors import InputError
from colourmatch.sharing import door as doors
from colourmatch.sharing import network
from colourmatch.sharing.door import SIGNS, Attempts, Door, is_code


class Clock:
    """A clock that is moved by hand."""

    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now


def test_a_code_holds_40_bits_and_no_look_alikes():
    assert len(set(SIGNS)) * 1.0 == 32 and 8 * math.log2(len(SIGNS)) == 40
    assert not set(SIGNS) & set("01OI")
    codes = {doors.make_code() for _ in range(200)}
    assert len(codes) == 200
    for code in codes:
        assert len(code) == 9 and code[4] == "-" and set(code.replace("-", "")) <= set(SIGNS)


@pytest.mark.parametrize("typed", ["K7PQ-M2RT", "k7pq m2rt", " k7pqm2rt\n", "K7PQ–M2RT"])
def test_small_letters_blanks_and_dashes_do_not_matter(typed):
    assert doors.clean_code(typed) == "K7PQ-M2RT"
    assert is_code(typed, "K7PQ-M2RT")


@pytest.mark.parametrize("typed", ["", "-", "K7PQ", "K7PQ-M2R", "K7PQ-M2RTT", "K7PQ-M2RS", "\0", "é" * 9000])
def test_anything_else_is_wrong(typed):
    assert not is_code(typed, "K7PQ-M2RT")


def test_the_wait_of_an_address_doubles_up_to_five_minutes():
    clock = Clock()
    attempts = Attempts(clock)
    assert attempts.wait_s("a") == 0
    waits = []
    for _ in range(9):
        attempts.note_wrong("a")
        waits.append(attempts.wait_s("a"))
        clock.now += 4000  # long enough for the count of all together to forget
    assert waits == [1, 2, 4, 8, 16, 32, 64, 128, 256]
    for _ in range(40):
        attempts.note_wrong("a")
        clock.now += 4000
    attempts.note_wrong("a")
    assert attempts.wait_s("a") == 300
    assert attempts.wait_s("b") == 0
    clock.now += 299
    assert attempts.wait_s("a") == 1


def test_the_right_code_clears_the_address_and_memory_is_bounded():
    attempts = Attempts(Clock())
    attempts.note_wrong("a")
    attempts.note_right("a")
    assert attempts.wait_s("a") == 0
    attempts = Attempts(Clock())
    for number in range(5000):
        attempts.note_wrong(f"address {number}")
    assert len(attempts._own) == 1024 and len(attempts._wrong) == 256


def test_many_addresses_together_wait_too():
    clock = Clock()
    attempts = Attempts(clock)
    for number in range(9):
        attempts.note_wrong(f"address {number}")
    assert attempts.wait_s("new") == 0
    attempts.note_wrong("address 9")
    assert attempts.wait_s("new") == 1
    for number in range(100):
        attempts.note_wrong(f"address {number}")
    assert attempts.wait_s("address 99") == 60
    clock.now += 3601
    assert attempts.wait_s("new") == 0


def test_neighbours_and_a_day_of_guessing_are_slowed():
    clock = Clock()
    attempts = Attempts(clock)
    for number in range(400):
        attempts.note_wrong(f"address {number % 3}")
        clock.now += 1
    assert attempts.wait_s("new") <= 2
    clock = Clock()
    attempts, guesses, end = Attempts(clock), 0, 1000.0 + 24 * 3600
    while clock.now < end:
        clock.now += attempts.wait_s(f"address {guesses}")
        attempts.note_wrong(f"address {guesses}")
        guesses += 1
    assert 43_000 < guesses < 43_300


ADDRESS = "192.0.2.7"


def test_a_code_opens_and_each_visit_has_a_token():
    door = Door("http://192.0.2.2:8501")
    first, second = door.enter(door.code, ADDRESS), door.enter(door.code.lower(), ADDRESS)
    assert first and second and first != second and len(first) >= 43
    assert door.find_visit(first) and door.find_visit(second) and door.count_inside() == 2
    assert not door.find_visit("") and not door.find_visit(first + "x") and not door.find_visit("\udcff")
    assert door.url_with_code == f"http://192.0.2.2:8501/#{door.code}"
    assert Door("u").code != Door("u").code


def test_a_visit_ends_unused_after_half_a_day_and_the_oldest_goes_beyond_32():
    clock = Clock()
    door = Door("u", clock)
    tokens = []
    for _ in range(33):
        tokens.append(door.enter(door.code, ADDRESS))
        clock.now += 1
    assert not door.find_visit(tokens[0]) and door.find_visit(tokens[1])
    clock.now += 12 * 3600 - 10
    assert door.find_visit(tokens[1])
    clock.now += 20
    assert not door.find_visit(tokens[2]) and door.find_visit(tokens[1])


def test_closing_ends_every_visit_once():
    door, done = Door("u"), []
    token = door.enter(door.code, ADDRESS)
    door.find_visit(token).leaving.append(lambda: done.append("left"))
    door.when_closed(lambda: done.append("closed"))
    door.close()
    door.close()
    assert done == ["left", "closed"]
    assert not door.find_visit(token) and door.enter(door.code, ADDRESS) is None and door.count_inside() == 0


def test_no_secret_is_logged(caplog):
    door = Door("u")
    with caplog.at_level(logging.DEBUG):
        token = door.enter(door.code, ADDRESS)
        door.enter("WRNG-CODE", ADDRESS)
        door.close()
    assert ADDRESS in caplog.text and "wrong access code" in caplog.text
    for secret in (door.code, token, "WRNG"):
        assert secret not in caplog.text


TEXT = "http://192.168.178.123:8501/#K7PQ-M2RT"


def test_the_qr_code_reads_back_and_its_picture_fetches_nothing():
    rows = doors.draw_for_terminal(TEXT).splitlines()
    halves = {"█": (255, 255), "▀": (255, 0), "▄": (0, 255), " ": (0, 0)}
    dots = [[[halves[sign][half] for sign in row] for half in (0, 1)] for row in rows]
    pixels = np.array(dots, dtype=np.uint8)
    picture = np.kron(pixels.reshape(-1, len(rows[0])), np.ones((8, 8), dtype=np.uint8))
    assert cv2.QRCodeDetector().detectAndDecode(picture)[0] == TEXT
    picture = doors.draw_for_page(TEXT)
    assert picture.startswith("data:image/svg+xml") and "K7PQ" not in picture and '"' not in picture
    assert not any(word in picture for word in ("script", "href", "onload"))


def test_addresses_and_ports_of_this_machine(monkeypatch):
    monkeypatch.setattr(network, "_address_towards", lambda family, far: "192.168.1.20")
    assert network.find_local_address() == "192.168.1.20"
    assert network.show_address("192.168.1.20", 8501) == "http://192.168.1.20:8501"
    assert network.show_address("fd00::2", 8501) == "http://[fd00::2]:8501"


@pytest.mark.parametrize(
    ("found", "words"),
    [("8.8.8.8", "the whole internet may reach. Nothing was opened."), (None, "on no network. Join the Wi-Fi"),
     ("127.0.0.1", "Nothing was opened")],
)  # fmt: skip
def test_no_private_address_is_refused_with_what_to_do(monkeypatch, found, words):
    monkeypatch.setattr(network, "_address_towards", lambda family, far: found)
    with pytest.raises(InputError, match=words):
        network.find_local_address()


@pytest.mark.parametrize(
    ("wanted", "words"),
    [("here", "is no address"), ("0.0.0.0", "no other machine can use"), ("127.0.0.1", "no other machine can use"),
     ("198.51.100.77", "is not an address of this machine")],
)  # fmt: skip
def test_a_wrong_address_is_refused(wanted, words):
    with pytest.raises(InputError, match=words):
        network.find_local_address(wanted)


def test_it_listens_here_alone_and_finds_a_free_port():
    first = network.listen([network.HERE])
    second = network.listen([network.HERE])
    try:
        places = [one.getsockname() for one in (*first, *second)]
        assert {host for host, _ in places} == {"127.0.0.1"} and places[0][1] != places[1][1]
    finally:
        for one in (*first, *second):
            one.close()
