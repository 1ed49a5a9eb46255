"""Settings that a job file lacks: how the machine understands it, and the limits of its axes."""

import math
from dataclasses import dataclass, field


@dataclass(frozen=True)
class Motion:
    """Limits of the axes X, Y, Z and E, until the file sets its own (M201 to M205).

    Speeds mm/s, accelerations mm/s². jump_mm_s: by how much each axis may change its speed in one go.
    junction_deviation_mm: where above 0, corners are rounded off by so much instead.

    The defaults are what a common machine of the bed-slinging kind does: common practice, no source.
    """

    speed_mm_s: tuple[float, float, float, float] = (300.0, 300.0, 12.0, 60.0)
    axis_acceleration_mm_s2: tuple[float, float, float, float] = (5000.0, 5000.0, 200.0, 5000.0)
    jump_mm_s: tuple[float, float, float, float] = (8.0, 8.0, 0.4, 5.0)
    print_acceleration_mm_s2: float = 1500.0
    travel_acceleration_mm_s2: float = 1500.0
    retract_acceleration_mm_s2: float = 1500.0
    junction_deviation_mm: float = 0.0

    def __post_init__(self) -> None:
        limits = (
            *self.speed_mm_s,
            *self.axis_acceleration_mm_s2,
            *self.jump_mm_s,
            self.print_acceleration_mm_s2,
            self.travel_acceleration_mm_s2,
            self.retract_acceleration_mm_s2,
        )
        if not all(1e-3 <= limit <= 1e6 for limit in limits):
            raise ValueError("Speeds, jumps and accelerations must lie between 0.001 and 1,000,000.")
        if not 0 <= self.junction_deviation_mm <= 10:
            raise ValueError("A junction deviation must lie between 0 and 10 mm.")


@dataclass(frozen=True)
class ReaderSettings:
    """How a file is to be understood.

    diameter_mm: of the filament, for volumes. e_follows_g90: whether G90 and G91 count for E too; machines
    differ, M82 and M83 settle it in most files, and the facts say where the choice matters.
    retract_mm, retract_mm_s: what G10 does unless the file says so (M207).
    """

    diameter_mm: float = 1.75
    e_follows_g90: bool = True
    retract_mm: float = 1.0
    retract_mm_s: float = 35.0
    motion: Motion = field(default_factory=Motion)

    def __post_init__(self) -> None:
        if not 0.5 <= self.diameter_mm <= 10:
            raise ValueError("A filament's diameter must lie between 0.5 and 10 mm.")
        if not 0 <= self.retract_mm <= 200 or not 0.1 <= self.retract_mm_s <= 1000:
            raise ValueError("G10 must retract 0 to 200 mm at 0.1 to 1000 mm/s.")

    @property
    def area_mm2(self) -> float:
        return math.pi * self.diameter_mm**2 / 4
