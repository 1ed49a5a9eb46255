"""The audit trail: what is in it, what is never in it, and that nothing changes it."""

import pytest
from django.test import Client

from access.models import AuditEntry, User
from access.sign_in import ACCOUNT
from maintenance.models import Channel, Printer
from spools.models import Maker, Place
from tests.pages.shown import shows

PASSWORD = "filament-and-dry-air"


def last(action: str, subject: str = "") -> AuditEntry:
    return AuditEntry.objects.filter(action=action, subject=subject).first()


def test_the_doors_are_recorded_with_person_address_and_request(people):
    people["work"].set_password(PASSWORD)
    people["work"].save()
    assert not AuditEntry.objects.exists()
    client = Client(REMOTE_ADDR="192.0.2.5")
    client.post("/sign-in/", {"username": "work", "password": "a-secret"})
    client.post("/sign-in/", {"username": "another-secret", "password": "a-secret"})
    answer = client.post("/sign-in/", {"username": "work", "password": PASSWORD})
    client.post("/account/sign-out/")
    client.post("/sign-out/")
    told = [(entry.action, entry.user_name, entry.address) for entry in AuditEntry.objects.order_by("id")]
    assert told == [
        ("sign_in_failed", "work", "192.0.2.5"),
        ("sign_in_failed", "", "192.0.2.5"),
        ("signed_in", "work", "192.0.2.5"),
        ("signed_out_everywhere", "work", "192.0.2.5"),
        ("signed_out", "work", "192.0.2.5"),
    ]
    assert last("signed_in").request_id == answer.headers["X-Request-ID"]
    assert "secret" not in str(list(AuditEntry.objects.values()))


def test_roles_and_tokens_are_recorded_without_secrets(clients, people):
    user = people["view"]
    change = {f"{user.pk}-role": "work", f"{user.pk}-is_active": "on"}
    clients["set_up"].post(f"/accounts/{user.pk}/", change)
    entry = last("changed", "user")
    assert (entry.user_name, entry.title) == ("set_up", "view")
    assert (entry.before, entry.after) == ({"role": "view"}, {"role": "work"})
    clients["work"].post("/accounts/tokens/", {"name": "scale", "scope": "weighings"})
    token = last("added", "token")
    assert token.after["name"] == "scale" and token.after["digest"] == "…"
    clients["work"].post(f"/accounts/tokens/{token.subject_id}/end/")
    assert set(last("changed", "token").after) == {"ended_at"}


def test_catalogue_machines_and_channels_are_recorded_with_before_and_after(clients, people):
    headers = {"Authorization": "Token " + token_of(people["set_up"])}
    api = Client(headers=headers)
    maker = api.post("/api/v1/makers", {"name": "Fennel"}, "application/json").json()["id"]
    api.patch(f"/api/v1/makers/{maker}", {"name": "Fennel & Fir"}, "application/json")
    entry = last("changed", "maker")
    assert (entry.token, entry.before, entry.after) == (
        "script",
        {"name": "Fennel"},
        {"name": "Fennel & Fir"},
    )
    place = Place.objects.create(name="Here", kind="printer")
    printer = Printer.objects.create(name="Wren", place=place)
    clients["set_up"].post(f"/machines/{printer.pk}/retire/", {"reason": "sold"})
    clients["work"].post(
        "/reminders/notifications/webhook/", {"name": "x", "address": "https://example.org/h"}
    )
    channel = last("added", "channel")
    assert channel.after["address"] == "…" and Channel.objects.get().address not in str(channel.after)
    clients["work"].post(f"/reminders/notifications/{channel.subject_id}/end/")
    assert set(last("changed", "channel").after) == {"ended_at"}


def token_of(user: User) -> str:
    from access.tokens import add_token

    return add_token(user, "script", "all")[1]


def test_no_code_changes_or_deletes_an_entry(clients):
    clients["set_up"].post("/sign-out/")
    entry = AuditEntry.objects.get()
    for forbidden in (entry.save, entry.delete, AuditEntry.objects.all().delete):
        with pytest.raises(TypeError):
            forbidden()
    with pytest.raises(TypeError):
        AuditEntry.objects.update(user_name="nobody")
    page = f"/admin/access/auditentry/{entry.pk}/"
    assert clients["superuser"].post(page + "change/", {"user_name": "x"}).status_code == 403
    assert clients["superuser"].post(page + "delete/", {"post": "yes"}).status_code == 403


def test_the_page_and_the_endpoint_are_for_those_who_set_up(clients):
    clients["view"].post("/sign-out/")
    page = clients["set_up"].get("/accounts/audit/?action=signed_out&user=view")
    assert shows(page, "view", "signed out", note="entry")
    assert "entry" not in clients["set_up"].get("/accounts/audit/?user=nobody").content.decode().split(
        "data-note="
    )
    answer = clients["set_up"].get("/api/v1/audit?action=signed_out")
    assert [entry["user_name"] for entry in answer.json()["results"]] == ["view"]
    assert clients["work"].get("/api/v1/audit").status_code == 403


def test_a_command_leaves_no_entry(db):
    Maker.objects.create(name="Fennel & Fir")
    assert not AuditEntry.objects.exists()


def test_a_stranger_does_not_shut_out_an_owner_who_was_here_before(people):
    people["work"].set_password(PASSWORD)
    people["work"].save()
    home, away = Client(REMOTE_ADDR="192.0.2.5"), Client(REMOTE_ADDR="198.51.100.7")
    right = {"username": "work", "password": PASSWORD}
    assert home.post("/sign-in/", right).status_code == 302
    home.post("/sign-out/")
    for _ in range(ACCOUNT.free):
        away.post("/sign-in/", right | {"password": "wrong"})
    assert away.post("/sign-in/", right).status_code == 429
    assert home.post("/sign-in/", right).status_code == 302
