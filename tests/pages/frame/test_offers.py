"""No page leads a person to an address that the account's role may not use."""

from html.parser import HTMLParser
from urllib.parse import urljoin, urlsplit

import pytest
from django.test import Client
from django.urls import Resolver404, resolve, reverse

from access.models import User
from access.rules import is_allowed, required_role


class Offers(HTMLParser):
    """Addresses of links and forms, each with the method that it is asked with."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.found: list[tuple[str, str]] = []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        values = dict(attrs)
        if tag == "a" and values.get("href"):
            self.found.append(("GET", values["href"]))
        if tag == "form":
            self.found.append(((values.get("method") or "get").upper(), values.get("action") or ""))


@pytest.mark.parametrize(("role", "pages"), [("view", 30), ("work", 60), ("set_up", 80)])
def test_a_person_is_offered_nothing_that_takes_another_role(shop, role, pages):
    user = User.objects.create_user("bo", role=role)
    client = Client()
    client.force_login(user)
    todo, seen, refused = ["/"], set(), set()
    # One page of each name, from link to link.
    while todo:
        path = todo.pop()
        page = client.get(path)
        assert page.status_code == 200, path
        if not page.headers["Content-Type"].startswith("text/html"):
            continue
        for method, address in Offers(page.content.decode()).found:
            address = urljoin(path, address).partition("#")[0]
            try:
                name = resolve(urlsplit(address).path).view_name
            except Resolver404:
                continue
            if not is_allowed(user, required_role(name, method)):
                refused.add((path, method, address))
            elif method == "GET" and name not in seen:
                seen.add(name)
                todo.append(address)
    assert refused == set()
    assert len(seen) > pages


def test_first_steps_lead_each_role_where_it_may_go(db):
    led = {}
    for role in ("view", "work", "set_up"):
        client = Client()
        client.force_login(User.objects.create_user(role, role=role))
        found = {address for _, address in Offers(client.get("/").content.decode()).found}
        led[role] = found & {reverse("spool-receive"), reverse("place-new")}
    assert led == {
        "view": set(),
        "work": {reverse("spool-receive")},
        "set_up": {reverse("spool-receive"), reverse("place-new")},
    }
