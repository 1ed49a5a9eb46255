"""Language and units: chosen in the browser or on the account, and what pages then look like."""

from datetime import UTC, datetime

from django.test import Client
from django.utils import translation

from access.display import shown_for
from background.units import CUSTOMARY, use_units
from spools.wording import format_duration, format_mass, format_number, format_temperature, format_time


def choose(client, language, units, **more):
    return client.post("/display/", {"language": language, "units": units, **more})


def lang_of(client, address, **headers):
    return client.get(address, **headers).content.decode().partition('<html lang="')[2].partition('"')[0]


def test_a_page_without_an_account_follows_the_browser_and_its_cookie(db):
    client = Client()
    assert lang_of(client, "/sign-in/") == "en-gb"
    assert lang_of(client, "/sign-in/", headers={"accept-language": "de-AT,de;q=0.9,en;q=0.5"}) == "de"
    assert lang_of(client, "/sign-in/", headers={"accept-language": "fr"}) == "en-gb"
    assert choose(client, "de", "metric", next="https://elsewhere.example/").url == "/"
    assert lang_of(client, "/sign-in/") == "de"
    answer = client.get("/sign-in/")
    assert answer["Content-Language"] == "de" and {"Accept-Language", "Cookie"} <= set(
        answer["Vary"].replace(" ", "").split(",")
    )


def test_the_choice_of_an_account_follows_it_into_other_browsers(desk, shop):
    assert choose(desk, "de", CUSTOMARY, next="/spools/").url == "/spools/"
    other = Client()
    other.force_login(shop.user)
    assert lang_of(other, "/display/", headers={"accept-language": "en"}) == "de"
    shop.user.refresh_from_db()
    with shown_for(shop.user):
        assert translation.get_language() == "de" and format_temperature(50) == "122 °F"
    with shown_for(None):
        assert translation.get_language() == "en-gb" and format_temperature(50) == "50 °C"


def test_a_language_that_is_not_offered_is_refused(db):
    answer = choose(Client(), "xx", "metric")
    assert answer.status_code == 200 and "language" in answer.context["form"].errors


def test_values_follow_language_and_units():
    at = datetime(2026, 3, 1, 13, 5, tzinfo=UTC)
    assert (format_number(0.25), format_time(at)) == ("0.25", "1 Mar 2026, 14:05")
    with translation.override("de"), use_units(CUSTOMARY):
        assert (format_number(0.25), format_time(at)) == ("0,25", "1. März 2026, 14:05")
        assert (format_duration(72), format_mass(250), format_mass(1000)) == ("3 Tage", "8,8 oz", "2,20 lb")
