from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError, CommandParser

from background.backups import BackupFailed, back_up, restore
from background.supervisor import CannotStart, lock_data_folder


class Command(BaseCommand):
    help = "Put the shop of a backup in the place of the present one, compute all caches again and report the changes."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("archive", type=Path)
        parser.add_argument(
            "--no-backup", action="store_true", help="Do not back up the present shop before it is replaced."
        )

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            settings.DATA_DIR.mkdir(mode=0o700, parents=True, exist_ok=True)
            # Not under the feet of a service that runs.
            with lock_data_folder(settings.DATA_DIR):
                if not options["no_backup"]:
                    self.stdout.write(f"The present shop is in {back_up()}.")
                about = restore(options["archive"])
                call_command("migrate", verbosity=0)
        except (BackupFailed, CannotStart, OSError) as error:
            raise CommandError(str(error)) from error
        self.stdout.write(f"The shop of {about.made_at} is restored, written by version {about.version}.")
        call_command("rebuild", stdout=self.stdout)
