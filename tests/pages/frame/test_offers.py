"""No page leads a person to an address that the account's role may not use."""

from html.parser import HTMLParser
from urllib.parse import urljoin, urlsplit

from django.test import Client
from django.urls import Resolver404, resolve

from access.models import User
from access.rules import ANYBODY, required_role


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


def test_a_person_who_works_is_offered_nothing_that_takes_another_role(shop):
    user = User.objects.create_user("bo", role="work")
    client = Client()
    client.force_login(user)
    todo, seen, refused = ["/"], set(), set()
    # One page of each name, from link to link.
    while todo:
        path = todo.pop()
        page = client.get(path)
        if not page.headers["Content-Type"].startswith("text/html"):
            continue
        for method, address in Offers(page.content.decode()).found:
            address = urljoin(path, address).partition("#")[0]
            try:
                name = resolve(urlsplit(address).path).view_name
            except Resolver404:
                continue
            role = required_role(name, method)
            if role != ANYBODY and not user.has_role(role):
                refused.add((path, method, address))
            elif method == "GET" and name not in seen:
                seen.add(name)
                todo.append(address)
    assert refused == set()
    assert len(seen) > 50
