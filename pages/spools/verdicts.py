"""A spool and its verdict on every toolhead, gathered once for the pages that show both."""

from maintenance.models import Toolhead
from maintenance.readiness.builder import build_inputs
from maintenance.readiness.rules import judge
from maintenance.readiness.states import (
    MachineState,
    SpoolState,
    load_dryers,
    load_machine_states,
    load_spool_states,
)
from maintenance.readiness.verdict import Verdict
from spools.models import Spool


def judge_everywhere(spool: Spool) -> tuple[SpoolState, list[tuple[MachineState, Verdict]]]:
    """The state of a spool and its verdict for a small job on each toolhead."""
    known = load_spool_states([spool], load_dryers(), preloaded=True)[spool.pk]
    machines = load_machine_states(Toolhead.objects.filter(printer__retired_at=None)).values()
    load_inputs_of_pairs = build_inputs([(machine, known) for machine in machines], None)
    return known, [
        (machine, judge(load_inputs_of_pairs[machine.toolhead.pk, spool.pk])) for machine in machines
    ]
