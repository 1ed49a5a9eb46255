"""Addresses of clients, as they are counted."""

import ipaddress


def group_address(address: str) -> str:
    """The address; of IPv6 its network, since whoever has one address there has 2^64 of them."""
    try:
        parsed = ipaddress.ip_address(address)
    except ValueError:
        return address
    if isinstance(parsed, ipaddress.IPv6Address) and parsed.ipv4_mapped is None:
        return str(ipaddress.ip_network((parsed, 64), strict=False))
    return str(parsed)
