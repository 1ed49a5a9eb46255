"""A corner of a shop for pages that need little: two spools of nylon, three places and a dryer."""

from types import SimpleNamespace

from django.contrib.auth import get_user_model
from django.urls import reverse

from spools.models import Place, Spool
from tests.spools.conftest import feedstock, hours_ago, receive

PASSWORD = "filament-and-dry-air"


def corner() -> SimpleNamespace:
    """The spools lie in a bag since two days ago; ``free`` is the first of them."""
    shelf = Place.objects.create(name="Open shelf", kind="shelf", assumed_rh_pct=50)
    bag = Place.objects.create(name="Bags", kind="bag", assumed_rh_pct=20)
    box = Place.objects.create(name="Dry box", kind="dry_box", assumed_rh_pct=15)
    dryer = Place.objects.create(name="Oven A", kind="dryer", max_set_point_c=90, room=shelf)
    nylon = feedstock("PA6")
    free, other = (receive(nylon, bag, at=hours_ago(72), core_material="pc") for _ in range(2))
    user = get_user_model().objects.create_user("ada", role="set_up", password=PASSWORD)
    return SimpleNamespace(
        user=user, shelf=shelf, bag=bag, box=box, dryer=dryer, nylon=nylon, free=free, other=other
    )


def of(name: str, spool: Spool) -> str:
    """The address of a spool's page."""
    return reverse(name, args=[spool.code])
