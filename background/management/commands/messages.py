from django.core.management.base import BaseCommand, CommandError, CommandParser

from background.messages import update_catalogues


class Command(BaseCommand):
    help = "Collect the texts of code and templates into the catalogues of translations, and compile these."
    requires_system_checks = []

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--check", action="store_true", help="List the texts without translation.")

    def handle(self, *args: object, **options: object) -> None:
        missing = update_catalogues()
        for app, texts in missing.items():
            self.stdout.write(f"{app}: {len(texts)} texts without translation")
            if options["check"]:
                for text in texts:
                    self.stdout.write(f"    {text!r}")
        if options["check"] and any(missing.values()):
            raise CommandError("Some texts have no translation.")
