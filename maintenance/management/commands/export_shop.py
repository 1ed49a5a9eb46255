from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from maintenance.archive.writing import ArchiveRefused, export_shop


class Command(BaseCommand):
    help = "Write the whole shop as one file that another installation loads, on either database."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", type=Path)
        parser.add_argument(
            "--with-accounts",
            action="store_true",
            help="Also passwords, tokens, channels and the audit trail: store the file as you would store those.",
        )

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            manifest = export_shop(options["file"], with_accounts=options["with_accounts"])
        except ArchiveRefused as error:
            raise CommandError(str(error)) from error
        rows = sum(member.rows for member in manifest.members.values())
        size_mb = options["file"].stat().st_size / 1e6
        self.stdout.write(f"{options['file']}: {rows} rows ({size_mb:.1f} MB)")
