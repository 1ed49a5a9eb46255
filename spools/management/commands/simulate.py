import json
import sys
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import DatabaseError
from django.forms.models import model_to_dict

from spools.models import Polymer
from spools.physics import scenario


class Command(BaseCommand):
    help = "Compute a spool's moisture from a JSON file (see docs), without touching the shop's data."
    requires_system_checks = []

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", help="a JSON file with a scenario or a list of them, or - for stdin")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            result = scenario.simulate(_read(options["file"]), _polymer)
        except scenario.ScenarioError as error:
            raise CommandError(str(error)) from None
        self.stdout.write(json.dumps(result, indent=2))


def _read(name: str) -> Any:
    try:
        text = sys.stdin.read() if name == "-" else Path(name).read_text(encoding="utf-8")
        return json.loads(text)
    except OSError as error:
        raise CommandError(f"{name} cannot be read: {error.strerror}.") from None
    except ValueError as error:
        raise CommandError(f"{name} is not JSON: {error}.") from None


def _polymer(name: str) -> dict[str, Any] | None:
    try:
        polymer = Polymer.objects.filter(name__iexact=name).first()
    except DatabaseError:
        raise CommandError("There is no catalogue yet. Start ./run once, then names are known.") from None
    return None if polymer is None else model_to_dict(polymer)
