"""The address that labels carry, and whether a phone can open it."""

from dataclasses import dataclass, field
from ipaddress import ip_address
from urllib.parse import urlsplit

from django.conf import settings
from django.http import HttpRequest
from django.http.request import validate_host

from background.host import answers, find_own_address


@dataclass(frozen=True)
class LabelAddress:
    """base: scheme and host that labels carry.

    caution: why a phone may not open it (loopback, not_set; empty: none). others: bases that a phone can open, to choose
    from. own: this machine's address in its network, which is no choice yet; command: starts the service under it.
    """

    base: str
    caution: str = ""
    others: list[str] = field(default_factory=list)
    own: str = ""
    command: str = ""


def find_label_address(request: HttpRequest) -> LabelAddress:
    """The public address, one that was chosen, or that by which the page was opened."""
    if settings.PUBLIC_URL:
        return LabelAddress(settings.PUBLIC_URL, "loopback" if _is_local(settings.PUBLIC_URL) else "")
    opened = f"{request.scheme}://{request.get_host()}"
    if not _is_local(opened):
        return LabelAddress(opened, "not_set")
    port = urlsplit(opened).port
    suffix = f":{port}" if port else ""
    hosts = [
        host
        for host in settings.ALLOWED_HOSTS
        if not host.startswith((".", "*")) and not _is_local(f"//{host}")
    ]
    own = find_own_address()
    if own and own not in hosts and validate_host(own, settings.ALLOWED_HOSTS) and answers(own, port or 80):
        hosts.append(own)
    others = [f"{request.scheme}://{host}{suffix}" for host in hosts]
    if (chosen := request.GET.get("base")) in others:
        return LabelAddress(str(chosen), "not_set", others)
    command = (
        f"ALLOWED_HOSTS=localhost,{own} PUBLIC_URL=http://{own}{suffix} ./run --host {own}" if own else ""
    )
    return LabelAddress(opened, "loopback", others, own, command if not others else "")


def _is_local(base: str) -> bool:
    """Whether a host is this machine for itself alone."""
    host = urlsplit(base).hostname or ""
    try:
        return ip_address(host).is_loopback or ip_address(host).is_unspecified
    except ValueError:
        return host == "localhost" or host.endswith(".localhost")
