from typing import Any

from django.core.exceptions import ValidationError
from django.core.management.base import BaseCommand, CommandError, CommandParser

from spools import codes
from spools.drying import runs as drying_runs
from spools.models import Place, Spool


class Command(BaseCommand):
    help = "Put a spool in a dryer at a set point, as the page and the API do."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("code", help="the spool's code, such as K7M-4QX")
        parser.add_argument("dryer", help="the dryer's name")
        parser.add_argument("--set-point", type=float, required=True, help="°C")
        parser.add_argument("--first-set-point", type=float, help="°C of a cooler first stage")
        parser.add_argument("--first-hours", type=float, help="hours of the first stage")
        parser.add_argument(
            "--hours", type=float, help="planned hours of all stages; without it the usual least"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            spool = Spool.objects.get(code=codes.normalise(options["code"]))
            dryer = Place.objects.get(name__iexact=options["dryer"])
            (run,) = drying_runs.start_drying(
                [spool],
                dryer,
                options["set_point"],
                first_set_point_c=options["first_set_point"],
                first_hours=options["first_hours"],
                planned_hours=options["hours"],
            )
        except Spool.DoesNotExist:
            raise CommandError(f"There is no spool {options['code']}. Look at its label.") from None
        except Place.DoesNotExist:
            dryers = ", ".join(Place.objects.filter(kind=Place.Kind.DRYER).values_list("name", flat=True))
            raise CommandError(
                f"There is no place {options['dryer']}. The dryers are: {dryers or 'none yet'}."
            ) from None
        except ValidationError as error:
            raise CommandError(" ".join(error.messages)) from None
        self.stdout.write(
            f"Spool {codes.pretty(spool.code)} dries in {dryer} at {run.temperatures}; planned "
            f"{run.planned_hours:g} h. The cap: {run.cap_reason}."
        )
