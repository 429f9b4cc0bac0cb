"""The access code: what it looks like, what is taken for it, and how the wait after wrong ones grows."""

from __future__ import annotations

import math

import pytest

from colourmatch.sharing.door import SIGNS, Attempts, clean_code, is_code, make_code


class Clock:
    """A clock that is moved by hand."""

    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now


def test_a_code_holds_40_bits_and_no_look_alikes():
    assert len(set(SIGNS)) * 1.0 == 32 and 8 * math.log2(len(SIGNS)) == 40
    assert not set(SIGNS) & set("01OI")
    codes = {make_code() for _ in range(200)}
    assert len(codes) == 200
    for code in codes:
        assert len(code) == 9 and code[4] == "-" and set(code.replace("-", "")) <= set(SIGNS)


@pytest.mark.parametrize("typed", ["K7PQ-M2RT", "k7pq m2rt", " k7pqm2rt\n", "K7PQ–M2RT"])
def test_small_letters_blanks_and_dashes_do_not_matter(typed):
    assert clean_code(typed) == "K7PQ-M2RT"
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


def test_the_right_code_clears_the_address():
    attempts = Attempts(Clock())
    attempts.note_wrong("a")
    attempts.note_right("a")
    assert attempts.wait_s("a") == 0


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


def test_neighbours_who_guess_keep_no_new_phone_out_for_long():
    clock = Clock()
    attempts = Attempts(clock)
    for number in range(400):
        attempts.note_wrong(f"address {number % 3}")
        clock.now += 1
    assert attempts.wait_s("new") <= 2


def test_a_day_of_guessing_from_new_addresses_makes_one_guess_in_two_seconds():
    clock = Clock()
    attempts, guesses, end = Attempts(clock), 0, 1000.0 + 24 * 3600
    while clock.now < end:
        clock.now += attempts.wait_s(f"address {guesses}")
        attempts.note_wrong(f"address {guesses}")
        guesses += 1
    assert 43_000 < guesses < 43_300


def test_memory_of_addresses_is_bounded():
    attempts = Attempts(Clock())
    for number in range(5000):
        attempts.note_wrong(f"address {number}")
    assert len(attempts._own) == 1024 and len(attempts._wrong) == 256
