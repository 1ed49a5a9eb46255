"""A spool and its verdict on every toolhead, gathered once for the pages that show both."""

from typing import NamedTuple

from maintenance.models import Toolhead
from maintenance.readiness.builder import build_inputs
from maintenance.readiness.inputs import ReadinessInputs
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


class OnToolhead(NamedTuple):
    """A spool on one toolhead, judged for a small job."""

    machine: MachineState
    inputs: ReadinessInputs
    verdict: Verdict


def judge_on_all_toolheads(spool: Spool) -> tuple[SpoolState, list[OnToolhead]]:
    """The state of a spool and its verdict for a small job on each toolhead."""
    spool_state = load_spool_states([spool], load_dryers(), preloaded=True)[spool.pk]
    machines = load_machine_states(Toolhead.objects.filter(printer__retired_at=None)).values()
    inputs = build_inputs([(machine, spool_state) for machine in machines])
    pairs = [(machine, inputs[machine.toolhead.pk, spool.pk]) for machine in machines]
    return spool_state, [
        OnToolhead(machine, pair_inputs, judge(pair_inputs)) for machine, pair_inputs in pairs
    ]
