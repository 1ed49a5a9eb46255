from .catalogue import CoreKind, Feedstock, Filler, Maker, Polymer, Source
from .drying import CouponTest, DryingRun
from .moisture import Ensemble, MoistureState
from .places import BoxState, DesiccantCharge, Place, Reading, Stay
from .stock import MassEntry, Spool
from .week import PlannedDrying, PlannedPrint, WantedPrint, WeekPlan

__all__ = [
    "BoxState",
    "CoreKind",
    "CouponTest",
    "DesiccantCharge",
    "DryingRun",
    "Ensemble",
    "Feedstock",
    "Filler",
    "Maker",
    "MassEntry",
    "MoistureState",
    "Place",
    "PlannedDrying",
    "PlannedPrint",
    "Polymer",
    "Reading",
    "Source",
    "Spool",
    "Stay",
    "WantedPrint",
    "WeekPlan",
]
