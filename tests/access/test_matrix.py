"""Every address of the resolver against every role: a new address without a row in docs/access.md fails here."""

import re
from uuid import UUID

from access.rules import ANYBODY, FORMS, OPEN, OWN, SET_UP, SUPERUSER, required_role
from access.table import access_table, addresses
from tests.services.shop import REPOSITORY

ORDER = ["anonymous", "view", "work", "set_up", "superuser"]
EVERY = list(addresses())
LOGIN = "/sign-in/"


def path_of(pattern: str) -> str:
    """An address of the pattern; what it names does not exist."""
    path = re.sub(r"<(?:int|path):\w+>", "0", pattern).replace("<uuid:pk>", str(UUID(int=0)))
    path = re.sub(r"<\w+:\w+>", "none", path)
    path = re.sub(r"\(\?P<\w+>\[.*?\]\+\)", "0", path)
    return (
        re.sub(r"\(\?P<\w+>.*?\)", "none", path)
        .replace("/?", "")
        .replace("^", "")
        .replace("$", "")
        .replace("[sS]", "S")
        .replace("[cC]", "C")
    )


def methods_of(address):
    return [method.upper() for method in address.actions] if address.actions else ["GET", "POST"]


def is_refused(answer) -> bool:
    return answer.status_code in (401, 403) or answer.headers.get("Location", "").startswith(LOGIN)


def test_each_address_has_a_row_in_the_guide():
    assert (REPOSITORY / "docs" / "access.md").read_text() == access_table()


def test_the_lists_name_addresses_that_exist():
    assert {address.name for address in EVERY} >= FORMS | OPEN | OWN | SET_UP
    assert all(address.name for address in EVERY if not address.name.startswith("admin:"))


def test_an_address_lets_its_role_in_and_nobody_below(clients):
    wrong = []
    for address in EVERY:
        for method in methods_of(address) if not address.name.startswith("admin:") else []:
            role = required_role(address.name, method)
            if role == ANYBODY:
                continue
            # An empty form, and a thing that does not exist, change nothing.
            for who in {"anonymous", ORDER[ORDER.index(role) - 1], role}:
                answer = clients[who].generic(method, path_of(address.pattern))
                if is_refused(answer) != (who != role):
                    wrong.append((who, method, address.name, answer.status_code))
    assert wrong == []


def test_the_admin_is_for_superusers(clients, people):
    people["set_up"].is_staff = True
    people["set_up"].save()
    names = [address for address in EVERY if address.name.startswith("admin:")]
    assert len(names) > 200
    for address in names:
        path = path_of(address.pattern)
        assert clients["anonymous"].post(path).headers["Location"].startswith(LOGIN), path
        if address.name.endswith(("_add", ":index", "_password_change")):
            assert clients["set_up"].get(path).status_code == 403, path
    assert clients["superuser"].get("/admin/").status_code == 200


def test_an_address_that_is_not_known_needs_an_account():
    assert required_role(None, "GET") == "view"
    assert required_role("something-new", "POST") == "work"
    assert required_role("admin:anything", "GET") == SUPERUSER


def test_a_refusal_names_those_who_may(clients):
    page = clients["work"].get("/machines/new/")
    assert page.status_code == 403
    assert "set_up" in page.content.decode() and "superuser" in page.content.decode()
