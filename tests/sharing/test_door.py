"""The door: who is let in, for how long, and what closing it does."""

from __future__ import annotations

import logging

from test_code import Clock

from colourmatch.sharing.door import Door

ADDRESS = "192.0.2.7"


def test_the_code_lets_in_and_each_visit_has_a_token_of_its_own():
    door = Door("http://192.0.2.2:8501")
    first, second = door.enter(door.code, ADDRESS), door.enter(door.code.lower(), ADDRESS)
    assert first and second and first != second and len(first) >= 43
    assert door.find_visit(first) and door.find_visit(second) and door.count_inside() == 2
    assert not door.find_visit("") and not door.find_visit(first + "x") and not door.find_visit("\udcff")
    assert door.url_with_code == f"http://192.0.2.2:8501/#{door.code}"


def test_a_new_door_has_a_new_code():
    assert Door("u").code != Door("u").code


def test_during_the_wait_even_the_right_code_is_refused():
    clock = Clock()
    door = Door("u", clock)
    assert door.enter("AAAA-AAAA", ADDRESS) is None
    assert door.enter(door.code, ADDRESS) is None
    clock.now += 1
    assert door.enter(door.code, ADDRESS)


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
