import datetime

import django.utils.timezone
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("maintenance", "0005_reminder_history"),
    ]

    operations = [
        migrations.AddField(
            model_name="channel",
            name="failures",
            field=models.PositiveSmallIntegerField(default=0, help_text="Since it last worked."),
        ),
        migrations.AddField(
            model_name="message",
            name="next_try_at",
            field=models.DateTimeField(default=django.utils.timezone.now),
        ),
        migrations.AlterField(
            model_name="deliverysettings",
            name="digest_at",
            field=models.TimeField(default=datetime.time(7, 0)),
        ),
        migrations.AlterField(
            model_name="message",
            name="purpose",
            field=models.CharField(
                choices=[("event", "Event"), ("entry", "Entry"), ("digest", "Digest"), ("test", "Test")],
                max_length=10,
            ),
        ),
    ]
