"""Random shops, and whether every surface gives the same advice in each: python -m benchmarks.one_answer --shops 200.

A shop has dryers that are full, neighbours with lower caps, cardboard reels, requested prints and accepted plans
of the week. For each spool that needs drying the object stored on the board is compared with that of the API, of
the readiness check, of Today, of its reminder, and its sentence with the text of each page.
"""

import argparse
import html
import os
import re
import tempfile
from collections.abc import Iterator
from contextlib import suppress
from datetime import timedelta
from random import Random
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from spools.models import Place, Spool

MATERIALS = ["PLA", "PETG", "PA6", "PC", "PVA", "TPU 95A", "ASA"]
REELS = ["cardboard", "abs", "pc", "unknown"]


def main() -> int:
    parser = argparse.ArgumentParser(description="Compare the advice of all surfaces in random shops.")
    parser.add_argument("--shops", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="loadworthy-") as folder:
        os.environ |= {
            "DATABASE_URL": f"sqlite:///{folder}/shop.sqlite3",
            "LOADWORTHY_DATA": folder,
            "DJANGO_SETTINGS_MODULE": "config.settings",
            "SECRET_KEY": "for this comparison alone",
        }
        import django

        django.setup()
        from django.core.management import call_command
        from django.db import transaction

        call_command("migrate", verbosity=0)
        call_command("load_catalogue", verbosity=0)
        compared, different = 0, []
        for seed in range(options.seed, options.seed + options.shops):
            with transaction.atomic():
                build_shop(Random(seed))
                count, differences = compare_surfaces()
                transaction.set_rollback(True)
            compared += count
            different += [f"shop {seed}: {difference}" for difference in differences]
        print(f"{options.shops} shops, {compared} comparisons, {len(different)} differences")
        print("\n".join(different[:40]))
        return 1 if different else 0


def build_shop(chance: Random) -> None:
    """An invented shop in an empty database that has the catalogue."""
    from spools.models import Place

    room = Place.objects.create(
        name="Room", kind="shelf", assumed_temperature_c=22, assumed_rh_pct=chance.choice([40, 55, 70])
    )
    box = Place.objects.create(name="Box", kind="dry_box", assumed_rh_pct=12)
    _add_printers()
    spools = _receive_spools(chance, [room, room, box])
    for dryer in _add_dryers(chance, room):
        if chance.random() < 0.6:
            _fill(chance, dryer, chance.choice(spools))
    _plan_week(chance, spools)


def _add_printers() -> None:
    from maintenance.machines.printers import add_printer
    from maintenance.models import PartKind, Printer, Toolhead
    from maintenance.parts.fitting import fit_part
    from maintenance.parts.stock import add_stock

    for n in range(2):
        printer = add_printer(
            Printer(name=f"Printer {n}", bed_max_c=110, enclosed=bool(n)),
            Toolhead(name="T0"),
            assumed_temperature_c=24,
            assumed_rh_pct=35,
        )
        nozzle = PartKind.objects.filter(role="nozzle", name__contains="hardened")[0]
        add_stock(nozzle, 1)
        fit_part(printer.toolheads.get(), kind=nozzle)


def _add_dryers(chance: Random, room: "Place") -> "list[Place]":
    from spools.models import Place

    return [
        Place.objects.create(
            name=f"Dryer {n}",
            kind="dryer",
            room=room,
            moved_air=True,
            max_set_point_c=chance.choice([50, 60, 70, 90, 110]),
            set_point_error_c=chance.choice([0, 3, 5]),
            spool_capacity=chance.choice([None, 2, 4]),
        )
        for n in range(chance.choice([1, 2, 2]))
    ]


def _receive_spools(chance: Random, places: "list[Place]") -> "list[Spool]":
    """One or two spools of each of four materials, on reels that bear little or much heat."""
    from django.utils import timezone

    from spools.inventory.receiving import NewSpool, receive_spool
    from spools.models import Feedstock, Maker, Polymer

    maker, spools = Maker.objects.create(name="Example Works"), []
    for name in chance.sample(MATERIALS, 4):
        feedstock = Feedstock.objects.create(maker=maker, polymer=Polymer.objects.get(name=name), name=name)
        for _ in range(chance.choice([1, 1, 2])):
            new = NewSpool(
                feedstock=feedstock,
                net_mass_g=chance.choice([500, 1000]),
                core_radius_mm=50,
                width_mm=60,
                core_mass_g=200,
                core_mass_known=True,
                core_material=chance.choice(REELS),
                sealed=chance.random() < 0.2,
                opened=True,
            )
            received = timezone.now() - timedelta(hours=chance.choice([60, 300, 900]))
            spools.append(receive_spool(new, chance.choice(places), at=received))
    return spools


