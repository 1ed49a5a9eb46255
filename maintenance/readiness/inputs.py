"""The readiness inputs: plain data that the rules read. ``builder.py`` makes it from the database."""

from dataclasses import dataclass, field

from maintenance.flow.curve import Usable
from maintenance.gcode import Retractions
from maintenance.wear.intervals import ServiceProgress
from maintenance.wear.learning import ExpectedLives
from maintenance.wear.purging import MaterialChange


@dataclass(frozen=True)
class OuterMoisture:
    """Moisture of the outermost turns that weigh mass_g, %: band (10, 50, 90 %) and chances to be over."""

    mass_g: float
    low_pct: float
    likely_pct: float
    high_pct: float
    over_clear: float
    over_hold: float


@dataclass(frozen=True)
class FittedPart:
    """A part on the toolhead. age and ahead (what the job adds) are in the unit of its life.

    sound_at: the age at which it was last taken off sound; in_stock: how many of its kind are left.
    """

    name: str
    hardness_hv: float | None
    max_c: float | None
    life: ExpectedLives
    unit: str
    age: float
    ahead: float
    sound_at: float
    in_stock: int


@dataclass(frozen=True)
class LastFlowCheck:
    """The last flow check of this material on this toolhead: its day, and the flow at 5 and 10 % loss.

    changed: the parts that are others since then, in words; "" when none is.
    """

    on: str
    days_ago: float
    nozzle_c: float
    changed: str
    at_5: Usable
    at_10: Usable


@dataclass(frozen=True)
class ReadinessInputs:
    """Everything that the rules look at: a spool, a toolhead with its parts, and a job. Units in the names.

    now, end: of the turns that the job takes, at its start and at its end; None: nothing to compute from.
    filler_high_hv: the upper end of the filler's hardness. drying: the unfinished run it is in, in words.
    dry_advice: how it would be dried. max_flow_mm3_s: None when the job does not say; flow: None without a
    flow check. retractions, job_diameter_mm: None unless the job comes from a file. guided: fed through a
    long tube. hot_end: since it was last cleaned; services: since all others.
    change: what the material before left in the hot end.
    """

    spool: str
    toolhead: str
    polymer: str
    job_mass_g: float
    job_hours: float
    nozzle_c: float
    bed_c: float
    nozzle_min_c: float
    nozzle_max_c: float
    bed_min_c: float
    bed_max_c: float
    hot_end_max_c: float
    bed_limit_c: float
    ptfe_lined: bool
    enclosed: bool
    enclosure: str
    emission: str
    limit_clear_pct: float
    limit_hold_pct: float
    now: OuterMoisture | None
    end: OuterMoisture | None
    low_g: float
    likely_g: float
    high_g: float
    tail_g: float
    filler: str = ""
    filler_hv: float = 0.0
    filler_high_hv: float = 0.0
    parts: dict[str, FittedPart] = field(default_factory=dict)
    drying: str = ""
    drying_remedy: str = ""
    dry_advice: str = ""
    max_flow_mm3_s: float | None = None
    flow: LastFlowCheck | None = None
    retractions: Retractions | None = None
    guided: bool = False
    diameter_mm: float = 0.0
    job_diameter_mm: float | None = None
    hot_end: ServiceProgress | None = None
    services: list[ServiceProgress] = field(default_factory=list)
    change: MaterialChange | None = None
