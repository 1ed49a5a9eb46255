"""The addresses to which messages may go, asked when a connection is made, whatever way the address was written."""

import socket
from ipaddress import IPv4Address, IPv6Address, ip_address, ip_network

from django.conf import settings

Address = IPv4Address | IPv6Address
# IPv6 that stands for IPv4 behind a translator (RFC 6052).
TRANSLATED = ip_network("64:ff9b::/96")


def is_permitted(text: str) -> bool:
    """Whether a message may go to a numeric address: a public one, or one of WEBHOOK_NETWORKS, and not this machine."""
    address = _plain(ip_address(text.partition("%")[0]))
    if any(address in network for network in settings.WEBHOOK_NETWORKS):
        return True
    return address.is_global and not address.is_multicast and not _is_own(address)


def numeric(host: str) -> str:
    """The address that a host is, also in decimal, octal or hexadecimal, as the system reads it; empty for a name."""
    try:
        return str(ip_address(host))
    except ValueError:
        pass
    try:
        return socket.inet_ntoa(socket.inet_aton(host))
    except (OSError, UnicodeError):
        return ""


def _plain(address: Address) -> Address:
    """The IPv4 address that an IPv6 address stands for."""
    if isinstance(address, IPv4Address):
        return address
    if address in TRANSLATED:
        return IPv4Address(int(address) & 0xFFFFFFFF)
    return address.ipv4_mapped or address.sixtofour or address


def _is_own(address: Address) -> bool:
    """Whether it is an address of this machine: then the system would send from it. Nothing is sent for that."""
    family = socket.AF_INET if isinstance(address, IPv4Address) else socket.AF_INET6
    try:
        with socket.socket(family, socket.SOCK_DGRAM) as probe:
            probe.connect((str(address), 9))
            return ip_address(probe.getsockname()[0].partition("%")[0]) == address
    except OSError:
        # No way there at all.
        return False