def _fill(chance: Random, dryer: "Place", spool: "Spool") -> None:
    """Start a drying some hours ago; its hours may be over."""
    from django.core.exceptions import ValidationError
    from django.utils import timezone

    from spools.drying.caps import suggested_set_point_c
    from spools.drying.runs import DryingSettings, start_drying

    settings = DryingSettings(suggested_set_point_c(spool, dryer), planned_hours=chance.choice([4, 12, 30]))
    # A spool that this dryer may not take, or that is in the other one, stays where it is.
    with suppress(ValidationError):
        start_drying([spool], dryer, settings, at=timezone.now() - timedelta(hours=chance.choice([1, 6, 20])))


def _plan_week(chance: Random, spools: "list[Spool]") -> None:
    """Request some prints, and accept a plan of the week for them in most shops."""
    from django.core.exceptions import ValidationError
    from django.utils import timezone

    from spools.drying.week.plans import accept_plan, compute_plan, create_plan, store_plan
    from spools.drying.week.requests import add_print_request

    for _ in range(chance.choice([0, 1, 2])):
        due = timezone.now() + timedelta(hours=chance.choice([20, 50, 90]))
        add_print_request(chance.choice(spools), chance.choice([50, 200]), due)
    # Without a request there is no plan.
    with suppress(ValidationError):
        if chance.random() < 0.7:
            plan = create_plan()
            store_plan(plan, compute_plan(plan))
            accept_plan(plan)


def compare_surfaces() -> tuple[int, list[str]]:
    """How many surfaces were compared with the board, and what differs, in words."""
    from maintenance.reminders.sweep import sweep
    from spools.board import board
    from spools.models import Spool

    sweep()
    rows = board.read()
    client = _client()
    count, different = 0, []
    for spool in Spool.objects.order_by("pk"):
        advice = rows[spool.pk].advice
        for surface, shown in _surfaces(client, spool, advice.code):
            count += 1
            expected = advice.sentence if isinstance(shown, str) else advice.as_data()
            is_equal = _plain(expected) in shown if isinstance(shown, str) else shown == expected
            if not is_equal:
                different.append(f"{spool.code} on {surface}: {shown!r:.300} instead of {expected!r:.300}")
    return count, different


def _client():
    from django.conf import settings
    from django.contrib.auth import get_user_model
    from django.test import Client

    settings.ALLOWED_HOSTS = ["*"]
    client = Client()
    client.force_login(get_user_model().objects.create_superuser("ada"))
    return client


def _surfaces(client, spool, code: str) -> Iterator[tuple[str, object]]:
    """What each surface says of a spool: text of a page, or the statement of an object."""
    from django.urls import reverse

    from maintenance.models import Reminder

    needs_drying = code not in ("advice.none_needed", "advice.in_run")
    answer = client.get(f"/api/v1/spools/{spool.code}").json()
    yield "the API's spool", {name: answer["advice"][name] for name in ("code", "values")}
    for verdict in answer.get("verdicts", []):
        for check in verdict["checks"]:
            # A spool that prints well may get too wet while it prints: then it is to be kept dry.
            if check["name"] == "moisture" and check["state"] != "clear" and code != "advice.none_needed":
                remedy = check["remedy"]
                yield "the API's verdict", {name: remedy[name] for name in ("code", "values")}
    yield "its page", _text(client.get(reverse("spool", args=[spool.code])))
    if needs_drying and code != "advice.no_dryer":
        yield "its drying page", _text(client.get(reverse("spool-dry", args=[spool.code])))
    for row in client.get("/api/v1/today").json()["later"]:
        if row["spool"] == spool.code and row["advice"] is not None:
            yield "the API's Today", {name: row["advice"][name] for name in ("code", "values")}
            if code != "advice.none_needed":
                yield "Today", _text(client.get("/"))
    for reminder in Reminder.objects.filter(kind="dry", spool=spool, ended_at=None):
        yield "its reminder", reminder.remedy.as_data()


def _text(answer) -> str:
    """The text of a page without its markup."""
    assert answer.status_code == 200, answer
    return _plain(html.unescape(re.sub(r"<[^>]+>", " ", answer.content.decode())))


def _plain(text: str) -> str:
    return re.sub(r"\s+", "", text)


if __name__ == "__main__":
    raise SystemExit(main())
