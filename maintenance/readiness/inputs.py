"""The readiness inputs: plain data that the rules read, in the parts that change on their own.

Nothing here comes from the database layer, so each part can be stored as JSON and read again.
``builder.py`` builds it from the database. Units are in the names.
"""

from dataclasses import dataclass, field

from maintenance.flow.curve import Usable
from maintenance.gcode import Retractions
from maintenance.wear.abrasion import Filament, PrintUse
from maintenance.wear.intervals import ServiceProgress
from maintenance.wear.learning import ExpectedLives
from maintenance.wear.purging import PurgeMaterial
from spools.physics_inputs import SMALL_JOB_G
from spools.statements import Statement

SMALL_JOB_H = 2.0
LEAST_JOB_G = 1.0


@dataclass(frozen=True)
class JobMoisture:
    """Moisture of the wettest turns that a job takes, %: band (10, 50, 90 %) and chances to be over.

    mass_g: of these turns; printed_before_g: the mass that the job prints before them.
    """

    mass_g: float
    low_pct: float
    likely_pct: float
    high_pct: float
    over_clear: float
    over_hold: float
    printed_before_g: float = 0.0


@dataclass(frozen=True)
class OpenRun:
    """A drying that is not finished. first_set_point_c, first_h: of a first stage; None without one."""

    dryer: str
    set_point_c: float
    first_set_point_c: float | None
    first_h: float | None
    planned_end: str


@dataclass(frozen=True)
class JobAhead:
    """A job that prints or is planned on the toolhead or with the spool. start, end: as ISO texts, for words.

    starts_in_h, ends_in_h: from now on, below 0 where that is past.
    """

    job: int
    name: str
    toolhead: str
    spool: str
    printing: bool
    start: str
    end: str
    starts_in_h: float
    ends_in_h: float


@dataclass(frozen=True)
class SpoolInputs:
    """A spool. now: of the turns that the job takes, as they are before it; None: nothing to compute from.

    run: the unfinished drying that it is in. dry_advice: how it would be dried. reserved_g: for other jobs. decided_by: as
    of ReadinessCheck.
    """

    code: str
    low_g: float
    likely_g: float
    high_g: float
    now: JobMoisture | None
    run: OpenRun | None = None
    dry_advice: Statement | None = None
    reserved_g: float = 0.0
    decided_by: list[Statement] = field(default_factory=list)


@dataclass(frozen=True)
class FeedPlace:
    """A dry box or dryer that filament can be fed from. printed: as in PrintSite, in its air."""

    name: str
    printed: JobMoisture


@dataclass(frozen=True)
class PrintSite:
    """The toolhead where a spool would be printed, as far as the rules of the spool read it.

    printed: of the turns that the job takes, each as it is printed. tail_g: cannot be fed once the spool ends.
    fed_from: the place in whose air the spool stays meanwhile; "" at the printer. feed_places: where it could stay.
    jobs: others that print or are planned there, or with the spool.
    """

    toolhead: str
    printed: JobMoisture | None
    tail_g: float
    fed_from: str = ""
    feed_places: list[FeedPlace] = field(default_factory=list)
    jobs: list[JobAhead] = field(default_factory=list)


@dataclass(frozen=True)
class MaterialInputs:
    """A feedstock. filament: as the wear model sees it.

    flow_c: below it, it does not flow. filler_high_hv: the upper end of the filler's hardness.
    """

    feedstock: int
    polymer: str
    filament: Filament
    flow_c: float
    nozzle_min_c: float
    nozzle_max_c: float
    bed_min_c: float
    bed_max_c: float
    enclosure: str
    emission: str
    limit_clear_pct: float
    limit_hold_pct: float
    filler: str = ""
    filler_hv: float = 0.0
    filler_high_hv: float = 0.0
    # Its fumes when it is heated far beyond its window, "" without any.
    overheated: str = ""

    @property
    def name(self) -> str:
        """Such as "PLA with carbon fibre": flow checks count for a material."""
        return f"{self.polymer} with {self.filler}" if self.filler else self.polymer

    @property
    def purge(self) -> PurgeMaterial:
        """As the purging rules see it."""
        return PurgeMaterial(self.polymer, self.nozzle_min_c, self.nozzle_max_c, self.filler, self.overheated)


