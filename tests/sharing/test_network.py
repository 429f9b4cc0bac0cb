"""Addresses and ports of this machine."""

import pytest

from colourmatch.errors import InputError
from colourmatch.sharing import network


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
