"""What is known of the life of reminders that were there before their events were kept."""

from django.db import migrations

BATCH = 1000


def add_events(apps, schema_editor):
    Reminder = apps.get_model("maintenance", "Reminder")
    ReminderEvent = apps.get_model("maintenance", "ReminderEvent")
    events = []
    for reminder in Reminder.objects.filter(events=None).order_by("pk").iterator(BATCH):
        events.append(ReminderEvent(reminder=reminder, what="raised", at=reminder.raised_at))
        if reminder.ended_at is not None:
            events.append(
                ReminderEvent(
                    reminder=reminder,
                    what=reminder.ending,
                    at=reminder.ended_at,
                    said=reminder.note,
                    by_id=reminder.ended_by_id,
                )
            )
    ReminderEvent.objects.bulk_create(events, batch_size=BATCH)


class Migration(migrations.Migration):
    dependencies = [("maintenance", "0004_reminders_and_delivery")]
    operations = [migrations.RunPython(add_events, migrations.RunPython.noop)]
