from .board import AirOutlook, SpoolBoard
from .catalogue import CoreKind, Feedstock, Filler, Maker, Polymer, Source
from .drying import CouponTest, DryingRun
from .facts import SentRequest
from .moisture import CacheVersion, Ensemble, MoisturePoint, MoistureState, Prior, SpoolLesson
from .mqtt import BrokerState, RefusedMessage, TopicRule
from .places import (
    BoxAir,
    BoxBoard,
    DesiccantCharge,
    HourlyMean,
    Place,
    Reading,
    ReadingWithdrawal,
    SaltCheck,
    WithdrawnReading,
)
from .sensors import HeldValue, Sensor, SensorPlacement
from .stays import Move, Stay
from .stock import Ending, Joining, MassEntry, Opening, Respooling, Spool, SpoolCorrection
from .week import PlannedDrying, PlannedPrint, PrintRequest, WeekPlan

__all__ = [
    "AirOutlook",
    "BoxAir",
    "BoxBoard",
    "BrokerState",
    "CacheVersion",
    "CoreKind",
    "CouponTest",
    "DesiccantCharge",
    "DryingRun",
    "Ending",
    "Ensemble",
    "Feedstock",
    "Filler",
    "HeldValue",
    "HourlyMean",
    "Joining",
    "Maker",
    "MassEntry",
    "MoisturePoint",
    "MoistureState",
    "Move",
    "Opening",
    "Place",
    "PlannedDrying",
    "PlannedPrint",
    "Polymer",
    "PrintRequest",
    "Prior",
    "Reading",
    "ReadingWithdrawal",
    "RefusedMessage",
    "Respooling",
    "SaltCheck",
    "Sensor",
    "SensorPlacement",
    "SentRequest",
    "Source",
    "Spool",
    "SpoolBoard",
    "SpoolCorrection",
    "SpoolLesson",
    "Stay",
    "TopicRule",
    "WeekPlan",
    "WithdrawnReading",
]
