"""The words of statements about service."""

from django.utils.translation import gettext_lazy

from spools.sentences import register_sentences

COUNT_STARTS = {
    "service.since_last": gettext_lazy("since {at!t}"),
    "service.since_added": gettext_lazy("since this was added on {at!t}; none is recorded"),
    "service.since_first_job": gettext_lazy("since its first job; none is recorded"),
}
register_sentences(COUNT_STARTS)
