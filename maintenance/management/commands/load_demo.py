from django.core.exceptions import ValidationError
from django.core.management.base import BaseCommand, CommandError, CommandParser

from maintenance.demo.build import build
from spools.models import Spool


class Command(BaseCommand):
    help = "Load an invented shop to look around in, into a database without spools."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--if-empty", action="store_true", help="Do nothing where there are spools.")

    def handle(self, *args: object, **options: bool) -> None:
        if Spool.objects.exists():
            if options["if_empty"]:
                return
            raise CommandError("There are spools in this database already: load the demo into an empty one.")
        try:
            shop = build()
        except ValidationError as error:
            raise CommandError(
                f"The demo does not fit into this database: {' '.join(error.messages)}"
            ) from error
        if options["verbosity"]:
            self.stdout.write(
                f"{len(shop.spools)} spools and {len(shop.toolheads)} printers of a demo shop added."
            )
