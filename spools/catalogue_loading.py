"""The catalogue of materials, from fixtures/ into the database. May be repeated at any time."""

from pathlib import Path
from typing import Any

from django.conf import settings
from django.db import models, transaction

from .catalogue_sources import rows, sources
from .models import CoreKind, Filler, Polymer, Source

FIXTURES = Path(settings.BASE_DIR) / "fixtures"
REFERENCE = FIXTURES / "reference"
# Measured for PA6, taken over by the other polyamides with that curve (reference/sorption_values.csv).
GAB_SHAPE = {"gab_c": 4.60, "gab_k": 0.768}


@transaction.atomic
def load_materials() -> dict[str, int]:
    """Bring polymers with their sources, fillers and reels up to date; how many of each, by their names.

    Matched by name. Makers, feedstocks and spools are the shop's own and stay as they are. The sources of
    a catalogue polymer are those of the files, no others.
    """
    polymers = rows(REFERENCE / "polymers.csv")
    by_name = {}
    for row in polymers:
        values = {key: cell(Polymer, key, text) for key, text in row.items() if key != "polymer"}
        if row["isotherm"] == Polymer.Isotherm.GAB:
            values |= GAB_SHAPE
        by_name[row["polymer"]], _ = Polymer.objects.update_or_create(name=row["polymer"], defaults=values)
    backing = [Source(**row | {"polymer": by_name[row["polymer"]]}) for row in sources(polymers, REFERENCE)]
    Source.objects.filter(polymer__in=by_name.values()).delete()
    Source.objects.bulk_create(backing, batch_size=500)
    return {
        "polymers": len(polymers),
        "sources": len(backing),
        "fillers": load_named(Filler, FIXTURES / "fillers.csv"),
        "reels": load_named(CoreKind, FIXTURES / "core_kinds.csv"),
    }


def load_named(model: type[models.Model], path: Path) -> int:
    """Create or update a model's rows from a file whose columns are its fields; matched by name."""
    found = rows(path)
    for row in found:
        values = {key: cell(model, key, text) for key, text in row.items() if key != "name"}
        model._default_manager.update_or_create(name=row["name"], defaults=values)
    return len(found)


def cell(model: type[models.Model], field: str, text: str) -> Any:
    """A cell of a file as its field holds it: a number where the field is one, None where it may be."""
    column = model._meta.get_field(field)
    return None if text == "" and column.null else column.to_python(text)
