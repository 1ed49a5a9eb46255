"""Events of verdicts: the state of a loaded spool on its toolhead is another than before."""

from collections.abc import Mapping

from django.db import transaction
from django.utils import timezone

from maintenance.board.shop import small_job_verdicts
from maintenance.events.recording import add_event
from maintenance.models import Loading, ShopEvent
from maintenance.readiness.builder import PairKey


def judge_loaded() -> dict[PairKey, str]:
    """The state of each loaded spool on its toolhead for a small job, by (toolhead id, spool id), from the board."""
    loadings = Loading.objects.present().select_related("toolhead__printer", "spool")
    pairs = [(loading.toolhead, loading.spool) for loading in loadings]
    return {pair: verdict.state for pair, verdict in small_job_verdicts(pairs).items()} if pairs else {}


def load_states() -> list[tuple[Loading, str]]:
    """The loaded spools with their states, as of the last events or as of the loading. Two queries."""
    loadings = Loading.objects.present().select_related("toolhead__printer", "spool").order_by("pk")
    facts = {_name_fact(loading): loading for loading in loadings}
    events = ShopEvent.objects.filter(fact__in=facts).order_by("pk").values_list("fact", "data")
    known = {fact: data["verdict"] for fact, data in events}
    return [(loading, known.get(fact, loading.state)) for fact, loading in facts.items()]


@transaction.atomic
def note_verdicts(states: Mapping[PairKey, str]) -> None:
    """Write an event for each loaded spool whose state is another than before."""
    for loading, before in load_states():
        state = states.get((loading.toolhead_id, loading.spool_id), before)
        if state != before:
            pair = {"spool": loading.spool_id, "toolhead": loading.toolhead_id, "slot": loading.slot}
            change = {"before": before, "verdict": state}
            add_event(ShopEvent.Kind.VERDICT_CHANGED, timezone.now(), _name_fact(loading), {**pair, **change})


def _name_fact(loading: Loading) -> str:
    return f"verdict:{loading.pk}"
