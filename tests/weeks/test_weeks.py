"""Two days of a small shop. All eight weeks: python -m tests.weeks."""

from datetime import UTC, datetime

from tests.weeks.run import live


def test_two_days_of_a_small_shop_keep_the_books_true(db):
    acts = live(seed=5, days=2, printers=2, spools=6, start=datetime(2026, 3, 2, 6, tzinfo=UTC))
    assert acts["finished"] > 2 and sum(count for act, count in acts.items() if act.startswith("slip")) > 2
