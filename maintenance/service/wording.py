"""The words of statements about service."""

from spools.sentences import register_sentences

COUNT_STARTS = {
    "service.since_last": "since {at!t}",
    "service.since_added": "since this was added on {at!t}; none is recorded",
    "service.since_first_job": "since its first job; none is recorded",
}
register_sentences(COUNT_STARTS)
