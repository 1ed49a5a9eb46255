"""Imports the catalogue of materials from fixtures/ into the database; may be repeated at any time."""

from pathlib import Path
from typing import Any, TypeVar

from django.conf import settings
from django.db import models, transaction

from spools.catalogue.sources import match_sources, read_rows
from spools.invalidation import invalidate_all
from spools.models import CoreKind, Filler, Polymer, Source

FIXTURES = Path(settings.BASE_DIR) / "fixtures"
REFERENCE = FIXTURES / "reference"
# Measured for PA6, taken over by the other polyamides with that curve (reference/sorption_values.csv).
GAB_SHAPE = {"gab_c": 4.60, "gab_k": 0.768}

Named = TypeVar("Named", bound=models.Model)


@transaction.atomic
def load_materials(restore: bool = False) -> dict[str, int]:
    """Adds the missing polymers with their sources, fillers and reels. Returns the number of each.

    Rows are matched by name. Existing rows stay as the shop corrected them; ``restore`` brings the values and
    sources of the files back. Makers, feedstocks and spools are never touched.
    """
    if restore:
        invalidate_all()
    polymers = read_rows(REFERENCE / "polymers.csv")
    written = write_rows(Polymer, polymer_rows(REFERENCE), restore)
    by_name = {polymer.name: polymer for polymer in written}
    Source.objects.filter(polymer__in=written).delete()
    backing = [
        Source(polymer=by_name[row["polymer"]], **_without_key(row, "polymer"))
        for row in match_sources(polymers, REFERENCE)
        if row["polymer"] in by_name
    ]
    Source.objects.bulk_create(backing, batch_size=500)
    return {
        "polymers": len(written),
        "sources": len(backing),
        "fillers": len(write_rows(Filler, read_rows(FIXTURES / "fillers.csv"), restore)),
        "reels": len(write_rows(CoreKind, read_rows(FIXTURES / "core_kinds.csv"), restore)),
    }


def polymer_rows(reference: Path) -> list[dict[str, str]]:
    """The polymers of the reference data, as text by the names of the model's fields."""
    rows = []
    for row in read_rows(reference / "polymers.csv"):
        shape = GAB_SHAPE if row["isotherm"] == Polymer.Isotherm.GAB else {}
        texts = {key: str(value) for key, value in shape.items()}
        rows.append({"name": row["polymer"]} | _without_key(row, "polymer") | texts)
    return rows


def write_rows(model: type[Named], rows: list[dict[str, str]], restore: bool) -> list[Named]:
    """Writes rows, whose keys are the model's fields, into the database: the missing ones, or all of them.

    Rows are matched by name. Returns those that were written.
    """
    existing = set() if restore else set(model._default_manager.values_list("name", flat=True))
    written = []
    for row in rows:
        if row["name"] not in existing:
            values = {key: read_cell(model, key, text) for key, text in row.items()}
            written.append(model._default_manager.update_or_create(name=row["name"], defaults=values)[0])
    return written


def read_cell(model: type[models.Model], field: str, text: str) -> Any:
    """A cell of a file as its field holds it: a number where the field is one, None where it may be."""
    column: Any = model._meta.get_field(field)
    return None if text == "" and column.null else column.to_python(text)


def _without_key(row: dict[str, str], key: str) -> dict[str, str]:
    return {name: text for name, text in row.items() if name != key}
