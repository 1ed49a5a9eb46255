from django.core.management.base import BaseCommand
from django.db import transaction

from maintenance.models import PartKind
from spools.catalogue_loading import FIXTURES, load_materials, load_named


class Command(BaseCommand):
    help = "Bring the catalogue of materials and parts up to date; may be repeated, keeps the shop's own."

    def handle(self, *args: object, **options: object) -> None:
        with transaction.atomic():
            loaded = load_materials()
            loaded["parts"] = load_named(PartKind, FIXTURES / "part_kinds.csv")
        if options["verbosity"]:
            self.stdout.write(", ".join(f"{count} {what}" for what, count in loaded.items()) + ".")
