"""A small run of the fuzzing, the same each time; python -m tests.fuzz feeds far more."""

import pytest

from tests.fuzz.parsers import parsers
from tests.fuzz.run import feed_many

# Reading apart forks for each.
CASES = {"G-code": 60, "gzip": 60, "container": 200, "apart": 10}


@pytest.fixture(scope="module")
def found(tmp_path_factory):
    return {parser.name: parser for parser in parsers(tmp_path_factory.mktemp("fuzz"))}


def test_no_bytes_from_outside_break_a_parser(found):
    for name, parser in found.items():
        outcome = feed_many(parser, CASES.get(name, 500), seed=1)
        assert outcome.defects == {}, name
        # Some pass each parser, some are refused.
        assert len(outcome.counts) > 1, (name, outcome.counts)
