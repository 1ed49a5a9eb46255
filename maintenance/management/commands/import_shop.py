from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError, CommandParser

from background.supervisor import CannotStart, lock_data_folder
from maintenance.archive.loading import import_shop
from maintenance.archive.writing import ArchiveRefused


class Command(BaseCommand):
    help = (
        "Load a shop that export_shop wrote into a new installation, and compare what follows from its facts."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", type=Path)

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            settings.DATA_DIR.mkdir(mode=0o700, parents=True, exist_ok=True)
            # Not under the feet of a service that runs.
            with lock_data_folder(settings.DATA_DIR):
                loaded = import_shop(options["file"])
        except (ArchiveRefused, CannotStart, OSError) as error:
            raise CommandError(str(error)) from error
        at = loaded.manifest.exported_at
        self.stdout.write(
            f"{loaded.rows} rows and {loaded.job_files} job files of {at:%Y-%m-%d %H:%M} UTC loaded."
        )
        if loaded.locked:
            self.stdout.write(
                f"Without a password: {', '.join(loaded.locked)}. Set one with ./run manage changepassword NAME."
            )
        if loaded.different:
            raise CommandError(
                f"All facts are loaded, but not equal to the bit is: {', '.join(loaded.different)}. "
                "Report this as a fault."
            )
        self.stdout.write("Moisture, boards, stays and wear are equal to the bit.")
