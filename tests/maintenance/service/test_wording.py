"""The words of service."""

from tests.wording import assert_words

AT = "2026-03-01T07:05:00+00:00"  # 8:05 in the shop's zone
EXAMPLES = {
    "service.since_last": ({"at": AT}, "since 1 Mar 2026, 08:05"),
    "service.since_added": (
        {"at": AT},
        "since this was added on 1 Mar 2026, 08:05; none is recorded",
    ),
    "service.since_first_job": ({}, "since its first job; none is recorded"),
}


def test_every_code_has_words():
    assert_words(EXAMPLES, "service")
