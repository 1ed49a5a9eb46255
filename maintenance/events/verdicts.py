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


@transaction.atomic
def note_verdicts(states: Mapping[PairKey, str]) -> None:
    """Write an event for each loaded spool whose state is another than in its last event, or than at its loading."""
    loadings = {f"verdict:{loading.pk}": loading for loading in Loading.objects.present().order_by("pk")}
    events = ShopEvent.objects.filter(fact__in=loadings).order_by("pk")
    known = {event.fact: event.data["verdict"] for event in events}
    for fact, loading in loadings.items():
        before = known.get(fact, loading.state)
        state = states.get((loading.toolhead_id, loading.spool_id), before)
        if state != before:
            data = {"spool": loading.spool_id, "toolhead": loading.toolhead_id, "slot": loading.slot}
            add_event(
                ShopEvent.Kind.VERDICT_CHANGED,
                timezone.now(),
                fact,
                data | {"before": before, "verdict": state},
            )
