"""The demo shop while it is built: its objects by name, and acts at times before the present."""

from datetime import datetime, timedelta

from maintenance.demo.data import (
    BLOB_MM,
    FLOW_RATES,
    SCALE_G,
    SOUND_LOSS,
    Print,
)
from maintenance.flow.curve import RateMasses
from maintenance.flow.records import record_flow_check, require_setup
from maintenance.jobs.records import record_job
from maintenance.machines.loading import load_spool, unload_spool
from maintenance.models import Job, Loading, Toolhead
from spools.inventory.moves import move_spool
from spools.inventory.openings import find_opened, record_opening
from spools.models import Feedstock, Place, Spool


class DemoShop:
    """The objects built so far, and the present that all times count back from."""

    def __init__(self, now: datetime):
        self.now = now.replace(second=0, microsecond=0)
        self.places: dict[str, Place] = {}
        self.toolheads: dict[str, Toolhead] = {}
        self.products: dict[str, Feedstock] = {}
        self.spools: dict[str, Spool] = {}

    def ago(self, days: float = 0, hours: float = 0) -> datetime:
        return self.now - timedelta(days=days, hours=hours)

    def move(self, code: str, place: str, days_ago: float) -> None:
        """A spool that leaves the bag in which it came is opened then."""
        spool, at = self.spools[code], self.ago(days_ago)
        move_spool(spool, self.places[place], at=at)
        if find_opened(spool) is None:
            record_opening(spool, at=at)

    def load(self, printer: str, code: str, days_ago: float, override_reason: str = "") -> Loading:
        return load_spool(
            self.toolheads[printer],
            self.spools[code],
            at=self.ago(days_ago),
            override_reason=override_reason,
        )

    def unload(self, loading: Loading, place: str, days_ago: float) -> None:
        unload_spool(loading, self.places[place], at=self.ago(days_ago))

    def record(self, printer: str, code: str, prints: list[Print]) -> None:
        for print_ in prints:
            record_job(
                toolhead=self.toolheads[printer],
                spool=self.spools[code],
                name=print_.name,
                mass_g=print_.mass_g,
                hours=print_.hours,
                nozzle_c=print_.nozzle_c,
                bed_c=print_.bed_c,
                start=self.ago(print_.days_ago),
                override_reason=print_.override_reason,
                project=print_.project,
                stage=Job.Stage.FAILED if print_.failure else None,
                reason=print_.failure,
            )

    def check_flow(self, printer: str, code: str, nozzle_c: float, checks: list[tuple[float, float]]) -> None:
        spool = self.spools[code]
        full_g = require_setup(spool, length_mm=BLOB_MM, resolution_g=SCALE_G).commanded_g
        for days_ago, worn in checks:
            losses = [SOUND_LOSS * (rate - FLOW_RATES[0]) * worn for rate in FLOW_RATES]
            rates = [
                RateMasses(rate, tuple(round(full_g * (1 - loss) * share, 3) for share in (0.997, 1, 1.003)))
                for rate, loss in zip(FLOW_RATES, losses, strict=True)
            ]
            record_flow_check(
                toolhead=self.toolheads[printer],
                spool=spool,
                rates=rates,
                nozzle_c=nozzle_c,
                length_mm=BLOB_MM,
                resolution_g=SCALE_G,
                at=self.ago(days_ago),
            )
