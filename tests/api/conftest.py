"""A small shop behind the HTTP interface: everything that the interface can make is made through it."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta
from functools import partial
from types import SimpleNamespace
from typing import Any

import pytest
from django.contrib.auth import get_user_model
from django.db import transaction
from django.db.models import Model
from django.utils import timezone
from rest_framework.test import APIClient

from access.tokens import add_token
from spools.catalogue.importing import load_materials
from spools.models import Filler, Polymer
from tests.restored import build_once

V1 = "/api/v1/"


def ago(**span: float) -> str:
    """A past time as the interface takes it."""
    return (timezone.now() - timedelta(**span)).isoformat()


@dataclass
class Caller:
    """Calls the interface with a token; a call that should succeed says so by its status."""

    client: APIClient

    def get(self, path: str, status: int = 200, **query: Any) -> Any:
        return self._checked(self.client.get(V1 + path, query), status)

    def post(self, path: str, status: int = 201, **body: Any) -> Any:
        return self._checked(self.client.post(V1 + path, body), status)

    def patch(self, path: str, status: int = 200, **body: Any) -> Any:
        return self._checked(self.client.patch(V1 + path, body), status)

    def refused(self, path: str, status: int = 400, method: str = "post", **body: Any) -> dict[str, str]:
        """Messages by field."""
        errors = self._checked(getattr(self.client, method)(V1 + path, body), status)["errors"]
        assert errors and all(error["message"] for error in errors)
        return {error["field"]: error["message"] for error in errors}

    def refusals(self, path: str, method: str = "post", **body: Any) -> dict[str, str]:
        """The code of the refusal of each field."""
        errors = self._checked(getattr(self.client, method)(V1 + path, body), 400)["errors"]
        assert errors and all(error["message"] for error in errors)
        return {error["field"]: error["code"] for error in errors}

    @staticmethod
    def _checked(response: Any, status: int) -> Any:
        assert response.status_code == status, (response.status_code, response.content.decode())
        return response.json()


@pytest.fixture
def account(db):
    return build_once(add_account)


def add_account() -> Model:
    return get_user_model().objects.create_user("ada", role="set_up", password="filament-and-dry-air")


@pytest.fixture
def token(account) -> str:
    return build_once(partial(add_script, account))


def add_script(account: Model) -> str:
    return add_token(account, "a script", "all")[1]


@pytest.fixture
def client(token) -> APIClient:
    client = APIClient()
    client.credentials(HTTP_AUTHORIZATION=f"Token {token}")
    return client


@pytest.fixture
def api(client) -> Caller:
    return Caller(client)


@pytest.fixture(scope="session")
def materials(django_db_setup, django_db_blocker) -> list[Model]:
    """Two polymers and a filler of the catalogue, read once: loading all of it for each test takes long."""
    with django_db_blocker.unblock(), transaction.atomic():
        load_materials()
        rows = [*Polymer.objects.filter(name__in=["PA6", "PLA"]), Filler.objects.get(name="carbon fibre")]
        transaction.set_rollback(True)
    return rows


@pytest.fixture
def catalogue(db, materials) -> None:
    for row in materials:
        row.save(force_insert=True)


@pytest.fixture
def shop(api, catalogue) -> SimpleNamespace:
    return build_once(partial(build_shop, api))


def build_shop(api: Caller) -> SimpleNamespace:
    """Ids of: shelf, dry_box, dryer, printer, toolhead, nylon, plain and brass, steel, gears, liner."""
    nylon, pla = Polymer.objects.get(name="PA6"), Polymer.objects.get(name="PLA")
    carbon = Filler.objects.get(name="carbon fibre")
    shelf = api.post("places", name="open shelf", kind="shelf", assumed_rh_pct=55)["id"]
    dry_box = api.post("places", name="dry box", kind="dry_box", assumed_rh_pct=10)["id"]
    dryer = api.post(
        "places", name="small dryer", kind="dryer", max_set_point_c=110, room=shelf, moved_air=True
    )["id"]
    place = api.post("places", name="Wren's place", kind="printer", assumed_rh_pct=45)["id"]
    printer = api.post("printers", name="Wren", place=place, bed_max_c=120, enclosed=True)["id"]
    toolhead = api.post("toolheads", printer=printer, name="T0", hot_end_max_c=320)["id"]
    common = {"how": "quoted", "source": "invented for a test"}
    brass = api.post(
        "part-kinds",
        role="nozzle",
        name="brass 0.4",
        material="brass",
        hardness_hv=150,
        bore_mm=0.4,
        life_unit="dose_km",
        life=2,
        life_low=1,
        life_high=4,
        **common,
    )["id"]
    gears = api.post(
        "part-kinds",
        role="gears",
        name="hardened gears",
        material="hardened steel",
        hardness_hv=700,
        life_unit="feed_km",
        life=500,
        life_low=200,
        life_high=1000,
        **common,
    )["id"]
    return SimpleNamespace(
        shelf=shelf,
        dry_box=dry_box,
        dryer=dryer,
        printer=printer,
        printer_place=place,
        toolhead=toolhead,
        polyamide=nylon.pk,
        brass=brass,
        gears=gears,
        nylon=api.post("feedstocks", maker_name="Fennel & Fir", polymer=nylon.pk, name="Nylon 6")["id"],
        nylon_carbon=api.post(
            "feedstocks",
            maker_name="Fennel & Fir",
            polymer=nylon.pk,
            name="Nylon 6 CF",
            filler=carbon.pk,
            filler_mass_fraction=0.15,
        )["id"],
        pla=api.post("feedstocks", maker_name="Fennel & Fir", polymer=pla.pk, name="Plain")["id"],
    )


@pytest.fixture
def receive(api, shop) -> Callable[..., str]:
    """Receives a spool as receive_spool does; returns its code."""
    return partial(receive_spool, api, shop)


def receive_spool(api: Caller, shop: SimpleNamespace, **changes: Any) -> str:
    """Receives a spool, ten days ago into the dry box unless told otherwise; returns its code."""
    spool = {
        "feedstock": shop.nylon,
        "place": shop.dry_box,
        "at": ago(days=10),
        "net_mass_g": 1000,
        "core_mass_g": 220,
        "core_mass_known": True,
        "core_material": "pc",
        "core_radius_mm": 50,
        "width_mm": 60,
        "sealed": False,
    }
    return api.post("spools", **spool | changes)["code"]
