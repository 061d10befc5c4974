"""Under which addresses this computer is reached: itself only, or also by phones in the same network."""

from __future__ import annotations

import contextlib
import errno
import ipaddress
import socket
from collections.abc import Sequence

from grader.errors import GraderError

LOOPBACK = "127.0.0.1"
PRIVATE = tuple(
    ipaddress.IPv4Network(network)
    for network in ("10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16", "169.254.0.0/16")
)
"""Networks of homes and firms (RFC 1918), and of devices that were given no address (RFC 3927)."""
_OUTSIDE = "192.0.2.1"
"""Set aside for documentation (RFC 5737): nobody is there, and asking for the way sends nothing."""
_BACKLOG = 64


def lan_addresses() -> list[str]:
    """Return the addresses of this computer in private networks, the one most used first."""
    found: list[str] = []
    with contextlib.suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as way:
        way.connect((_OUTSIDE, 9))
        found.append(str(way.getsockname()[0]))
    with contextlib.suppress(OSError):
        named = socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET, socket.SOCK_STREAM)
        found += [str(entry[4][0]) for entry in named]
    return [address for address in dict.fromkeys(found) if _is_private(address)]


def _is_private(address: str) -> bool:
    place = ipaddress.IPv4Address(address)
    return any(place in network for network in PRIVATE)


def chosen_addresses(is_lan: bool, address: str) -> list[str]:
    """Return the addresses to listen on besides the computer itself.

    Raises
    ------
    GraderError
        If there is none, or the one asked for is none.
    """
    if address:
        try:
            ipaddress.IPv4Address(address)
        except ValueError:
            raise GraderError(
                f"{address!r} is no address of this computer.", "Give one such as 192.168.1.20."
            ) from None
        return [] if ipaddress.ip_address(address).is_loopback else [address]
    if not is_lan:
        return []
    found = lan_addresses()
    if not found:
        raise GraderError(
            "This computer has no address in a private network.",
            "Connect it to the same wireless network as the phone; or give its address with --address.",
        )
    return found


def listening(addresses: Sequence[str], port: int) -> list[socket.socket]:
    """Return sockets that listen on these addresses, all on one port; port 0 finds a free one.

    Raises
    ------
    GraderError
        If an address or the port cannot be used.
    """
    opened: list[socket.socket] = []
    try:
        for address in addresses:
            one = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
            opened.append(one)
            if hasattr(socket, "SO_REUSEADDR") and not hasattr(socket, "SO_EXCLUSIVEADDRUSE"):
                one.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)  # else a restart waits a minute
            one.bind((address, port))
            port = int(one.getsockname()[1])
            one.listen(_BACKLOG)
    except OSError as problem:
        for one in opened:
            one.close()
        remedy = (
            "It is not an address of this computer: leave --address out, --lan finds the right one."
            if problem.errno == errno.EADDRNOTAVAIL
            else "Another program, or another grader bench, uses the port: end that one, or give another "
            "port with --port, such as --port 0 for any that is free."
        )
        raise GraderError(
            f"The page cannot be offered at {address}, port {port} ({problem.strerror}).", remedy
        ) from problem
    return opened


def entry(address: str, port: int, token: str) -> str:
    """Return the address that lets a phone in."""
    return f"http://{address}:{port}/enter/{token}"


def hosts_of(addresses: Sequence[str], port: int) -> frozenset[str]:
    """Return the names with port under which the server may be asked for."""
    names = [*addresses, "localhost"]
    plain = names if port == 80 else []  # 80 is the port that browsers leave out
    return frozenset([*(f"{name}:{port}" for name in names), *plain])
