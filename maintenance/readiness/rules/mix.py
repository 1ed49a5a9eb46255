"""The rule about materials that a job changes between on one nozzle. Common practice, no source."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, permutations

from maintenance.readiness.verdict import (
    CAUTION,
    CLEAR,
    HOLD,
    ReadinessCheck,
    Remedy,
    build_check,
    build_remedy,
)
from maintenance.wear.purging import PurgeMaterial, assess_change


@dataclass(frozen=True)
class MixedMaterial:
    """A material of a job, and the temperature that the job prints it at."""

    material: PurgeMaterial
    nozzle_c: float


def judge_mix(materials: Sequence[MixedMaterial]) -> ReadinessCheck | None:
    """A hold where no temperature serves two of the materials, or where leftovers of one give off harmful gas.

    The leftovers of a change come out with the next material, at its temperature. None: a single material.
    """
    if len({mixed.material for mixed in materials}) < 2:
        return None
    for one, other in combinations([mixed.material for mixed in materials], 2):
        low, high = sorted([one, other], key=lambda material: material.nozzle_max_c)
        if high.nozzle_min_c > low.nozzle_max_c:
            windows = {"cool": low.polymer, "cool_max_c": low.nozzle_max_c}
            windows |= {"hot": high.polymer, "hot_min_c": high.nozzle_min_c}
            remedy = build_remedy("other_printer", "print_on_own_nozzles")
            return build_check("mix", HOLD, "no_common_temperature", remedy, **windows)
    for old, new in permutations(materials, 2):
        change = assess_change(old.material, new.material, new.nozzle_c)
        if change.matters and old.material != new.material:
            state = HOLD if change.gives_fumes else CAUTION
            return ReadinessCheck("mix", state, change.statement, Remedy("purge", change.remedy))
    return build_check(
        "mix", CLEAR, "mix_fits", polymers=sorted({mixed.material.polymer for mixed in materials})
    )
