from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from background.backups import BackupFailed, back_up


class Command(BaseCommand):
    help = "Write a backup of the whole shop; the service may run meanwhile."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("folder", nargs="?", type=Path, help="instead of BACKUP_FOLDER")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            path = back_up(options["folder"])
        except BackupFailed as error:
            raise CommandError(str(error)) from error
        self.stdout.write(f"{path} ({path.stat().st_size / 1e6:.1f} MB)")
