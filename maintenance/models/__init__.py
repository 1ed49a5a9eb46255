from .board import ToolheadBoard
from .costs import CostRates
from .delivery import Channel, Message, NotificationSettings, Subscription
from .events import ShopEvent
from .flow_checks import FlowBlob, FlowCheck
from .job_files import JobFile, JobFileMaterial
from .jobs import Job, JobEvent, JobUse, Reservation, WearEntry
from .machines import Loading, Printer, Toolhead
from .parts import BoreReading, Fitting, Part, PartKind, PriorUse, StockEntry
from .printer_events import PrinterEvent
from .reminders import Reminder, ReminderEvent
from .scales import Scale, ScaleMinute, ScalePrint, ScaleWeighing, Scan
from .service import ServiceEntry, ServiceKind
from .trouble import TroubleOutcome, TroubleReport

__all__ = [
    "BoreReading",
    "Channel",
    "CostRates",
    "Fitting",
    "FlowBlob",
    "FlowCheck",
    "Job",
    "JobEvent",
    "JobFile",
    "JobFileMaterial",
    "JobUse",
    "Loading",
    "Message",
    "NotificationSettings",
    "Part",
    "PartKind",
    "Printer",
    "PrinterEvent",
    "PriorUse",
    "Reminder",
    "ReminderEvent",
    "Reservation",
    "Scale",
    "ScaleMinute",
    "ScalePrint",
    "ScaleWeighing",
    "Scan",
    "ServiceEntry",
    "ServiceKind",
    "ShopEvent",
    "StockEntry",
    "Subscription",
    "Toolhead",
    "ToolheadBoard",
    "TroubleOutcome",
    "TroubleReport",
    "WearEntry",
]
