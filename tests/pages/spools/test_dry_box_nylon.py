"""Nylon in a dry box whose hygrometer may be off: the verdict names that, and a salt check settles it."""

from django.urls import reverse
from rest_framework.test import APIClient

from spools.air.climate import record_readings
from tests.pages.shown import notes, shows
from tests.pages.small_shop import local_input
from tests.spools.conftest import hours_ago, receive

DAYS = 30


def test_the_verdict_names_the_hygrometer_until_a_salt_check(shop, desk):
    record_readings(shop.box, [(hours_ago(h), 22, 8) for h in range(1, 24 * DAYS, 6)], origin="api")
    spool = receive(shop.nylon, shop.box, at=hours_ago(24 * DAYS), sealed=True, card="dry")
    toolhead, api = shop.toolheads[1], APIClient()
    api.force_authenticate(shop.user)

    def check() -> dict:
        answer = api.get("/api/v1/readiness", {"toolhead": toolhead.pk, "spool": spool.code}).json()
        return next(row for row in answer["checks"] if row["name"] == "moisture")

    before = check()
    assert before["state"] == "caution"
    (hygrometer,) = [row for row in before["decided_by"] if row["code"] == "decided_by.hygrometer"]
    assert hygrometer["values"] | {"share_pct": 0} == {
        "share_pct": 0,
        "remedy": "salt_check",
        "place": shop.box.name,
        "place_id": shop.box.pk,
    }
    loading = desk.get(reverse("spool-load", args=[spool.code]), {"toolhead": toolhead.pk})
    assert shows(loading, hygrometer["sentence"], note="decided_by")
    place = reverse("place", args=[shop.box.pk])
    assert f"{place}#salt-check" in desk.get(reverse("spool", args=[spool.code])).content.decode()
    assert {"salt_check_steps", "hygrometer_unchecked"} <= notes(desk.get(place))
    salt = {"rh_pct": 79.3, "temperature_c": 25, "hours": 12, "when": local_input(hours_ago(24 * DAYS - 13))}
    assert desk.post(reverse("place-salt-check", args=[shop.box.pk]), salt).status_code == 302
    after = check()
    assert after["values"]["likely_pct"] < before["values"]["likely_pct"]
    assert "decided_by.hygrometer" not in {row["code"] for row in after["decided_by"]}
