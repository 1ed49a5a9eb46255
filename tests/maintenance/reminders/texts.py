"""Reminders with given texts, for tests that do not depend on the words of the shop's own reminders."""

from spools.statements import Statement, words_for

words_for("test.given.title")(lambda title, why: title)
words_for("test.given")(lambda title, why: why)
words_for("test.given_remedy")(lambda remedy: remedy)


def texts(
    title: str = "Clean it", why: str = "60 of 50 h", remedy: str = "Clean it."
) -> dict[str, Statement]:
    """The reason and remedy of a reminder that is shown with these texts."""
    return {
        "reason": Statement("test.given", {"title": title, "why": why}),
        "remedy": Statement("test.given_remedy", {"remedy": remedy}),
    }
