"""The queues by name. Apart from the rest because the Celery app names them before Django is set up."""

# Each may have workers of its own; without a word it is the work on reminders.
QUEUES = ("moisture", "reminders", "delivery", "files")
DEFAULT_QUEUE = "reminders"
