"""The dryings of a week that are settled: runs that go on, and pinned dryings that are still possible."""

from collections.abc import Iterable
from dataclasses import dataclass, field, replace

from spools.drying.dryers import smell_of
from spools.drying.forecast import estimate_dry_times
from spools.drying.gate import FirstStage
from spools.drying.week.heat_limit import longest_slots
from spools.drying.week.inputs import WeekInputs
from spools.drying.week.model import Mode, ScheduledDrying, SettledDrying, Week, fits
from spools.drying.week.options import Detail, Details
from spools.drying.week.slots import SLOT
from spools.drying.week.storage_life import good_for_in_storage
from spools.models import PlannedDrying
from spools.moisture.state import moisture_of
from spools.physics_inputs import DOUBT, ConstantAir, advance_windings
from spools.statements import Statement


@dataclass
class SettledDryings:
    """The settled dryings by spool id, the details of the pinned ones, and notes for the plan.

    slots: those of the week, and more where a pinned drying ends later.
    """

    slots: int
    fixed: dict[int, SettledDrying] = field(default_factory=dict)
    details: Details = field(default_factory=dict)
    notes: list[Statement] = field(default_factory=list)

    def leave_out(self, planned: PlannedDrying, reason: str) -> None:
        values = {"spool": planned.spool.code, "dryer": str(planned.dryer), "reason": reason}
        self.notes.append(Statement("week.pinned_left_out", values))


def settle_dryings(
    inputs: WeekInputs, capacity: dict[int, int], pinned: Iterable[PlannedDrying]
) -> SettledDryings:
    """Fix what goes on and what is pinned. pinned: in the order of the start times; capacity: by dryer."""
    settled = SettledDryings(inputs.slots)
    _fix_runs(inputs, settled)
    dryings = [
        ScheduledDrying(pk, fixed.dryer, fixed.mode, fixed.start, fixed.end)
        for pk, fixed in settled.fixed.items()
    ]
    room = Week(inputs.slots, (0,), (), capacity, (), ())
    for planned in pinned:
        start, end = ((at - inputs.begin) // SLOT for at in (planned.start, planned.end))
        alone = planned.spool_id if planned.first_hours else None
        mode = Mode(planned.set_point_c, smell_of(planned.spool), alone)
        new = ScheduledDrying(planned.spool_id, planned.dryer_id, mode, start, end)
        if planned.spool_id in settled.fixed or planned.spool.ended_at is not None:
            settled.leave_out(planned, "spool_in_use")
        elif start < 0:
            settled.leave_out(planned, "begun_late")
        elif planned.dryer_id not in inputs.dryers or not fits(room, new, dryings):
            settled.leave_out(planned, "dryer_taken")
        else:
            dryings.append(new)
            settled.slots = max(settled.slots, end)
            settled.fixed[planned.spool_id] = _fix_pinned(replace(inputs, slots=settled.slots), planned, new)
            settled.details[planned.spool_id, planned.dryer_id, mode] = Detail(
                FirstStage(planned.first_set_point_c, planned.first_hours)
                if planned.first_set_point_c is not None and planned.first_hours is not None
                else None,
                planned.mass_g,
            )
    return settled


def _fix_runs(inputs: WeekInputs, settled: SettledDryings) -> None:
    """Fix the runs that go on, from now until they are over and somebody is there."""
    if not inputs.runs:
        return
    states = moisture_of([run.spool for run in inputs.runs], inputs.begin)
    drying = [(run, states[run.spool_id].winding) for run in inputs.runs]
    dry_at = estimate_dry_times(drying, inputs.begin, inputs.rooms[0])
    for (run, _), dry_time in zip(drying, dry_at, strict=True):
        run_end = max(run.planned_end, dry_time or inputs.begin, inputs.begin)
        end = inputs.next_staffed(-((inputs.begin - run_end) // SLOT))
        where = {"spool": run.spool.code, "dryer": str(run.dryer)}
        if dry_time is None:
            settled.notes.append(Statement("week.never_dry", where))
        elif dry_time > run.planned_end:
            settled.notes.append(Statement("week.leave_in", {**where, "dry_at": dry_time.isoformat()}))
        changes = run.change_at is not None and run.change_at > inputs.begin
        before = run.stages_until(inputs.begin)
        longest = longest_slots(inputs, run.spool, run.set_point_c, before, states[run.spool_id])
        good_for = None
        if dry_time is not None:
            # A run may outlast the last reading of its room, after which the dryer takes in other air.
            (over,) = moisture_of([run.spool], inputs.begin + end * SLOT).values()
            good_for = good_for_in_storage(inputs, run.spool, over.winding)
        settled.fixed[run.spool_id] = SettledDrying(
            run.dryer_id,
            Mode(run.set_point_c, smell_of(run.spool), run.spool_id if changes else None),
            0,
            end,
            max(end, min(inputs.slots, longest)),
            good_for,
        )


def _fix_pinned(inputs: WeekInputs, planned: PlannedDrying, drying: ScheduledDrying) -> SettledDrying:
    state = moisture_of([planned.spool], planned.start)[planned.spool_id]
    slot = max(known for known in inputs.rooms if known <= drying.start)
    airs: list[ConstantAir] = [
        inputs.dryer_air(slot, planned.dryer, celsius, hours) for celsius, hours in planned.stages
    ]
    (dried,) = advance_windings([(state.winding, airs)])
    is_good = (dried.outer_pct(planned.mass_g) > planned.target_pct).mean() <= DOUBT
    return SettledDrying(
        planned.dryer_id,
        drying.mode,
        drying.start,
        drying.end,
        drying.end,
        good_for_in_storage(inputs, planned.spool, dried) if is_good else None,
    )
