from .catalogue import CoreKind, Feedstock, Filler, Maker, Polymer, Source
from .drying import CouponTest, DryingRun
from .moisture import MoistureState
from .places import Place, Reading, Stay
from .stock import MassEntry, Spool

__all__ = [
    "CoreKind",
    "CouponTest",
    "DryingRun",
    "Feedstock",
    "Filler",
    "Maker",
    "MassEntry",
    "MoistureState",
    "Place",
    "Polymer",
    "Reading",
    "Source",
    "Spool",
    "Stay",
]
