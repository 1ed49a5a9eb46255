from .jobs import Job, JobUse, WearEntry
from .machines import Loading, Printer, Toolhead
from .parts import BoreReading, Fitting, Part, PartKind, StockEntry
from .reminders import Reminder

__all__ = [
    "BoreReading",
    "Fitting",
    "Job",
    "JobUse",
    "Loading",
    "Part",
    "PartKind",
    "Printer",
    "Reminder",
    "StockEntry",
    "Toolhead",
    "WearEntry",
]
