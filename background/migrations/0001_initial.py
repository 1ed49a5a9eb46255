import uuid

import django.utils.timezone
from django.db import migrations, models


class Migration(migrations.Migration):
    initial = True

    dependencies = []

    operations = [
        migrations.CreateModel(
            name="WorkItem",
            fields=[
                (
                    "id",
                    models.UUIDField(
                        default=uuid.uuid4,
                        editable=False,
                        help_text="Of its task, too.",
                        primary_key=True,
                        serialize=False,
                    ),
                ),
                (
                    "name",
                    models.CharField(
                        help_text="As registered with @background_work, and of the Celery task.",
                        max_length=100,
                    ),
                ),
                ("queue", models.CharField(default="reminders", max_length=20)),
                (
                    "args",
                    models.JSONField(default=dict, help_text="Keyword arguments of the registered function."),
                ),
                (
                    "key",
                    models.CharField(
                        blank=True,
                        help_text="Unique until the row is deleted.",
                        max_length=200,
                        null=True,
                        unique=True,
                    ),
                ),
                (
                    "singleton_key",
                    models.CharField(
                        blank=True, help_text="Unique among the rows that wait or run.", max_length=200
                    ),
                ),
                (
                    "origin",
                    models.CharField(
                        blank=True, help_text="Id of the web request that added it.", max_length=64
                    ),
                ),
                (
                    "state",
                    models.CharField(
                        choices=[
                            ("queued", "Queued"),
                            ("running", "Running"),
                            ("done", "Done"),
                            ("failed", "Failed"),
                        ],
                        default="queued",
                        max_length=10,
                    ),
                ),
                ("attempts", models.PositiveSmallIntegerField(default=0)),
                ("due", models.DateTimeField(default=django.utils.timezone.now)),
                (
                    "claim",
                    models.UUIDField(
                        editable=False, help_text="Token of the run that may finish it.", null=True
                    ),
                ),
                (
                    "holder",
                    models.CharField(blank=True, help_text="The worker that runs or ran it.", max_length=300),
                ),
                (
                    "lease_until",
                    models.DateTimeField(blank=True, help_text="From then on another may run it.", null=True),
                ),
                ("error", models.TextField(blank=True, help_text="Of the last run that failed.")),
                ("added", models.DateTimeField(default=django.utils.timezone.now)),
                ("finished", models.DateTimeField(blank=True, null=True)),
                ("duration_s", models.FloatField(blank=True, null=True)),
            ],
            options={
                "indexes": [
                    models.Index(fields=["state", "due"], name="work_item_state_due"),
                    models.Index(fields=["name", "finished"], name="work_item_name_finished"),
                    models.Index(fields=["finished"], name="work_item_finished"),
                ],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("state", "running"), _negated=True),
                            models.Q(("claim__isnull", False), ("lease_until__isnull", False)),
                            _connector="OR",
                        ),
                        name="work_item_running_is_claimed",
                    ),
                    models.UniqueConstraint(
                        condition=models.Q(
                            ("state__in", ["queued", "running"]),
                            models.Q(("singleton_key", ""), _negated=True),
                        ),
                        fields=("singleton_key",),
                        name="work_item_singleton",
                    ),
                ],
            },
        ),
    ]
