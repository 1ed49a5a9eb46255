from django.core.management.base import BaseCommand

from background.running import run_due


class Command(BaseCommand):
    help = "Run all background work that is due now, in this process, and return."

    def handle(self, *args: object, **options: object) -> None:
        self.stdout.write(f"{run_due()} items run.")
