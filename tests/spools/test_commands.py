from io import StringIO

import pytest
from django.core.management import CommandError, call_command

from spools.codes import pretty
from spools.models import DryingRun

pytestmark = pytest.mark.django_db


def dry(*arguments) -> str:
    out = StringIO()
    call_command("dry", *arguments, stdout=out)
    return out.getvalue()


def test_a_command_starts_a_drying_run(spool, dryer):
    typed = f"{spool.code[:3]}-{spool.code[3:]}".lower()
    said = dry(typed, "dryer", "--set-point", "75", "--hours", "9")
    assert f"Spool {pretty(spool.code)} dries in Dryer at 75 °C; planned 9 h" in said
    assert DryingRun.objects.get().spool == spool


@pytest.mark.parametrize(
    ("code", "place", "set_point", "says"),
    [
        (None, "Dryer", "95", "95 °C is too hot: 80 °C is the most for drying PA6"),
        (None, "Oven", "70", "There is no place Oven. The dryers are: Dryer."),
        (None, "Open shelf", "70", "Open shelf is not a dryer"),
        ("777777", "Dryer", "70", "is no code"),
        ("77?", "Dryer", "70", "no sign"),
    ],
)
def test_a_refusal_says_what_to_do_and_stores_nothing(spool, dryer, code, place, set_point, says):
    with pytest.raises(CommandError, match=says):
        dry(code or spool.code, place, "--set-point", set_point)
    assert not DryingRun.objects.exists()
