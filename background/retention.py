"""Deletion of old rows of the job table."""

from datetime import datetime, timedelta

from background.models import WorkItem

KEEP_DONE = timedelta(days=14)
KEEP_FAILED = timedelta(days=180)


def prune_items(now: datetime) -> int:
    """Delete items that ended long ago and return how many; failed ones stay longer, for study."""
    deleted = 0
    for state, max_age in ((WorkItem.State.DONE, KEEP_DONE), (WorkItem.State.FAILED, KEEP_FAILED)):
        deleted += WorkItem.objects.filter(state=state, finished__lt=now - max_age).delete()[0]
    return deleted
