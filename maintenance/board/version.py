"""A version of all answers of the board: another one after each fact, each refreshed row and each reminder."""

from django.db.models import Max, Sum

from maintenance.models import ReminderEvent, Toolhead, ToolheadBoard
from spools.models import Spool, SpoolBoard


def board_version() -> str:
    """Five small queries; equal as long as nothing changed."""
    parts = [
        Spool.objects.aggregate(sum=Sum("cache_generation"))["sum"],
        Toolhead.objects.aggregate(sum=Sum("board_generation"))["sum"],
        SpoolBoard.objects.aggregate(last=Max("computed_at"))["last"],
        ToolheadBoard.objects.aggregate(last=Max("computed_at"))["last"],
        ReminderEvent.objects.aggregate(last=Max("pk"))["last"],
    ]
    return "-".join(f"{part.timestamp():.3f}" if hasattr(part, "timestamp") else str(part) for part in parts)
