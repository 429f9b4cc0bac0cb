"""The addresses of this machine: which one the local network reaches, and listening on it."""

from __future__ import annotations

import ipaddress
import socket
import ssl
from collections.abc import Iterable

from colourmatch.errors import InputError

HERE = "127.0.0.1"
FIRST_PORT, PORTS_TRIED = 8501, 20
# Nothing is sent: a datagram socket only looks up which way it would go (addresses kept for documentation,
# RFC 5737 and RFC 3849).
_WAYS = ((socket.AF_INET, "198.51.100.1"), (socket.AF_INET6, "2001:db8::1"))


def find_local_address(wanted: str | None = None) -> str:
    """The address of this machine on the local network; InputError when there is none or it is not this machine's.

    Without `wanted` only a private address is taken, so that a machine on the open internet is not opened unasked.
    """
    if wanted is not None:
        return _check_wanted(wanted)
    found = [address for family, far in _WAYS if (address := _address_towards(family, far))]
    for address in found:
        if ipaddress.ip_address(address).is_private and not ipaddress.ip_address(address).is_loopback:
            return address
    if found:
        raise InputError(
            f"This machine is on the network as {found[0]}, an address that the whole internet may reach. Nothing "
            f"was opened. If only your own network reaches it: colourmatch app --share --address {found[0]}"
        )
    raise InputError(
        "This machine is on no network. Join the Wi-Fi that the phone is in, and run the command again, or name "
        "the address: colourmatch app --share --address ADDRESS"
    )


def _address_towards(family: int, far: str) -> str | None:
    with socket.socket(family, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect((far, 9))
        except OSError:
            return None
        return str(probe.getsockname()[0]).partition("%")[0]


def _check_wanted(wanted: str) -> str:
    try:
        address = ipaddress.ip_address(wanted)
    except ValueError:
        raise InputError(
            f"--address is {wanted!r}, which is no address. Give one of this machine, such as 192.168.1.20."
        ) from None
    if address.is_unspecified or address.is_loopback or address.is_link_local or address.is_multicast:
        raise InputError(
            f"--address is {wanted}, which no other machine can use. Give this machine's own in the local network."
        )
    with socket.socket(_family(str(address))) as probe:
        try:
            probe.bind((str(address), 0))
        except OSError:
            raise InputError(
                f"{wanted} is not an address of this machine. Its addresses are in the network settings."
            ) from None
    return str(address)


def show_address(address: str, port: int, encrypted: bool = False) -> str:
    """The address as a browser takes it, without a path."""
    scheme = "https" if encrypted else "http"
    return f"{scheme}://[{address}]:{port}" if ":" in address else f"{scheme}://{address}:{port}"


def read_certificate(certificate: str | None, key: str | None) -> ssl.SSLContext | None:
    """What connections are encrypted with, None without a certificate; InputError when the two files are not a pair."""
    if certificate is None and key is None:
        return None
    if certificate is None or key is None:
        raise InputError("--certificate and --key belong together. Give both, each with its PEM file.")
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    try:
        context.load_cert_chain(certificate, key, password=lambda: "")
    except ssl.SSLError as error:
        why = (error.reason or str(error)).lower().replace("_", " ")
        raise InputError(
            f"{certificate} and {key} are no certificate and its key ({why}). Give two PEM files that belong together, the "
            "key without a password."
        ) from None
    except OSError as error:
        raise InputError(
            f"The certificate {certificate} or its key {key} cannot be read: {error.strerror or error}. Check both paths."
        ) from None
    return context


def listen(addresses: Iterable[str], port: int | None = None) -> list[socket.socket]:
    """Sockets that listen on one port at all addresses: the wanted port, else the first free one from 8501 on.

    Raises InputError when the port is taken. Browsers that come before the app is ready wait.
    """
    addresses = list(addresses)
    for number in [port] if port else range(FIRST_PORT, FIRST_PORT + PORTS_TRIED):
        opened: list[socket.socket] = []
        try:
            for address in addresses:
                opened.append(socket.create_server((address, number), family=_family(address), backlog=128))
                opened[-1].setblocking(False)
            return opened
        except OSError:
            for one in opened:
                one.close()
    raise InputError(
        f"Port {port or FIRST_PORT} is in use. Stop what uses it, or give another one: colourmatch app --port 8600"
    )


def _family(address: str) -> socket.AddressFamily:
    return socket.AF_INET6 if ":" in address else socket.AF_INET
