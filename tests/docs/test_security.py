"""The table of docs/security.md names each requirement once, and tests and settings that exist."""

import re
from collections import Counter

from django.conf import settings

from tests.services.shop import REPOSITORY

GUIDE = (REPOSITORY / "docs" / "security.md").read_text()
# How many requirements each section of OWASP ASVS 5.0 has at levels 1 and 2; those of level 3 come last in each.
REQUIREMENTS = {
    **{"1.1": 2, "1.2": 9, "1.3": 11, "1.4": 3, "1.5": 2, "2.1": 3, "2.2": 3, "2.3": 4, "2.4": 1},
    **{"3.2": 2, "3.3": 4, "3.4": 6, "3.5": 5, "3.7": 2, "4.1": 3, "4.2": 1, "4.3": 2, "4.4": 4},
    **{
        "5.1": 1,
        "5.2": 3,
        "5.3": 2,
        "5.4": 3,
        "6.1": 3,
        "6.2": 12,
        "6.3": 4,
        "6.4": 4,
        "6.5": 5,
        "6.6": 3,
        "6.8": 4,
    },
    **{"7.1": 3, "7.2": 4, "7.3": 2, "7.4": 5, "7.5": 2, "7.6": 2, "8.1": 2, "8.2": 3, "8.3": 1, "8.4": 1},
    **{"9.1": 3, "9.2": 4, "10.1": 2, "10.2": 2, "10.3": 4, "10.4": 11, "10.5": 5, "10.6": 2, "10.7": 3},
    **{"11.1": 2, "11.2": 3, "11.3": 3, "11.4": 4, "11.5": 1, "11.6": 1, "12.1": 3, "12.2": 2, "12.3": 4},
    **{
        "13.1": 1,
        "13.2": 5,
        "13.3": 2,
        "13.4": 5,
        "14.1": 2,
        "14.2": 4,
        "14.3": 3,
        "15.1": 3,
        "15.2": 3,
        "15.3": 7,
    },
    **{"16.1": 1, "16.2": 5, "16.3": 4, "16.4": 3, "16.5": 3, "17.1": 1, "17.2": 4, "17.3": 2},
}
ROW = re.compile(r"^\| ([\d., ]+) \| [^|]+ \| ([^|]+) \| ([^|]+) \|$", re.M)


def test_each_requirement_has_one_row_with_a_state_and_a_reason():
    rows = ROW.findall(GUIDE)
    named = Counter(number for numbers, _, _ in rows for number in numbers.split(", "))
    wanted = [
        f"{section}.{number}" for section, count in REQUIREMENTS.items() for number in range(1, count + 1)
    ]
    assert named == Counter(wanted)
    assert {state for _, state, _ in rows} <= {"holds", "in part", "missing", "not here"}


def test_the_tests_that_are_named_exist():
    named = re.findall(r"`(tests/[\w/]+\.py)::(\w+)`", GUIDE)
    assert len(named) > 100
    missing = [
        f"{path}::{name}" for path, name in named if f"\ndef {name}(" not in (REPOSITORY / path).read_text()
    ]
    assert missing == []


def test_the_settings_that_are_named_exist():
    variables = set(re.findall(r"`([A-Z_]+)`", (REPOSITORY / "README.md").read_text()))
    named = set(re.findall(r"`([A-Z][A-Z_]{3,})`", GUIDE))
    assert {name for name in named - variables if not hasattr(settings, name)} == set()
