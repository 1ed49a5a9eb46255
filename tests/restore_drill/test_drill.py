"""The drill notices each broken promise. The drill itself: python -m tests.restore_drill."""

from datetime import UTC, datetime, timedelta

import pytest

from tests.restore_drill.journals import CREATED, Act, find_broken

BEGAN, ENDED = 4.0, 6.0
OF_BEFORE = ("weighing", "AB12", datetime(2026, 3, 2, tzinfo=UTC))
# One act each second; that of 5 s was refused. The backup lasts from 4 to 6 s.
JOURNAL = [
    Act(
        ("move", "AB12", OF_BEFORE[2] + timedelta(seconds=second)),
        second,
        second + 0.5,
        400 if second == 5 else CREATED,
    )
    for second in range(1, 8)
]


def broken_with(*seconds: int, known: bool = True) -> list[str]:
    """Of a restored shop that has the acts of these seconds."""
    found = {act.fact for act in JOURNAL if act.began in seconds} | ({OF_BEFORE} if known else set())
    lines = find_broken({OF_BEFORE}, found, [JOURNAL], BEGAN, ENDED)
    return [line.partition(":")[0] for line in lines]


@pytest.mark.parametrize("seconds", [(1, 2, 3), (1, 2, 3, 4)])
def test_a_shop_as_of_any_moment_of_the_backup_is_whole(seconds):
    assert broken_with(*seconds) == []


@pytest.mark.parametrize(
    ("seconds", "says"),
    [
        ((1, 2), ["lost"]),
        ((1, 3), ["lost", "gaps in what a script wrote"]),
        ((1, 2, 3, 4, 5), ["refused, and there"]),
        ((1, 2, 3, 4, 6), ["of after the backup"]),
        ((1, 2, 3, 6), ["of after the backup", "gaps in what a script wrote"]),
    ],
)
def test_a_broken_promise_is_seen(seconds, says):
    assert broken_with(*seconds) == says


def test_what_was_there_before_is_missed_and_what_nobody_wrote_is_seen():
    assert broken_with(1, 2, 3, known=False) == ["lost, of before the scripts"]
    assert find_broken(set(), {OF_BEFORE}, [], BEGAN, ENDED) == [f"in no journal: {OF_BEFORE}"]
