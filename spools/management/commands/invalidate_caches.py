from django.core.management.base import BaseCommand, CommandParser

from spools.invalidation import invalidate_all, invalidate_other_versions


class Command(BaseCommand):
    help = (
        "Delete computed moisture that another version of the program computed; the workers compute it again."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--all", action="store_true", help="Delete it whatever version computed it.")

    def handle(self, *args: object, **options: object) -> None:
        if options["all"]:
            invalidate_all()
        invalidated = invalidate_other_versions() or bool(options["all"])
        if options["verbosity"]:
            self.stdout.write("Computed moisture deleted." if invalidated else "Nothing was stale.")
