from django.core.management.base import BaseCommand, CommandParser
from django.db import transaction

from maintenance.models import PartKind, ServiceKind
from spools.catalogue.importing import FIXTURES, load_materials, write_rows
from spools.catalogue.sources import read_rows


class Command(BaseCommand):
    help = "Add what is missing in the catalogue of materials, parts and services; what you corrected stays."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument(
            "--restore", action="store_true", help="Bring back the catalogue's own values of what is there."
        )

    @transaction.atomic
    def handle(self, *args: object, **options: bool) -> None:
        loaded = load_materials(options["restore"])
        loaded["parts"] = len(
            write_rows(PartKind, read_rows(FIXTURES / "part_kinds.csv"), options["restore"])
        )
        rows = read_rows(FIXTURES / "service_kinds.csv")
        loaded["services"] = len(write_rows(ServiceKind, rows, options["restore"]))
        if options["verbosity"]:
            counts = ", ".join(f"{count} {noun}" for noun, count in loaded.items())
            self.stdout.write(f"{counts} {'restored' if options['restore'] else 'added'}.")
