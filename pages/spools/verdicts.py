"""A spool and its verdict on every toolhead, gathered once for the pages that show both."""

from maintenance.models import Toolhead
from maintenance.readiness.inputs import Known, Machine, dryers_here, known_of, machines_of, put_together
from maintenance.readiness.rules import Verdict, judge
from spools.models import Spool


def judge_everywhere(spool: Spool) -> tuple[Known, list[tuple[Machine, Verdict]]]:
    """What is known of a spool as its page found it, and its verdict for a small job on each toolhead."""
    known = known_of([spool], dryers_here(), preloaded=True)[spool.pk]
    machines = machines_of(Toolhead.objects.filter(printer__retired_at=None)).values()
    situations = put_together([(machine, known) for machine in machines], None)
    return known, [(machine, judge(situations[machine.toolhead.pk, spool.pk])) for machine in machines]