@dataclass(frozen=True)
class FittedPart:
    """A part on the toolhead. age and sound_at are in the unit of its life.

    sound_at: the age at which it was last taken off sound; in_stock: how many of its kind are left.
    bore_mm, heat_reference_c: as of Surface.
    """

    name: str
    hardness_hv: float | None
    bore_mm: float | None
    heat_reference_c: float | None
    max_c: float | None
    life: ExpectedLives
    unit: str
    age: float
    sound_at: float
    in_stock: int


@dataclass(frozen=True)
class LastFlowCheck:
    """The last flow check of a material on a toolhead: its time, and the flow at 5 and 10 % loss.

    changed: the roles of the parts that are others since then.
    """

    at: str
    days_ago: float
    nozzle_c: float
    changed: list[str]
    at_5: Usable
    at_10: Usable


@dataclass(frozen=True)
class FedMaterial:
    """The material of a loading; printed: whether anything was printed of it since."""

    feedstock: int
    printed: bool
    material: PurgeMaterial


@dataclass(frozen=True)
class ToolheadInputs:
    """A toolhead, apart from the spool and the job.

    guided: fed through a long tube. parts: by role. hot_end: since it was last cleaned; services: since all
    others. fed: its last two loadings, the newest first; with several slots the materials of its last print.
    flow_checks: by the name of the material.
    """

    name: str
    hot_end_max_c: float
    bed_limit_c: float
    ptfe_lined: bool
    enclosed: bool
    tail_mm: float
    guided: bool = False
    parts: dict[str, FittedPart] = field(default_factory=dict)
    hot_end: ServiceProgress | None = None
    services: list[ServiceProgress] = field(default_factory=list)
    fed: list[FedMaterial] = field(default_factory=list)
    slots: int = 1
    flow_checks: dict[str, LastFlowCheck] = field(default_factory=dict)


@dataclass(frozen=True)
class IntendedMaterial:
    """The material that a job was made for. feedstock: None where any of the polymer will do; name: in words."""

    polymer: str
    name: str
    feedstock: int | None = None


@dataclass(frozen=True)
class JobSpec:
    """A job to judge for.

    max_flow_mm3_s: its fastest flow, None when it is not known. retractions, diameter_mm: from its file, with
    the filament that the file was read for; None without a file. shrinks: it takes no more than the spool
    surely holds, as a small job does. intended: None where the material that it was made for is not stated. job: its
    id, where it is planned: it does not stand in its own way. changes: of spool to this one; purge_g: the part of the
    grams that these purge.
    """

    mass_g: float
    hours: float
    nozzle_c: float
    bed_c: float
    max_flow_mm3_s: float | None = None
    retractions: Retractions | None = None
    diameter_mm: float | None = None
    shrinks: bool = False
    intended: IntendedMaterial | None = None
    job: int | None = None
    changes: float = 0.0
    purge_g: float = 0.0

    @property
    def use(self) -> PrintUse:
        """As the wear model sees it."""
        return PrintUse(self.mass_g / 1000, self.hours, self.nozzle_c)


@dataclass(frozen=True)
class ReadinessInputs:
    """All inputs of the rules: a spool of a material, a toolhead, and a job."""

    spool: SpoolInputs
    site: PrintSite
    material: MaterialInputs
    toolhead: ToolheadInputs
    job: JobSpec


def small_job(material: MaterialInputs, hot_end_max_c: float, bed_limit_c: float) -> JobSpec:
    """A job of 50 g and 2 h in the middle of the material's temperatures, cut by the machine's limits."""
    nozzle_c = _between(material.nozzle_min_c, material.nozzle_max_c, hot_end_max_c)
    bed_c = _between(material.bed_min_c, material.bed_max_c, bed_limit_c)
    return JobSpec(SMALL_JOB_G, SMALL_JOB_H, nozzle_c, bed_c, shrinks=True)


def _between(low_c: float, high_c: float, limit_c: float) -> float:
    return max(low_c, min((low_c + high_c) / 2, limit_c))
