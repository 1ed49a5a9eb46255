import datetime
import uuid

import django.core.validators
import django.db.models.deletion
import django.utils.timezone
from django.conf import settings
from django.db import migrations, models

import spools.models.statements


class Migration(migrations.Migration):
    initial = True

    dependencies = [
        ("access", "0001_initial"),
        ("access", "__first__"),
        ("spools", "0001_initial"),
    ]

    operations = [
        migrations.CreateModel(
            name="Channel",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("version", models.PositiveIntegerField(default=1, editable=False)),
                (
                    "user",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="channels",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "kind",
                    models.CharField(
                        choices=[
                            ("page", "on the page"),
                            ("email", "e-mail"),
                            ("webhook", "webhook"),
                            ("push", "notification of the browser"),
                            ("calendar", "calendar feed"),
                        ],
                        max_length=10,
                    ),
                ),
                ("name", models.CharField(blank=True, max_length=80)),
                (
                    "address",
                    models.CharField(
                        blank=True,
                        help_text="e-mail address, web address, or the token of a feed",
                        max_length=1000,
                    ),
                ),
                ("secret", models.CharField(blank=True, help_text="signs webhooks", max_length=200)),
                (
                    "keys",
                    models.JSONField(blank=True, default=dict, help_text="of a browser's push subscription"),
                ),
                (
                    "unconfirmed",
                    models.BooleanField(
                        default=False,
                        help_text="an e-mail address gets nothing but the link that confirms it",
                    ),
                ),
                ("added_at", models.DateTimeField(default=django.utils.timezone.now)),
                ("ended_at", models.DateTimeField(blank=True, null=True)),
                (
                    "backoff_until",
                    models.DateTimeField(
                        blank=True, help_text="no attempt before, after a failure", null=True
                    ),
                ),
                ("failures", models.PositiveSmallIntegerField(default=0, help_text="since it last worked")),
                (
                    "event_kinds",
                    models.JSONField(
                        blank=True, default=list, help_text="the kinds of ShopEvent that a webhook carries"
                    ),
                ),
                (
                    "events_until",
                    models.PositiveBigIntegerField(
                        default=0,
                        help_text="the place in the log up to which its messages of events are written",
                    ),
                ),
            ],
            options={
                "ordering": ["id"],
                "constraints": [
                    models.UniqueConstraint(
                        condition=models.Q(("ended_at__isnull", True), ("kind__in", ["page", "calendar"])),
                        fields=("user", "kind"),
                        name="one_page_and_one_calendar_each",
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="CostRates",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("version", models.PositiveIntegerField(default=1, editable=False)),
                (
                    "currency",
                    models.CharField(
                        blank=True,
                        help_text="three letters, ISO 4217, such as EUR",
                        max_length=3,
                        validators=[
                            django.core.validators.RegexValidator(
                                "^[A-Z]{3}$", "Give the three capital letters of the currency, such as EUR."
                            )
                        ],
                        verbose_name="currency",
                    ),
                ),
                (
                    "energy_per_kwh",
                    models.FloatField(
                        blank=True,
                        null=True,
                        validators=[
                            django.core.validators.MinValueValidator(0),
                            django.core.validators.MaxValueValidator(100000),
                        ],
                        verbose_name="power, for each kWh",
                    ),
                ),
            ],
            options={
                "verbose_name_plural": "cost rates",
                "constraints": [
                    models.CheckConstraint(condition=models.Q(("pk", 1)), name="cost_rates_are_one_row")
                ],
            },
        ),
        migrations.CreateModel(
            name="NotificationSettings",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("version", models.PositiveIntegerField(default=1, editable=False)),
                (
                    "user",
                    models.OneToOneField(
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="notification_settings",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                ("quiet_from", models.TimeField(blank=True, null=True)),
                ("quiet_to", models.TimeField(blank=True, null=True)),
                (
                    "urgent_in_quiet",
                    models.BooleanField(default=False, help_text="Urgent reminders are sent at any hour."),
                ),
                ("digest_at", models.TimeField(default=datetime.time(7, 0))),
            ],
            options={
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("quiet_from__isnull", True), ("quiet_to__isnull", True)),
                            models.Q(("quiet_from__isnull", False), ("quiet_to__isnull", False)),
                            _connector="OR",
                        ),
                        name="quiet_hours_have_both_ends",
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="PartKind",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("version", models.PositiveIntegerField(default=1, editable=False)),
                (
                    "role",
                    models.CharField(
                        choices=[
                            ("nozzle", "nozzle"),
                            ("gears", "drive gears"),
                            ("liner", "liner"),
                            ("tube", "feed tube"),
                            ("heater", "heater"),
                            ("thermistor", "thermistor"),
                            ("hot_end_fan", "hot-end fan"),
                            ("part_fan", "part-cooling fan"),
                            ("surface", "build surface"),
                            ("belts", "belts"),
                            ("bearings", "linear bearings"),
                            ("particle_filter", "HEPA filter"),
                            ("carbon_filter", "carbon filter"),
                            ("brush", "nozzle brush"),
                            ("desiccant", "desiccant"),
                            ("adhesive", "adhesive"),
                            ("lubricant", "lubricant"),
                            ("cleaning_filament", "cleaning filament"),
                            ("wipes", "wipes"),
                            ("bags", "bags"),
                            ("other", "other consumable"),
                        ],
                        max_length=20,
                        verbose_name="role",
                    ),
                ),
                ("name", models.CharField(max_length=80, unique=True, verbose_name="name")),
                ("material", models.CharField(blank=True, max_length=60, verbose_name="material")),
                (
                    "hardness_hv",
                    models.FloatField(
                        blank=True,
                        null=True,
                        validators=[django.core.validators.MinValueValidator(1)],
                        verbose_name="hardness, HV",
                    ),
                ),
                (
                    "bore_mm",
                    models.FloatField(
                        blank=True, null=True, validators=[django.core.validators.MinValueValidator(0.05)]
                    ),
                ),
                ("max_c", models.FloatField(blank=True, null=True, verbose_name="hottest, °C")),
                (
                    "heat_reference_c",
                    models.FloatField(
                        blank=True,
                        help_text="hotter hours count more, cooler ones less (Arrhenius); empty: all count alike",
                        null=True,
                        validators=[
                            django.core.validators.MinValueValidator(0),
                            django.core.validators.MaxValueValidator(600),
                        ],
                        verbose_name="temperature of its hot hours, °C",
                    ),
                ),
                (
                    "worn_growth_pct",
                    models.FloatField(
                        default=12.5,
                        validators=[
                            django.core.validators.MinValueValidator(1),
                            django.core.validators.MaxValueValidator(100),
                        ],
                        verbose_name="bore worn out at, % wider than new",
                    ),
                ),
                (
                    "life_unit",
                    models.CharField(
                        blank=True,
                        choices=[
                            (
                                "dose_km",
                                "wear of the bore (1 is 1.1 kg of fibre-filled filament through 0.4 mm)",
                            ),
                            ("feed_km", "km of filament (filled filament counts more)"),
                            ("hot_h", "hot hours (hotter ones count more)"),
                            ("residue_h", "hot hours (those that char plastic count more)"),
                            ("hours", "hours of printing"),
                            ("prints", "prints"),
                            ("days", "days fitted"),
                        ],
                        max_length=10,
                    ),
                ),
                (
                    "life",
                    models.FloatField(
                        blank=True,
                        null=True,
                        validators=[
                            django.core.validators.MinValueValidator(1e-06),
                            django.core.validators.MaxValueValidator(1000000000.0),
                        ],
                        verbose_name="expected life",
                    ),
                ),
                (
                    "life_low",
                    models.FloatField(
                        blank=True,
                        null=True,
                        validators=[
                            django.core.validators.MinValueValidator(1e-06),
                            django.core.validators.MaxValueValidator(1000000000.0),
                        ],
                    ),
                ),
                (
                    "life_high",
                    models.FloatField(
                        blank=True,
                        null=True,
                        validators=[
                            django.core.validators.MinValueValidator(1e-06),
                            django.core.validators.MaxValueValidator(1000000000.0),
                        ],
                    ),
                ),
                ("source", models.CharField(blank=True, max_length=300)),
                ("how", models.CharField(blank=True, max_length=80)),
                (
                    "stock_unit",
                    models.CharField(
                        blank=True,
                        choices=[("", "pieces"), ("g", "g"), ("ml", "ml")],
                        help_text="of a consumable; parts are counted",
                        max_length=2,
                    ),
                ),
                (
                    "price",
                    models.DecimalField(
                        blank=True, decimal_places=2, max_digits=8, null=True, verbose_name="price"
                    ),
                ),
                ("reorder_point", models.PositiveIntegerField(default=0, verbose_name="reorder point")),
            ],
            options={
                "ordering": ["role", "name"],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            (
                                "role__in",
                                [
                                    "desiccant",
                                    "adhesive",
                                    "lubricant",
                                    "cleaning_filament",
                                    "wipes",
                                    "bags",
                                    "other",
                                ],
                            ),
                            models.Q(
                                ("life__isnull", False),
                                ("life_high__isnull", False),
                                ("life_low__isnull", False),
                                ("life__lte", models.F("life_high")),
                                ("life_low__gt", 0),
                                ("life_low__lte", models.F("life")),
                            ),
                            _connector="OR",
                        ),
                        name="part_life_in_its_band",
                        violation_error_code="life_missing",
                        violation_error_message="A part needs its life: a short, the expected and a long one, in order.",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(
                                (
                                    "role__in",
                                    [
                                        "desiccant",
                                        "adhesive",
                                        "lubricant",
                                        "cleaning_filament",
                                        "wipes",
                                        "bags",
                                        "other",
                                    ],
                                ),
                                _negated=True,
                            ),
                            models.Q(
                                ("life__isnull", True),
                                ("life_high__isnull", True),
                                ("life_low__isnull", True),
                                ("life_unit", ""),
                            ),
                            _connector="OR",
                        ),
                        name="consumable_has_no_life",
                        violation_error_code="life_of_a_consumable",
                        violation_error_message="A consumable is used up. Leave its life and the unit of it empty.",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            (
                                "role__in",
                                [
                                    "desiccant",
                                    "adhesive",
                                    "lubricant",
                                    "cleaning_filament",
                                    "wipes",
                                    "bags",
                                    "other",
                                ],
                            ),
                            models.Q(
                                ("stock_unit", ""),
                                models.Q(("life_unit", ""), _negated=True),
                                models.Q(("source", ""), _negated=True),
                                models.Q(("material", ""), _negated=True),
                            ),
                            _connector="OR",
                        ),
                        name="part_is_counted_and_has_a_source",
                        violation_error_code="part_incomplete",
                        violation_error_message="A part is counted in pieces, and needs its material, the unit of its life and the source of that.",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("role", "nozzle"), _negated=True),
                            ("bore_mm__isnull", False),
                            _connector="OR",
                        ),
                        name="nozzle_has_a_bore",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("life_unit", "dose_km"), _negated=True),
                            ("role", "nozzle"),
                            _connector="OR",
                        ),
                        name="a_bore_alone_has_a_dose",
                        violation_error_code="dose_of_another_role",
                        violation_error_message="Filler slides through a nozzle's bore only. Choose another unit.",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(
                                (
                                    "role__in",
                                    [
                                        "surface",
                                        "belts",
                                        "bearings",
                                        "particle_filter",
                                        "carbon_filter",
                                        "brush",
                                    ],
                                ),
                                _negated=True,
                            ),
                            ("life_unit__in", ["hours", "prints", "days"]),
                            _connector="OR",
                        ),
                        name="printers_part_counts_hours_prints_or_days",
                        violation_error_code="unit_of_a_printer",
                        violation_error_message="Hours, prints or days wear a part of the whole printer.",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="Printer",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("version", models.PositiveIntegerField(default=1, editable=False)),
                (
                    "retired_at",
                    models.DateTimeField(
                        blank=True, editable=False, null=True, verbose_name="out of use since"
                    ),
                ),
                ("name", models.CharField(max_length=60, unique=True, verbose_name="name")),
                (
                    "place",
                    models.OneToOneField(
                        on_delete=django.db.models.deletion.PROTECT, related_name="printer", to="spools.place"
                    ),
                ),
                (
                    "bed_max_c",
                    models.FloatField(
                        default=100,
                        validators=[
                            django.core.validators.MinValueValidator(0),
                            django.core.validators.MaxValueValidator(600),
                        ],
                        verbose_name="hottest bed, °C",
                    ),
                ),
                ("enclosed", models.BooleanField(default=False, verbose_name="has an enclosure")),
                (
                    "e_follows_g90",
                    models.BooleanField(
                        default=True,
                        help_text="How it understands a job file; machines differ. M82 and M83 settle it in most files.",
                        verbose_name="G90 and G91 count for E, too",
                    ),
                ),
                (
                    "hour_rate",
                    models.FloatField(
                        blank=True,
                        null=True,
                        validators=[
                            django.core.validators.MinValueValidator(0),
                            django.core.validators.MaxValueValidator(100000),
                        ],
                        verbose_name="cost of an hour",
                    ),
                ),
                (
                    "power_w",
                    models.FloatField(
                        blank=True,
                        null=True,
                        validators=[
                            django.core.validators.MinValueValidator(0),
                            django.core.validators.MaxValueValidator(20000),
                        ],
                        verbose_name="mean power while it prints, W",
                    ),
                ),
            ],
            options={
                "ordering": ["name"],
            },
        ),
        migrations.CreateModel(
            name="Scan",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("recorded_at", models.DateTimeField(auto_now_add=True)),
                (
                    "recorded_by",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.SET_NULL,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "spool",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="scans", to="spools.spool"
                    ),
                ),
                (
                    "place",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="scans", to="spools.place"
                    ),
                ),
                ("at", models.DateTimeField()),
            ],
            options={
                "ordering": ["at", "id"],
                "constraints": [models.UniqueConstraint(fields=("place", "at", "spool"), name="scan_once")],
            },
        ),
        migrations.CreateModel(
            name="ShopEvent",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("sequence", models.PositiveBigIntegerField(editable=False, null=True, unique=True)),
                ("uid", models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                (
                    "kind",
                    models.CharField(
                        choices=[
                            ("spool.received", "spool received"),
                            ("spool.opened", "bag opened"),
                            ("spool.moved", "spool moved"),
                            ("spool.ended", "spool empty or gone"),
                            ("spool.loaded", "spool loaded"),
                            ("spool.unloaded", "spool taken off"),
                            ("drying.started", "drying started"),
                            ("drying.ended", "drying ended"),
                            ("job.started", "job started"),
                            ("job.finished", "job finished"),
                            ("job.failed", "job failed"),
                            ("job.stopped", "job stopped"),
                            ("part.fitted", "part fitted"),
                            ("part.removed", "part removed"),
                            ("service.done", "service done"),
                            ("verdict.changed", "verdict changed"),
                            ("stock.low", "stock low"),
                            ("event.withdrawn", "event withdrawn"),
                        ],
                        max_length=20,
                    ),
                ),
                ("at", models.DateTimeField(help_text="when it happened")),
                ("recorded_at", models.DateTimeField(db_index=True, default=django.utils.timezone.now)),
                (
                    "fact",
                    models.CharField(help_text="the kind and id of the fact that it is about", max_length=40),
                ),
                (
                    "data",
                    models.JSONField(
                        default=dict, help_text="ids of its subjects and numbers, without sentences"
                    ),
                ),
                (
                    "withdraws",
                    models.UUIDField(
                        help_text="the uid of an earlier event that no longer counts", null=True
                    ),
                ),
            ],
            options={
                "ordering": ["sequence"],
                "indexes": [
                    models.Index(fields=["fact"], name="event_fact"),
                    models.Index(
                        condition=models.Q(("sequence", None)), fields=["id"], name="event_without_number"
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="JobFile",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("name", models.CharField(max_length=200)),
                ("digest", models.CharField(max_length=64)),
                ("size_bytes", models.PositiveBigIntegerField()),
                ("taken_from", models.CharField(blank=True, max_length=300, null=True, unique=True)),
                (
                    "printer",
                    models.ForeignKey(
                        blank=True,
                        help_text="the machine that decides how G90 and G91 are read",
                        null=True,
                        on_delete=django.db.models.deletion.SET_NULL,
                        related_name="job_files",
                        to="maintenance.printer",
                    ),
                ),
                (
                    "diameter_mm",
                    models.FloatField(
                        default=1.75,
                        help_text="of the filament",
                        validators=[
                            django.core.validators.MinValueValidator(0.5),
                            django.core.validators.MaxValueValidator(10),
                        ],
                    ),
                ),
                (
                    "member",
                    models.CharField(blank=True, help_text="name of the job in a container", max_length=200),
                ),
                (
                    "state",
                    models.CharField(
                        choices=[
                            ("waiting", "waits to be read"),
                            ("reading", "is being read"),
                            ("read", "read"),
                            ("refused", "cannot be read"),
                            ("stopped", "reading was stopped"),
                        ],
                        default="waiting",
                        max_length=10,
                    ),
                ),
                ("round", models.PositiveIntegerField(default=1)),
                ("share_read", models.FloatField(default=0, help_text="0 to 1")),
                ("problem", spools.models.statements.StatementField(null=True)),
                ("facts", models.JSONField(blank=True, null=True)),
                ("added_at", models.DateTimeField(auto_now_add=True)),
                (
                    "added_by",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.SET_NULL,
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "content_deleted_at",
                    models.DateTimeField(
                        blank=True,
                        help_text="its facts and prints stay; null: the content is stored",
                        null=True,
                    ),
                ),
                (
                    "content_deleted_by",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.SET_NULL,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
            ],
            options={
                "ordering": ["-added_at", "-id"],
            },
        ),
        migrations.CreateModel(
            name="Part",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "kind",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="parts",
                        to="maintenance.partkind",
                    ),
                ),
                ("created_at", models.DateTimeField(auto_now_add=True)),
            ],
            options={
                "ordering": ["id"],
            },
        ),
        migrations.CreateModel(
            name="ServiceKind",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("version", models.PositiveIntegerField(default=1, editable=False)),
                (
                    "name",
                    models.CharField(
                        help_text="such as: belt tension check",
                        max_length=60,
                        unique=True,
                        verbose_name="name",
                    ),
                ),
                (
                    "work",
                    models.CharField(
                        choices=[
                            ("hot_end", "cleaning of the hot end"),
                            ("gears", "cleaning of the drive gears"),
                            ("surface", "care of the build surface"),
                            ("feed_path", "feed path"),
                            ("lubrication", "lubrication"),
                            ("belts", "belt tension"),
                            ("filter", "filter"),
                            ("other", "other work"),
                        ],
                        max_length=12,
                        verbose_name="work",
                    ),
                ),
                (
                    "subject",
                    models.CharField(
                        choices=[
                            ("toolhead", "each toolhead"),
                            ("printer", "each printer"),
                            ("enclosed", "each printer with an enclosure"),
                        ],
                        max_length=10,
                        verbose_name="done on",
                    ),
                ),
                (
                    "unit",
                    models.CharField(
                        choices=[
                            ("hours", "printing hours"),
                            ("hot_h", "hot hours"),
                            ("feed_km", "km of filament"),
                            ("prints", "prints"),
                            ("days", "days"),
                        ],
                        max_length=10,
                        verbose_name="counted in",
                    ),
                ),
                (
                    "interval",
                    models.FloatField(
                        validators=[
                            django.core.validators.MinValueValidator(0.1),
                            django.core.validators.MaxValueValidator(1000000.0),
                        ]
                    ),
                ),
                (
                    "stops",
                    models.BooleanField(default=False, verbose_name="nothing may start while it is overdue"),
                ),
                ("in_use", models.BooleanField(default=True, verbose_name="in use")),
                (
                    "consumable",
                    models.ForeignKey(
                        blank=True,
                        help_text="what each service takes from stock",
                        limit_choices_to={
                            "role__in": [
                                "desiccant",
                                "adhesive",
                                "lubricant",
                                "cleaning_filament",
                                "wipes",
                                "bags",
                                "other",
                            ]
                        },
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="services",
                        to="maintenance.partkind",
                    ),
                ),
                (
                    "consumable_amount",
                    models.FloatField(
                        blank=True,
                        null=True,
                        validators=[django.core.validators.MinValueValidator(0.001)],
                        verbose_name="amount used each time",
                    ),
                ),
                ("advice", models.CharField(max_length=300, verbose_name="how it is done")),
                ("source", models.CharField(max_length=300, verbose_name="source of the interval")),
                ("how", models.CharField(max_length=80, verbose_name="how that is known")),
                (
                    "added_at",
                    models.DateTimeField(
                        blank=True,
                        editable=False,
                        help_text="what was printed before does not count; empty: the count goes back to the first job",
                        null=True,
                    ),
                ),
            ],
            options={
                "ordering": ["work", "name"],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("consumable__isnull", True), ("consumable_amount__isnull", True)),
                            models.Q(
                                ("consumable__isnull", False),
                                ("consumable_amount__gt", 0),
                                ("consumable_amount__isnull", False),
                            ),
                            _connector="OR",
                        ),
                        name="consumable_with_its_amount",
                        violation_error_code="consumable_and_amount",
                        violation_error_message="Give the consumable and the amount that each service uses, or neither.",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("interval__gt", 0)), name="service_interval_above_0"
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("subject", "toolhead"),
                            models.Q(
                                models.Q(("unit__in", ["hot_h", "feed_km"]), _negated=True),
                                models.Q(("work__in", ["hot_end", "gears"]), _negated=True),
                            ),
                            _connector="OR",
                        ),
                        name="toolhead_service_on_toolheads",
                        violation_error_code="unit_of_a_toolhead",
                        violation_error_message="Hot hours, km of filament, hot ends and drive gears belong to toolheads: choose each toolhead.",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="Subscription",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "channel",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="subscriptions",
                        to="maintenance.channel",
                    ),
                ),
                (
                    "reminder_kind",
                    models.CharField(
                        choices=[
                            ("dry", "re-dry"),
                            ("replace", "replace"),
                            ("reorder", "reorder"),
                            ("dryer_up", "turn the dryer up"),
                            ("drying_done", "take out of the dryer"),
                            ("regenerate", "regenerate desiccant"),
                            ("flow_check", "flow check"),
                            ("flow_chart", "flow loss changes"),
                            ("clean", "clean"),
                            ("service", "service"),
                            ("leak", "dry box leaks"),
                            ("weigh", "weigh"),
                            ("heat", "heat budget"),
                            ("sensor", "sensor silent"),
                        ],
                        max_length=20,
                    ),
                ),
                (
                    "timing",
                    models.CharField(
                        choices=[("at_once", "at once"), ("digest", "in one digest a day")],
                        default="at_once",
                        max_length=10,
                    ),
                ),
            ],
            options={
                "constraints": [
                    models.UniqueConstraint(
                        fields=("channel", "reminder_kind"), name="one_subscription_a_kind"
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="Toolhead",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("version", models.PositiveIntegerField(default=1, editable=False)),
                (
                    "retired_at",
                    models.DateTimeField(
                        blank=True, editable=False, null=True, verbose_name="out of use since"
                    ),
                ),
                (
                    "printer",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="toolheads",
                        to="maintenance.printer",
                    ),
                ),
                ("name", models.CharField(default="T0", max_length=40)),
                (
                    "hot_end_max_c",
                    models.FloatField(
                        default=300,
                        validators=[
                            django.core.validators.MinValueValidator(0),
                            django.core.validators.MaxValueValidator(600),
                        ],
                        verbose_name="hottest hot end, °C",
                    ),
                ),
                (
                    "ptfe_lined",
                    models.BooleanField(default=False, verbose_name="PTFE reaches into the hot end"),
                ),
                (
                    "feed",
                    models.CharField(
                        choices=[("direct", "drive on the toolhead"), ("guided", "long guide tube")],
                        default="direct",
                        max_length=10,
                    ),
                ),
                (
                    "tail_mm",
                    models.FloatField(
                        default=150,
                        validators=[
                            django.core.validators.MinValueValidator(0),
                            django.core.validators.MaxValueValidator(5000),
                        ],
                    ),
                ),
                (
                    "slots",
                    models.PositiveSmallIntegerField(
                        default=1,
                        help_text="spools that are loaded on it at once, as with a spool changer",
                        validators=[
                            django.core.validators.MinValueValidator(1),
                            django.core.validators.MaxValueValidator(32),
                        ],
                    ),
                ),
                (
                    "purge_g",
                    models.FloatField(
                        default=0,
                        help_text="filament that the machine purges at each change of spool, beyond what the job file feeds",
                        validators=[
                            django.core.validators.MinValueValidator(0),
                            django.core.validators.MaxValueValidator(100),
                        ],
                    ),
                ),
                (
                    "board_generation",
                    models.PositiveIntegerField(
                        default=0,
                        editable=False,
                        help_text="raised by whoever adds a fact that its row of the board rests on",
                    ),
                ),
            ],
            options={
                "ordering": ["printer__name", "name"],
                "constraints": [models.UniqueConstraint(fields=("printer", "name"), name="toolhead_once")],
            },
        ),
        migrations.CreateModel(
            name="BoreReading",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("recorded_at", models.DateTimeField(auto_now_add=True)),
                (
                    "recorded_by",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.SET_NULL,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                ("withdrawn_at", models.DateTimeField(blank=True, editable=False, null=True)),
                (
                    "withdrawn_by",
                    models.ForeignKey(
                        blank=True,
                        editable=False,
                        null=True,
                        on_delete=django.db.models.deletion.SET_NULL,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "withdrawn_reason",
                    models.CharField(
                        blank=True,
                        editable=False,
                        help_text="empty: the right one replaces it",
                        max_length=300,
                    ),
                ),
                (
                    "part",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="bore_readings",
                        to="maintenance.part",
                    ),
                ),
                ("at", models.DateTimeField()),
                ("bore_mm", models.FloatField()),
                ("error_mm", models.FloatField(help_text="standard error")),
                (
                    "method",
                    models.CharField(
                        choices=[
                            ("pin", "pin gauge"),
                            ("microscope", "microscope"),
                            ("other", "another way"),
                        ],
                        max_length=10,
                    ),
                ),
                ("note", models.CharField(blank=True, max_length=200)),
            ],
            options={
                "ordering": ["at", "id"],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(("bore_mm__gt", 0), ("error_mm__gt", 0)),
                        name="bore_reading_is_possible",
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="Fitting",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("recorded_at", models.DateTimeField(auto_now_add=True)),
                (
                    "recorded_by",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.SET_NULL,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                ("withdrawn_at", models.DateTimeField(blank=True, editable=False, null=True)),
                (
                    "withdrawn_by",
                    models.ForeignKey(
                        blank=True,
                        editable=False,
                        null=True,
                        on_delete=django.db.models.deletion.SET_NULL,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "withdrawn_reason",
                    models.CharField(
                        blank=True,
                        editable=False,
                        help_text="empty: the right one replaces it",
                        max_length=300,
                    ),
                ),
                (
                    "part",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="fittings",
                        to="maintenance.part",
                    ),
                ),
                (
                    "toolhead",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="fittings",
                        to="maintenance.toolhead",
                    ),
                ),
                (
                    "printer",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="fittings",
                        to="maintenance.printer",
                    ),
                ),
                (
                    "role",
                    models.CharField(
                        choices=[
                            ("nozzle", "nozzle"),
                            ("gears", "drive gears"),
                            ("liner", "liner"),
                            ("tube", "feed tube"),
                            ("heater", "heater"),
                            ("thermistor", "thermistor"),
                            ("hot_end_fan", "hot-end fan"),
                            ("part_fan", "part-cooling fan"),
                            ("surface", "build surface"),
                            ("belts", "belts"),
                            ("bearings", "linear bearings"),
                            ("particle_filter", "HEPA filter"),
                            ("carbon_filter", "carbon filter"),
                            ("brush", "nozzle brush"),
                            ("desiccant", "desiccant"),
                            ("adhesive", "adhesive"),
                            ("lubricant", "lubricant"),
                            ("cleaning_filament", "cleaning filament"),
                            ("wipes", "wipes"),
                            ("bags", "bags"),
                            ("other", "other consumable"),
                        ],
                        max_length=20,
                    ),
                ),
                ("start", models.DateTimeField()),
                ("end", models.DateTimeField(blank=True, null=True)),
                (
                    "removal",
                    models.CharField(
                        blank=True,
                        choices=[
                            ("worn", "worn out"),
                            ("sound", "taken off sound"),
                            ("upgraded", "replaced by a better one"),
                            ("lost", "lost or broken by accident"),
                        ],
                        max_length=10,
                    ),
                ),
                (
                    "removed_by",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.SET_NULL,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
            ],
            options={
                "ordering": ["start", "id"],
                "constraints": [
                    models.UniqueConstraint(
                        condition=models.Q(("end__isnull", True), ("withdrawn_at__isnull", True)),
                        fields=("part",),
                        name="part_fitted_once",
                    ),
                    models.UniqueConstraint(
                        condition=models.Q(("end__isnull", True), ("withdrawn_at__isnull", True)),
                        fields=("toolhead", "role"),
                        name="one_part_in_a_role",
                    ),
                    models.UniqueConstraint(
                        condition=models.Q(("end__isnull", True), ("withdrawn_at__isnull", True)),
                        fields=("printer", "role"),
                        name="one_part_in_a_printers_role",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("toolhead__isnull", True), ("printer__isnull", True), _connector="XOR"
                        ),
                        name="fitted_to_one_machine",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("end__isnull", True), ("end__gte", models.F("start")), _connector="OR"
                        ),
                        name="fitting_ends_after_start",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("end__isnull", True), ("removal", "")),
                            models.Q(("end__isnull", False), models.Q(("removal", ""), _negated=True)),
                            _connector="OR",
                        ),
                        name="removal_says_why",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="FlowCheck",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("recorded_at", models.DateTimeField(auto_now_add=True)),
                (
                    "recorded_by",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.SET_NULL,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                ("withdrawn_at", models.DateTimeField(blank=True, editable=False, null=True)),
                (
                    "withdrawn_by",
                    models.ForeignKey(
                        blank=True,
                        editable=False,
                        null=True,
                        on_delete=django.db.models.deletion.SET_NULL,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "withdrawn_reason",
                    models.CharField(
                        blank=True,
                        editable=False,
                        help_text="empty: the right one replaces it",
                        max_length=300,
                    ),
                ),
                (
                    "toolhead",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="flow_checks",
                        to="maintenance.toolhead",
                    ),
                ),
                (
                    "spool",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="flow_checks",
                        to="spools.spool",
                    ),
                ),
                ("at", models.DateTimeField()),
                (
                    "nozzle_c",
                    models.FloatField(
                        validators=[
                            django.core.validators.MinValueValidator(0),
                            django.core.validators.MaxValueValidator(600),
                        ]
                    ),
                ),
                ("length_mm", models.FloatField(help_text="filament commanded for each blob")),
                ("diameter_mm", models.FloatField()),
                ("diameter_tolerance_mm", models.FloatField()),
                ("resolution_g", models.FloatField(help_text="the scale's smallest step")),
                ("note", models.CharField(blank=True, max_length=300)),
                (
                    "entry",
                    models.OneToOneField(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="flow_check",
                        to="spools.massentry",
                    ),
                ),
            ],
            options={
                "ordering": ["at", "id"],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            ("diameter_tolerance_mm__gte", 0),
                            ("length_mm__gt", 0),
                            ("resolution_g__gt", 0),
                            ("diameter_mm__gt", models.F("diameter_tolerance_mm")),
                        ),
                        name="flow_check_can_be_worked_out",
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="Job",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("recorded_at", models.DateTimeField(auto_now_add=True)),
                (
                    "recorded_by",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.SET_NULL,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                ("withdrawn_at", models.DateTimeField(blank=True, editable=False, null=True)),
                (
                    "withdrawn_by",
                    models.ForeignKey(
                        blank=True,
                        editable=False,
                        null=True,
                        on_delete=django.db.models.deletion.SET_NULL,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "withdrawn_reason",
                    models.CharField(
                        blank=True,
                        editable=False,
                        help_text="empty: the right one replaces it",
                        max_length=300,
                    ),
                ),
                (
                    "printer",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="jobs",
                        to="maintenance.printer",
                    ),
                ),
                ("name", models.CharField(max_length=120)),
                (
                    "project",
                    models.CharField(blank=True, help_text="or customer, for reports", max_length=80),
                ),
                (
                    "nozzle_c",
                    models.FloatField(
                        validators=[
                            django.core.validators.MinValueValidator(0),
                            django.core.validators.MaxValueValidator(600),
                        ]
                    ),
                ),
                (
                    "bed_c",
                    models.FloatField(
                        validators=[
                            django.core.validators.MinValueValidator(0),
                            django.core.validators.MaxValueValidator(300),
                        ]
                    ),
                ),
                (
                    "max_flow_mm3_s",
                    models.FloatField(
                        blank=True,
                        null=True,
                        validators=[
                            django.core.validators.MinValueValidator(0.01),
                            django.core.validators.MaxValueValidator(500),
                        ],
                    ),
                ),
                ("override_reason", models.CharField(blank=True, max_length=300)),
                (
                    "file",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="jobs",
                        to="maintenance.jobfile",
                    ),
                ),
                (
                    "reprint_of",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="reprints",
                        to="maintenance.job",
                    ),
                ),
                (
                    "stage",
                    models.CharField(
                        choices=[
                            ("planned", "planned"),
                            ("printing", "printing"),
                            ("finished", "finished"),
                            ("failed", "failed"),
                            ("stopped", "stopped"),
                        ],
                        default="planned",
                        max_length=10,
                    ),
                ),
                ("start", models.DateTimeField(help_text="of the print; as planned before it began")),
                ("end", models.DateTimeField(help_text="of the print; as expected before it was over")),
                (
                    "hours",
                    models.FloatField(
                        validators=[
                            django.core.validators.MinValueValidator(0.01),
                            django.core.validators.MaxValueValidator(1000),
                        ]
                    ),
                ),
                (
                    "state",
                    models.CharField(
                        help_text="the verdict at the start: clear, caution or hold", max_length=10
                    ),
                ),
                ("reasons", models.JSONField(default=list)),
                (
                    "stopped",
                    spools.models.statements.StatementField(help_text="where it stopped early", null=True),
                ),
            ],
            options={
                "ordering": ["-start", "-id"],
                "indexes": [
                    models.Index(fields=["printer", "start"], name="job_printer_start"),
                    models.Index(
                        condition=models.Q(("stage__in", ["planned", "printing"]), ("withdrawn_at", None)),
                        fields=["stage"],
                        name="job_not_over",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="JobFileMaterial",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "file",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="materials",
                        to="maintenance.jobfile",
                    ),
                ),
                ("tool", models.PositiveSmallIntegerField()),
                (
                    "feedstock",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="spools.feedstock",
                    ),
                ),
                (
                    "polymer",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="spools.polymer",
                    ),
                ),
                ("stated_at", models.DateTimeField(auto_now_add=True)),
                (
                    "stated_by",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.SET_NULL,
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
            ],
            options={
                "ordering": ["tool"],
                "constraints": [
                    models.UniqueConstraint(
                        fields=("file", "tool"), name="job_file_material_once_for_a_tool"
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("feedstock__isnull", False), ("polymer__isnull", True)),
                            models.Q(("feedstock__isnull", True), ("polymer__isnull", False)),
                            _connector="OR",
                        ),
                        name="job_file_material_is_one_thing",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="Loading",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("recorded_at", models.DateTimeField(auto_now_add=True)),
                (
                    "recorded_by",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.SET_NULL,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                ("withdrawn_at", models.DateTimeField(blank=True, editable=False, null=True)),
                (
                    "withdrawn_by",
                    models.ForeignKey(
                        blank=True,
                        editable=False,
                        null=True,
                        on_delete=django.db.models.deletion.SET_NULL,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "withdrawn_reason",
                    models.CharField(
                        blank=True,
                        editable=False,
                        help_text="empty: the right one replaces it",
                        max_length=300,
                    ),
                ),
                (
                    "toolhead",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="loadings",
                        to="maintenance.toolhead",
                    ),
                ),
                ("slot", models.PositiveSmallIntegerField(default=1, help_text="of the toolhead, from 1")),
                (
                    "spool",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="loadings",
                        to="spools.spool",
                    ),
                ),
                ("start", models.DateTimeField()),
                (
                    "end",
                    models.DateTimeField(
                        blank=True, help_text="a cache: see maintenance/machines/stays.py", null=True
                    ),
                ),
                (
                    "state",
                    models.CharField(
                        help_text="the verdict at loading: clear, caution or hold", max_length=10
                    ),
                ),
                ("reasons", models.JSONField(default=list, help_text="the checks behind it, as shown")),
                ("override_reason", models.CharField(blank=True, max_length=300)),
                (
                    "cause",
                    spools.models.statements.StatementField(
                        blank=True, help_text="the act that it came with; none: loaded by itself", null=True
                    ),
                ),
                (
                    "fed_from",
                    models.ForeignKey(
                        blank=True,
                        help_text="the dry box or dryer in which it stays while it prints; none: at the printer",
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="fed_loadings",
                        to="spools.place",
                    ),
                ),
                (
                    "move",
                    models.ForeignKey(
                        help_text="by which it came there",
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="spools.move",
                    ),
                ),
                (
                    "unloading",
                    models.ForeignKey(
                        help_text="by which somebody took it off",
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="spools.move",
                    ),
                ),
                (
                    "opening",
                    models.ForeignKey(
                        help_text="of its bag, for this loading",
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="spools.opening",
                    ),
                ),
            ],
            options={
                "ordering": ["start", "id"],
                "constraints": [
                    models.UniqueConstraint(
                        condition=models.Q(("end__isnull", True), ("withdrawn_at__isnull", True)),
                        fields=("toolhead", "slot"),
                        name="one_spool_in_a_slot",
                    ),
                    models.UniqueConstraint(
                        condition=models.Q(("end__isnull", True), ("withdrawn_at__isnull", True)),
                        fields=("spool",),
                        name="spool_on_one_toolhead",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("end__isnull", True), ("end__gte", models.F("start")), _connector="OR"
                        ),
                        name="loading_ends_after_start",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("state", "hold"), _negated=True),
                            models.Q(("override_reason", ""), _negated=True),
                            ("cause__isnull", False),
                            _connector="OR",
                        ),
                        name="hold_needs_a_reason",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="PriorUse",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("recorded_at", models.DateTimeField(auto_now_add=True)),
                (
                    "recorded_by",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.SET_NULL,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                ("withdrawn_at", models.DateTimeField(blank=True, editable=False, null=True)),
                (
                    "withdrawn_by",
                    models.ForeignKey(
                        blank=True,
                        editable=False,
                        null=True,
                        on_delete=django.db.models.deletion.SET_NULL,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "withdrawn_reason",
                    models.CharField(
                        blank=True,
                        editable=False,
                        help_text="empty: the right one replaces it",
                        max_length=300,
                    ),
                ),
                (
                    "part",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="prior_uses",
                        to="maintenance.part",
                    ),
                ),
                ("amount", models.FloatField(blank=True, null=True)),
                (
                    "unit",
                    models.CharField(
                        choices=[
                            (
                                "dose_km",
                                "wear of the bore (1 is 1.1 kg of fibre-filled filament through 0.4 mm)",
                            ),
                            ("feed_km", "km of filament (filled filament counts more)"),
                            ("hot_h", "hot hours (hotter ones count more)"),
                            ("residue_h", "hot hours (those that char plastic count more)"),
                            ("hours", "hours of printing"),
                            ("prints", "prints"),
                            ("days", "days fitted"),
                            ("kg", "kg of unfilled filament"),
                            ("months", "months on a printer"),
                            ("unknown", "age unknown"),
                        ],
                        max_length=10,
                    ),
                ),
                ("note", models.CharField(blank=True, max_length=200)),
            ],
            options={
                "ordering": ["id"],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("amount__isnull", True), ("unit", "unknown")),
                            models.Q(models.Q(("unit", "unknown"), _negated=True), ("amount__gte", 0)),
                            _connector="OR",
                        ),
                        name="prior_use_has_an_amount_or_is_unknown",
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="Reminder",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "kind",
                    models.CharField(
                        choices=[
                            ("dry", "re-dry"),
                            ("replace", "replace"),
                            ("reorder", "reorder"),
                            ("dryer_up", "turn the dryer up"),
                            ("drying_done", "take out of the dryer"),
                            ("regenerate", "regenerate desiccant"),
                            ("flow_check", "flow check"),
                            ("flow_chart", "flow loss changes"),
                            ("clean", "clean"),
                            ("service", "service"),
                            ("leak", "dry box leaks"),
                            ("weigh", "weigh"),
                            ("heat", "heat budget"),
                            ("sensor", "sensor silent"),
                        ],
                        max_length=20,
                    ),
                ),
                (
                    "condition",
                    models.CharField(
                        help_text="kind and subject, e.g. dry:spool:12; one reminder of it is open at a time",
                        max_length=80,
                    ),
                ),
                ("reason", spools.models.statements.StatementField(help_text="the number and the limit")),
                ("remedy", spools.models.statements.StatementField()),
                (
                    "spool",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="reminders",
                        to="spools.spool",
                    ),
                ),
                (
                    "part",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="reminders",
                        to="maintenance.part",
                    ),
                ),
                (
                    "toolhead",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="reminders",
                        to="maintenance.toolhead",
                    ),
                ),
                (
                    "printer",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="reminders",
                        to="maintenance.printer",
                    ),
                ),
                (
                    "part_kind",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="reminders",
                        to="maintenance.partkind",
                    ),
                ),
                (
                    "feedstock",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="reminders",
                        to="spools.feedstock",
                    ),
                ),
                (
                    "place",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="reminders",
                        to="spools.place",
                    ),
                ),
                ("opened_at", models.DateTimeField()),
                ("due_at", models.DateTimeField(blank=True, null=True)),
                (
                    "amount",
                    models.FloatField(
                        blank=True, help_text="the present value of the monitored amount", null=True
                    ),
                ),
                (
                    "amount_unit",
                    models.CharField(blank=True, help_text="its code, e.g. rh_pct or hot_h", max_length=30),
                ),
                (
                    "amount_falls",
                    models.BooleanField(default=False, help_text="worse the smaller it is, as stock"),
                ),
                (
                    "urgent_since",
                    models.DateTimeField(blank=True, help_text="when it became urgent, once", null=True),
                ),
                ("snoozed_until", models.DateTimeField(blank=True, null=True)),
                ("snoozed_until_amount", models.FloatField(blank=True, null=True)),
                ("ended_at", models.DateTimeField(blank=True, null=True)),
                (
                    "ending",
                    models.CharField(
                        blank=True,
                        choices=[("resolved", "resolved by itself"), ("completed", "completed")],
                        max_length=10,
                    ),
                ),
                ("note", models.CharField(blank=True, max_length=300)),
                (
                    "ended_by",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.SET_NULL,
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
            ],
            options={
                "ordering": ["-opened_at", "-id"],
                "constraints": [
                    models.UniqueConstraint(
                        condition=models.Q(("ended_at__isnull", True)),
                        fields=("condition",),
                        name="one_open_reminder_per_condition",
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="Scale",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("version", models.PositiveIntegerField(default=1, editable=False)),
                ("name", models.CharField(max_length=60, unique=True)),
                (
                    "step_g",
                    models.FloatField(
                        default=1.0,
                        validators=[
                            django.core.validators.MinValueValidator(0.001),
                            django.core.validators.MaxValueValidator(100),
                        ],
                    ),
                ),
                (
                    "tare_g",
                    models.FloatField(
                        default=0.0,
                        help_text="what it shows without a spool",
                        validators=[
                            django.core.validators.MinValueValidator(0),
                            django.core.validators.MaxValueValidator(20000),
                        ],
                    ),
                ),
                (
                    "place",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="scales",
                        to="spools.place",
                    ),
                ),
                (
                    "toolhead",
                    models.ForeignKey(
                        blank=True,
                        help_text="whose holder it carries",
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="scales",
                        to="maintenance.toolhead",
                    ),
                ),
                ("slot", models.PositiveSmallIntegerField(default=1, help_text="of the toolhead, from 1")),
                ("zero_g", models.FloatField(editable=False, null=True)),
                ("zero_at", models.DateTimeField(editable=False, null=True)),
            ],
            options={
                "ordering": ["name"],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(("place", None), ("toolhead", None), _connector="OR"),
                        name="scale_place_or_toolhead",
                        violation_error_code="place_or_toolhead",
                        violation_error_message="Choose the place or the toolhead, not both.",
                    ),
                    models.UniqueConstraint(
                        condition=models.Q(("toolhead__isnull", False)),
                        fields=("toolhead", "slot"),
                        name="one_scale_under_a_holder",
                        violation_error_code="has_a_scale",
                        violation_error_message="Another scale is under this holder. Take that one off it first.",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="ServiceEntry",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("recorded_at", models.DateTimeField(auto_now_add=True)),
                (
                    "recorded_by",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.SET_NULL,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                ("withdrawn_at", models.DateTimeField(blank=True, editable=False, null=True)),
                (
                    "withdrawn_by",
                    models.ForeignKey(
                        blank=True,
                        editable=False,
                        null=True,
                        on_delete=django.db.models.deletion.SET_NULL,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "withdrawn_reason",
                    models.CharField(
                        blank=True,
                        editable=False,
                        help_text="empty: the right one replaces it",
                        max_length=300,
                    ),
                ),
                (
                    "kind",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="entries",
                        to="maintenance.servicekind",
                    ),
                ),
                (
                    "printer",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="services",
                        to="maintenance.printer",
                    ),
                ),
                (
                    "toolhead",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="services",
                        to="maintenance.toolhead",
                    ),
                ),
                ("at", models.DateTimeField()),
                ("note", models.CharField(blank=True, max_length=200)),
            ],
            options={
                "verbose_name_plural": "service entries",
                "ordering": ["-at", "-id"],
            },
        ),
        migrations.CreateModel(
            name="ToolheadBoard",
            fields=[
                (
                    "toolhead",
                    models.OneToOneField(
                        on_delete=django.db.models.deletion.CASCADE,
                        primary_key=True,
                        related_name="board",
                        serialize=False,
                        to="maintenance.toolhead",
                    ),
                ),
                (
                    "generation",
                    models.PositiveIntegerField(help_text="of the toolhead before its facts were read"),
                ),
                ("computed_at", models.DateTimeField()),
                (
                    "good_until",
                    models.DateTimeField(db_index=True, help_text="from then on time alone makes it stale"),
                ),
                ("inputs_json", models.BinaryField(help_text="the ToolheadInputs of the readiness rules")),
                (
                    "materials_json",
                    models.BinaryField(help_text="a MaterialState for each feedstock in use, by its id"),
                ),
                ("upkeep_json", models.BinaryField(help_text="its Upkeep: maintenance/board/upkeep.py")),
            ],
            options={
                "verbose_name_plural": "board of toolheads",
            },
        ),
        migrations.CreateModel(
            name="FlowBlob",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "flow_check",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="blobs",
                        to="maintenance.flowcheck",
                    ),
                ),
                ("flow_mm3_s", models.FloatField()),
                ("repeat", models.PositiveSmallIntegerField(help_text="1 for the first blob of this rate")),
                ("mass_g", models.FloatField()),
            ],
            options={
                "ordering": ["flow_mm3_s", "repeat"],
                "constraints": [
                    models.UniqueConstraint(
                        fields=("flow_check", "flow_mm3_s", "repeat"), name="flow_blob_once"
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("flow_mm3_s__gt", 0), ("mass_g__gte", 0)),
                        name="flow_blob_is_possible",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="JobEvent",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("recorded_at", models.DateTimeField(auto_now_add=True)),
                (
                    "recorded_by",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.SET_NULL,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                ("withdrawn_at", models.DateTimeField(blank=True, editable=False, null=True)),
                (
                    "withdrawn_by",
                    models.ForeignKey(
                        blank=True,
                        editable=False,
                        null=True,
                        on_delete=django.db.models.deletion.SET_NULL,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "withdrawn_reason",
                    models.CharField(
                        blank=True,
                        editable=False,
                        help_text="empty: the right one replaces it",
                        max_length=300,
                    ),
                ),
                (
                    "job",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="events",
                        to="maintenance.job",
                    ),
                ),
                (
                    "kind",
                    models.CharField(
                        choices=[
                            ("planned", "planned"),
                            ("started", "started"),
                            ("changed", "another spool"),
                            ("finished", "finished"),
                            ("failed", "failed"),
                            ("stopped", "stopped"),
                        ],
                        max_length=10,
                    ),
                ),
                ("at", models.DateTimeField()),
                (
                    "hours",
                    models.FloatField(help_text="expected at a plan or start, printed at an end", null=True),
                ),
                ("shares", models.JSONField(default=list)),
                (
                    "state",
                    models.CharField(blank=True, help_text="the verdict at a plan or start", max_length=10),
                ),
                ("reasons", models.JSONField(default=list)),
                ("parts", models.PositiveIntegerField(help_text="how many were printed at once", null=True)),
                ("good_parts", models.PositiveIntegerField(null=True)),
                ("reason", models.CharField(blank=True, max_length=300)),
                (
                    "stopped",
                    spools.models.statements.StatementField(help_text="where it stopped early", null=True),
                ),
                (
                    "basis",
                    models.JSONField(
                        default=list,
                        help_text="ids of the printer's events from which it follows; none: a person's or script's",
                    ),
                ),
            ],
            options={
                "ordering": ["at", "id"],
            },
        ),
        migrations.CreateModel(
            name="JobUse",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "job",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE, related_name="uses", to="maintenance.job"
                    ),
                ),
                (
                    "toolhead",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="job_uses",
                        to="maintenance.toolhead",
                    ),
                ),
                (
                    "spool",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="job_uses",
                        to="spools.spool",
                    ),
                ),
                (
                    "mass_g",
                    models.FloatField(
                        validators=[
                            django.core.validators.MinValueValidator(0.01),
                            django.core.validators.MaxValueValidator(20000),
                        ]
                    ),
                ),
                (
                    "retracted_m",
                    models.FloatField(
                        blank=True,
                        help_text="filament pulled back by all its retractions, m; empty: not known",
                        null=True,
                    ),
                ),
                ("slot", models.PositiveSmallIntegerField(default=1, help_text="of the toolhead, from 1")),
                ("changes", models.FloatField(default=0, help_text="of spool to this one")),
                ("purge_g", models.FloatField(default=0, help_text="the part of its grams that these purge")),
                (
                    "entry",
                    models.OneToOneField(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="job_use",
                        to="spools.massentry",
                    ),
                ),
            ],
            options={
                "constraints": [
                    models.UniqueConstraint(fields=("job", "toolhead", "spool"), name="spool_once_in_a_job")
                ],
            },
        ),
        migrations.CreateModel(
            name="PrinterEvent",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("recorded_at", models.DateTimeField(auto_now_add=True)),
                (
                    "recorded_by",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.SET_NULL,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                ("withdrawn_at", models.DateTimeField(blank=True, editable=False, null=True)),
                (
                    "withdrawn_by",
                    models.ForeignKey(
                        blank=True,
                        editable=False,
                        null=True,
                        on_delete=django.db.models.deletion.SET_NULL,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "withdrawn_reason",
                    models.CharField(
                        blank=True,
                        editable=False,
                        help_text="empty: the right one replaces it",
                        max_length=300,
                    ),
                ),
                (
                    "printer",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="events",
                        to="maintenance.printer",
                    ),
                ),
                ("key", models.CharField(help_text="the sender's own id of the event", max_length=100)),
                ("print_key", models.CharField(help_text="the host's own id of the print", max_length=100)),
                (
                    "kind",
                    models.CharField(
                        choices=[
                            ("planned", "planned"),
                            ("started", "started"),
                            ("progress", "progress"),
                            ("paused", "paused"),
                            ("resumed", "resumed"),
                            ("ran_out", "filament ran out"),
                            ("spool_changed", "another spool"),
                            ("finished", "finished"),
                            ("failed", "failed"),
                            ("stopped", "stopped"),
                        ],
                        max_length=20,
                    ),
                ),
                ("at", models.DateTimeField(help_text="by the clock of this service")),
                ("sender_at", models.DateTimeField(help_text="by the clock of the sender")),
                ("values", models.JSONField(default=dict, help_text="what else it says")),
                (
                    "token",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.SET_NULL,
                        related_name="+",
                        to="access.token",
                    ),
                ),
                (
                    "job",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.SET_NULL,
                        related_name="printer_events",
                        to="maintenance.job",
                    ),
                ),
                (
                    "state",
                    models.CharField(
                        choices=[
                            ("recorded", "recorded"),
                            ("waiting", "waits"),
                            ("by_hand", "does not act"),
                            ("refused", "refused"),
                        ],
                        default="waiting",
                        max_length=10,
                    ),
                ),
                (
                    "errors",
                    models.JSONField(
                        default=list, help_text="field, code and message of each reason to wait"
                    ),
                ),
            ],
            options={
                "ordering": ["-recorded_at", "-id"],
                "indexes": [
                    models.Index(fields=["printer", "print_key"], name="printer_event_print"),
                    models.Index(
                        condition=models.Q(
                            ("state__in", ["waiting", "refused", "by_hand"]), ("withdrawn_at", None)
                        ),
                        fields=["printer", "state"],
                        name="printer_event_open",
                    ),
                ],
                "constraints": [
                    models.UniqueConstraint(fields=("printer", "key"), name="printer_event_once")
                ],
            },
        ),
        migrations.CreateModel(
            name="ReminderEvent",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "reminder",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="events",
                        to="maintenance.reminder",
                    ),
                ),
                (
                    "type",
                    models.CharField(
                        choices=[
                            ("opened", "opened"),
                            ("urgent", "became urgent"),
                            ("snoozed", "snoozed"),
                            ("returned", "open again"),
                            ("completed", "completed"),
                            ("resolved", "resolved by itself"),
                        ],
                        max_length=10,
                    ),
                ),
                ("at", models.DateTimeField()),
                (
                    "detail",
                    spools.models.statements.StatementField(
                        help_text="the end of a snooze, a note, or the amount", null=True
                    ),
                ),
                (
                    "by",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.SET_NULL,
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
            ],
            options={
                "ordering": ["at", "id"],
                "constraints": [
                    models.UniqueConstraint(
                        condition=models.Q(("type__in", ["opened", "urgent", "resolved"])),
                        fields=("reminder", "type"),
                        name="reminder_event_once",
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="Reservation",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "job",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="reservations",
                        to="maintenance.job",
                    ),
                ),
                (
                    "toolhead",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="reservations",
                        to="maintenance.toolhead",
                    ),
                ),
                (
                    "spool",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="reservations",
                        to="spools.spool",
                    ),
                ),
                ("mass_g", models.FloatField()),
                (
                    "nozzle_c",
                    models.FloatField(help_text="of this spool, where the job has several", null=True),
                ),
            ],
            options={
                "constraints": [
                    models.UniqueConstraint(fields=("job", "toolhead", "spool"), name="spool_reserved_once")
                ],
            },
        ),
        migrations.CreateModel(
            name="ScaleMinute",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "scale",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="minutes",
                        to="maintenance.scale",
                    ),
                ),
                ("at", models.DateTimeField(help_text="its start")),
                ("values_g", models.JSONField(help_text="by second")),
            ],
            options={
                "ordering": ["at"],
                "constraints": [models.UniqueConstraint(fields=("scale", "at"), name="scale_minute_once")],
            },
        ),
        migrations.CreateModel(
            name="ScaleWeighing",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("recorded_at", models.DateTimeField(auto_now_add=True)),
                (
                    "recorded_by",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.SET_NULL,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "scale",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="weighings",
                        to="maintenance.scale",
                    ),
                ),
                ("sent_id", models.CharField(blank=True, help_text="the sender's own", max_length=100)),
                ("at", models.DateTimeField()),
                ("mass_g", models.FloatField(help_text="as the scale showed it")),
                ("is_net", models.BooleanField(default=False, help_text="without the reel")),
                ("code", models.CharField(blank=True, help_text="of the spool, as sent", max_length=100)),
                (
                    "spool",
                    models.ForeignKey(
                        help_text="whose it is, or may be while it is held",
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="spools.spool",
                    ),
                ),
                (
                    "entry",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="scale_weighings",
                        to="spools.massentry",
                    ),
                ),
                (
                    "error_g",
                    models.FloatField(help_text="plus or minus; empty: the step of the scale", null=True),
                ),
                (
                    "held",
                    models.CharField(
                        blank=True,
                        help_text="why: the code of a reason; empty: it waits no more",
                        max_length=40,
                    ),
                ),
            ],
            options={
                "ordering": ["-at", "-id"],
                "indexes": [
                    models.Index(fields=["scale", "at"], name="scale_weighing_at"),
                    models.Index(
                        condition=models.Q(("held", ""), _negated=True),
                        fields=["at"],
                        name="scale_weighing_held",
                    ),
                ],
                "constraints": [
                    models.UniqueConstraint(
                        condition=models.Q(("sent_id", ""), _negated=True),
                        fields=("scale", "sent_id"),
                        name="scale_weighing_once",
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="StockEntry",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("recorded_at", models.DateTimeField(auto_now_add=True)),
                (
                    "recorded_by",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.SET_NULL,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                ("withdrawn_at", models.DateTimeField(blank=True, editable=False, null=True)),
                (
                    "withdrawn_by",
                    models.ForeignKey(
                        blank=True,
                        editable=False,
                        null=True,
                        on_delete=django.db.models.deletion.SET_NULL,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "withdrawn_reason",
                    models.CharField(
                        blank=True,
                        editable=False,
                        help_text="empty: the right one replaces it",
                        max_length=300,
                    ),
                ),
                (
                    "kind",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="stock_entries",
                        to="maintenance.partkind",
                    ),
                ),
                ("at", models.DateTimeField()),
                ("change", models.FloatField(help_text="pieces, g or ml, as its kind is counted")),
                ("note", models.CharField(blank=True, max_length=200)),
                (
                    "cause",
                    spools.models.statements.StatementField(
                        blank=True, help_text="the act that it came with; none: recorded by itself", null=True
                    ),
                ),
                (
                    "fitting",
                    models.OneToOneField(
                        blank=True,
                        help_text="what it was taken for",
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="taken",
                        to="maintenance.fitting",
                    ),
                ),
                (
                    "service",
                    models.ForeignKey(
                        blank=True,
                        help_text="that used it",
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="taken",
                        to="maintenance.serviceentry",
                    ),
                ),
                (
                    "charge",
                    models.ForeignKey(
                        blank=True,
                        help_text="that it is in",
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="spools.desiccantcharge",
                    ),
                ),
            ],
            options={
                "ordering": ["at", "id"],
            },
        ),
        migrations.CreateModel(
            name="TroubleReport",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("recorded_at", models.DateTimeField(auto_now_add=True)),
                (
                    "recorded_by",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.SET_NULL,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "job",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="troubles",
                        to="maintenance.job",
                    ),
                ),
                (
                    "toolhead",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="troubles",
                        to="maintenance.toolhead",
                    ),
                ),
                (
                    "spool",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="troubles",
                        to="spools.spool",
                    ),
                ),
                ("at", models.DateTimeField(help_text="the start of the print that it was seen on")),
                ("symptoms", models.JSONField(help_text="keys of maintenance.trouble.causes.SYMPTOMS")),
                ("findings", models.JSONField(help_text="the causes in their order, with the reasons")),
                ("note", models.CharField(blank=True, max_length=300)),
            ],
            options={
                "ordering": ["-at", "-id"],
            },
        ),
        migrations.CreateModel(
            name="Message",
            fields=[
                (
                    "id",
                    models.UUIDField(default=uuid.uuid4, editable=False, primary_key=True, serialize=False),
                ),
                (
                    "channel",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="messages",
                        to="maintenance.channel",
                    ),
                ),
                (
                    "purpose",
                    models.CharField(
                        choices=[
                            ("event", "Event"),
                            ("entry", "Entry"),
                            ("digest", "Digest"),
                            ("test", "Test"),
                            ("shop", "Shop"),
                        ],
                        max_length=10,
                    ),
                ),
                (
                    "event",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="messages",
                        to="maintenance.reminderevent",
                    ),
                ),
                (
                    "digest",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.SET_NULL,
                        related_name="entries",
                        to="maintenance.message",
                    ),
                ),
                ("digest_day", models.DateField(blank=True, null=True)),
                (
                    "sequence",
                    models.PositiveBigIntegerField(
                        blank=True, help_text="of an event of the shop", null=True
                    ),
                ),
                ("body", models.JSONField(default=dict, help_text="the content without its sentences")),
                (
                    "state",
                    models.CharField(
                        choices=[
                            ("waiting", "waiting"),
                            ("bundled", "in a digest"),
                            ("sent", "sent"),
                            ("failed", "failed"),
                            ("expired", "expired"),
                        ],
                        default="waiting",
                        max_length=10,
                    ),
                ),
                ("written_at", models.DateTimeField(default=django.utils.timezone.now)),
                ("not_before", models.DateTimeField(default=django.utils.timezone.now)),
                ("attempts", models.PositiveSmallIntegerField(default=0)),
                ("next_attempt_at", models.DateTimeField(default=django.utils.timezone.now)),
                (
                    "error",
                    spools.models.statements.StatementField(
                        help_text="of the last attempt that failed", null=True
                    ),
                ),
                ("ended_at", models.DateTimeField(blank=True, null=True)),
            ],
            options={
                "ordering": ["-written_at"],
                "indexes": [models.Index(fields=["state", "not_before"], name="message_state_not_before")],
                "constraints": [
                    models.UniqueConstraint(fields=("channel", "event"), name="one_message_an_event"),
                    models.UniqueConstraint(fields=("channel", "digest_day"), name="one_digest_a_day"),
                ],
            },
        ),
        migrations.CreateModel(
            name="ScalePrint",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "scale",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="prints",
                        to="maintenance.scale",
                    ),
                ),
                (
                    "job",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="scale_prints",
                        to="maintenance.job",
                    ),
                ),
                (
                    "spool",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="+", to="spools.spool"
                    ),
                ),
                ("before_g", models.FloatField()),
                ("after_g", models.FloatField()),
                ("error_g", models.FloatField(help_text="of the difference, plus or minus")),
                (
                    "weighing",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="maintenance.scaleweighing",
                    ),
                ),
            ],
            options={
                "ordering": ["-pk"],
                "constraints": [models.UniqueConstraint(fields=("scale", "job"), name="print_weighed_once")],
            },
        ),
        migrations.CreateModel(
            name="TroubleOutcome",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("recorded_at", models.DateTimeField(auto_now_add=True)),
                (
                    "recorded_by",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.SET_NULL,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                ("withdrawn_at", models.DateTimeField(blank=True, editable=False, null=True)),
                (
                    "withdrawn_by",
                    models.ForeignKey(
                        blank=True,
                        editable=False,
                        null=True,
                        on_delete=django.db.models.deletion.SET_NULL,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "withdrawn_reason",
                    models.CharField(
                        blank=True,
                        editable=False,
                        help_text="empty: the right one replaces it",
                        max_length=300,
                    ),
                ),
                (
                    "report",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="outcomes",
                        to="maintenance.troublereport",
                    ),
                ),
                (
                    "cause",
                    models.CharField(
                        choices=[
                            ("wet", "The filament was wet"),
                            ("leftover", "Leftovers of the material before"),
                            ("tangle", "The spool held the filament back"),
                            ("soft_filament", "Soft filament buckles in a long tube"),
                            ("gears_dirty", "Dust and shavings in the drive gears"),
                            ("gears_worn", "Worn drive gears"),
                            ("residue", "Residue narrows the hot end"),
                            ("hot_end_fan", "A weak hot-end fan: heat creeps up"),
                            ("nozzle_worn", "Worn nozzle"),
                            ("liner", "Aged PTFE liner"),
                            ("surface", "A dirty or worn build surface"),
                            ("nature", "That is this polymer's nature"),
                            ("settings", "A setting, or another cause outside the consumables"),
                            ("not_found", "No cause was found"),
                            ("mistake", "Reported by mistake"),
                        ],
                        max_length=20,
                    ),
                ),
                ("note", models.CharField(blank=True, max_length=300)),
            ],
            options={
                "ordering": ["id"],
            },
        ),
        migrations.CreateModel(
            name="WearEntry",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "part",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="wear",
                        to="maintenance.part",
                    ),
                ),
                (
                    "use",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="wear",
                        to="maintenance.jobuse",
                    ),
                ),
                (
                    "dose_km",
                    models.FloatField(
                        help_text="sliding length times filler volume fraction and hardness regime"
                    ),
                ),
                ("feed_km", models.FloatField(help_text="filament length weighted by its filler")),
                (
                    "hot_h",
                    models.FloatField(
                        help_text="hours at the temperature that the part's life is stated for"
                    ),
                ),
                ("residue_h", models.FloatField(help_text="hours at the polymer's usual print temperature")),
                ("hours", models.FloatField(help_text="hours of printing")),
                ("prints", models.FloatField(help_text="1, or a spool's share of a job of several")),
                ("mass_g", models.FloatField()),
            ],
            options={
                "constraints": [models.UniqueConstraint(fields=("part", "use"), name="wear_once")],
            },
        ),
    ]
