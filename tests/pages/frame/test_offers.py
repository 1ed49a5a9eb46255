"""No page leads a person to an address that the account's role may not use, or shows a text without translation."""

from collections.abc import Iterator
from html.parser import HTMLParser
from urllib.parse import urljoin, urlsplit

import pytest
from django.test import Client
from django.urls import Resolver404, resolve, reverse

from access.models import User
from access.rules import is_allowed, required_role
from tests.translation.pseudo import data_of_the_shop, pseudo_german, unmarked_texts


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


class Walk:
    """All pages that a role is led to, one of each name, from link to link."""

    def __init__(self, role: str, **headers: str) -> None:
        self.user = User.objects.create_user("bo", role=role)
        self.client = Client(headers=headers)
        self.client.force_login(self.user)
        self.pages: dict[str, str] = {}
        self.refused: set[tuple[str, str, str]] = set()
        todo, self.seen = ["/"], {"today"}
        while todo:
            path = todo.pop()
            page = self.client.get(path)
            assert page.status_code == 200, path
            if page.headers["Content-Type"].startswith("text/html"):
                self.pages[resolve(urlsplit(path).path).view_name] = text = page.content.decode()
                todo += self._follow(path, text)

    def _follow(self, path: str, text: str) -> Iterator[str]:
        for method, address in Offers(text).found:
            address = urljoin(path, address).partition("#")[0]
            try:
                name = resolve(urlsplit(address).path).view_name
            except Resolver404:
                continue
            if not is_allowed(self.user, required_role(name, method)):
                self.refused.add((path, method, address))
            elif method == "GET" and name not in self.seen:
                self.seen.add(name)
                yield address


@pytest.mark.parametrize(("role", "pages"), [("view", 30), ("work", 60)])
def test_a_person_is_offered_nothing_that_takes_another_role(shop, role, pages):
    walk = Walk(role)
    assert walk.refused == set()
    assert len(walk.seen) > pages


def test_who_sets_up_is_offered_nothing_else_and_sees_no_text_without_translation(shop):
    with pseudo_german():
        walk = Walk("set_up", **{"accept-language": "de"})
    assert walk.refused == set()
    assert len(walk.seen) > 80
    data = data_of_the_shop()
    unmarked = {name: unmarked_texts(page, data) for name, page in walk.pages.items()}
    assert {name: texts for name, texts in unmarked.items() if texts} == {}


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
