from .flow_checks import FlowBlob, FlowCheck, FlowCheckWithdrawal
from .job_files import JobFile
from .jobs import Job, JobUse, WearEntry
from .machines import Loading, Printer, Toolhead
from .parts import BoreReading, Fitting, Part, PartKind, StockEntry
from .reminders import Reminder
from .service import ServiceEntry, ServiceKind
from .trouble import TroubleOutcome, TroubleReport

__all__ = [
    "BoreReading",
    "Fitting",
    "FlowBlob",
    "FlowCheck",
    "FlowCheckWithdrawal",
    "Job",
    "JobFile",
    "JobUse",
    "Loading",
    "Part",
    "PartKind",
    "Printer",
    "Reminder",
    "ServiceEntry",
    "ServiceKind",
    "StockEntry",
    "Toolhead",
    "TroubleOutcome",
    "TroubleReport",
    "WearEntry",
]
