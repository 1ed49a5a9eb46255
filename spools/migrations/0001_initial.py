import django.core.validators
import django.db.models.deletion
import django.db.models.functions.comparison
import django.utils.timezone
from django.conf import settings
from django.db import migrations, models

import spools.models.statements


class Migration(migrations.Migration):
    initial = True

    dependencies = [
        ("access", "__first__"),
    ]

    operations = [
        migrations.CreateModel(
            name="BrokerState",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("broker", models.CharField(blank=True, max_length=300)),
                ("protocol", models.CharField(blank=True, help_text="Version of MQTT.", max_length=5)),
                ("connected_at", models.DateTimeField(help_text="None: not connected.", null=True)),
                ("seen_at", models.DateTimeField(help_text="The listener was running then.", null=True)),
                ("connected_until", models.DateTimeField(help_text="It was connected then.", null=True)),
                ("message_at", models.DateTimeField(help_text="Of the last message.", null=True)),
                ("messages", models.PositiveBigIntegerField(default=0)),
                (
                    "problem",
                    models.CharField(
                        blank=True,
                        choices=[
                            ("unknown_host", "No machine has that name. Correct the host in MQTT_URL."),
                            (
                                "unreachable",
                                "The broker does not answer. Start it, or correct host and port in MQTT_URL.",
                            ),
                            (
                                "certificate",
                                "The certificate of the broker is not trusted, or names another host. Give its authority in MQTT_CA_FILE, and the host in MQTT_URL as the certificate has it.",
                            ),
                            (
                                "tls",
                                "TLS failed. Use the port of the broker that takes TLS, or mqtt:// without TLS.",
                            ),
                            (
                                "credentials",
                                "The broker refuses user or password. Correct them in MQTT_URL or MQTT_PASSWORD_FILE.",
                            ),
                            (
                                "version",
                                "The broker does not take this version of MQTT. Set MQTT_VERSION to auto.",
                            ),
                            (
                                "taken_over",
                                "Another client has the same name. Run one listener, or set another MQTT_CLIENT_ID.",
                            ),
                            (
                                "not_subscribed",
                                "The broker refuses a topic to this user. Allow the user to read it.",
                            ),
                            ("lost", "The connection was lost. The listener tries again by itself."),
                        ],
                        max_length=20,
                    ),
                ),
                ("problem_at", models.DateTimeField(null=True)),
                (
                    "detail",
                    models.CharField(
                        blank=True, help_text="Of the problem, in the library's words.", max_length=300
                    ),
                ),
                (
                    "filters",
                    models.JSONField(default=list, help_text="Topics that the broker has as subscribed."),
                ),
                (
                    "unconfirmed",
                    models.JSONField(
                        default=list,
                        help_text="The last messages without a time of their own, which may come again.",
                    ),
                ),
            ],
            options={
                "constraints": [
                    models.CheckConstraint(condition=models.Q(("pk", 1)), name="broker_state_is_one_row")
                ],
            },
        ),
        migrations.CreateModel(
            name="CacheVersion",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("model_version", models.PositiveSmallIntegerField()),
                ("advice_generation", models.PositiveIntegerField(default=0)),
            ],
        ),
        migrations.CreateModel(
            name="CoreKind",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("name", models.CharField(max_length=60, unique=True)),
                ("material", models.CharField(max_length=20)),
                ("mass_g", models.FloatField()),
                ("mass_band_g", models.FloatField(help_text="plus or minus, for an unweighed one")),
                ("core_radius_mm", models.FloatField()),
                ("width_mm", models.FloatField()),
                ("net_mass_g", models.FloatField(help_text="filament it usually carries")),
                ("source", models.CharField(max_length=200)),
            ],
            options={
                "ordering": ["net_mass_g", "name"],
            },
        ),
        migrations.CreateModel(
            name="Filler",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("version", models.PositiveIntegerField(default=1, editable=False)),
                ("name", models.CharField(max_length=40, unique=True)),
                ("density_g_cm3", models.FloatField()),
                ("hardness_hv", models.FloatField(verbose_name="hardness of the hard particles, HV")),
                ("hardness_low_hv", models.FloatField()),
                ("hardness_high_hv", models.FloatField()),
                ("source", models.CharField(max_length=300)),
                ("how", models.CharField(max_length=80)),
            ],
            options={
                "ordering": ["name"],
            },
        ),
        migrations.CreateModel(
            name="Maker",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("version", models.PositiveIntegerField(default=1, editable=False)),
                ("name", models.CharField(max_length=80, unique=True)),
                ("note", models.CharField(blank=True, max_length=200)),
            ],
            options={
                "ordering": ["name"],
            },
        ),
        migrations.CreateModel(
            name="Place",
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
                ("name", models.CharField(max_length=60, unique=True)),
                (
                    "kind",
                    models.CharField(
                        choices=[
                            ("shelf", "shelf"),
                            ("bag", "sealed bag"),
                            ("dry_box", "dry box"),
                            ("dryer", "dryer"),
                            ("printer", "printer"),
                        ],
                        max_length=10,
                    ),
                ),
                (
                    "assumed_temperature_c",
                    models.FloatField(
                        default=21.0,
                        validators=[
                            django.core.validators.MinValueValidator(-20),
                            django.core.validators.MaxValueValidator(150),
                        ],
                    ),
                ),
                (
                    "assumed_rh_pct",
                    models.FloatField(
                        default=50.0,
                        validators=[
                            django.core.validators.MinValueValidator(0),
                            django.core.validators.MaxValueValidator(100),
                        ],
                    ),
                ),
                (
                    "room",
                    models.ForeignKey(
                        blank=True,
                        limit_choices_to={"kind__in": ["shelf", "printer", "dry_box"]},
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="inside",
                        to="spools.place",
                    ),
                ),
                (
                    "max_set_point_c",
                    models.FloatField(
                        blank=True,
                        null=True,
                        validators=[
                            django.core.validators.MinValueValidator(30),
                            django.core.validators.MaxValueValidator(200),
                        ],
                        verbose_name="hottest set point, °C",
                    ),
                ),
                (
                    "set_point_error_c",
                    models.FloatField(
                        default=5.0,
                        validators=[
                            django.core.validators.MinValueValidator(0),
                            django.core.validators.MaxValueValidator(30),
                        ],
                        verbose_name="error of the set point, K",
                    ),
                ),
                (
                    "spool_capacity",
                    models.PositiveSmallIntegerField(
                        blank=True,
                        help_text="of a dryer",
                        null=True,
                        validators=[
                            django.core.validators.MinValueValidator(1),
                            django.core.validators.MaxValueValidator(100),
                        ],
                        verbose_name="spools that fit in at once",
                    ),
                ),
                (
                    "air_exchange",
                    models.CharField(
                        choices=[
                            ("free", "vented freely or by a fan"),
                            ("little", "vented a little"),
                            ("desiccant", "sealed, with desiccant"),
                        ],
                        default="free",
                        max_length=10,
                    ),
                ),
                (
                    "air_flow_l_min",
                    models.FloatField(
                        blank=True,
                        help_text="of a dryer: the air that it takes in, or passes over its desiccant; empty: as usual for its kind",
                        null=True,
                        validators=[
                            django.core.validators.MinValueValidator(0.01),
                            django.core.validators.MaxValueValidator(1000),
                        ],
                        verbose_name="air flow, l/min",
                    ),
                ),
                (
                    "desiccant_dew_point_c",
                    models.FloatField(
                        blank=True,
                        help_text="of a dryer that is sealed, with desiccant; empty: as usual",
                        null=True,
                        validators=[
                            django.core.validators.MinValueValidator(-80),
                            django.core.validators.MaxValueValidator(20),
                        ],
                        verbose_name="dew point over the desiccant, °C",
                    ),
                ),
                ("moved_air", models.BooleanField(default=False, verbose_name="has a fan")),
                (
                    "feeds",
                    models.BooleanField(
                        default=False,
                        help_text="of a dry box or a dryer",
                        verbose_name="filament can be fed from it while it prints",
                    ),
                ),
                (
                    "volume_l",
                    models.FloatField(
                        blank=True,
                        null=True,
                        validators=[
                            django.core.validators.MinValueValidator(0.5),
                            django.core.validators.MaxValueValidator(5000),
                        ],
                        verbose_name="volume, litres",
                    ),
                ),
                (
                    "half_time_h",
                    models.FloatField(
                        blank=True,
                        help_text="hours in which the empty box, without desiccant, comes nearer to its room's humidity by half; 24 h times 0.693 over the air changes a day",
                        null=True,
                        validators=[
                            django.core.validators.MinValueValidator(0.1),
                            django.core.validators.MaxValueValidator(20000),
                        ],
                        verbose_name="half-time while empty, h",
                    ),
                ),
                (
                    "film",
                    models.CharField(
                        blank=True,
                        choices=[
                            ("thin_pe", "thin polyethylene, welded"),
                            ("zip", "polyethylene with a zip"),
                            ("vacuum", "vacuum bag of polyamide and polyethylene"),
                            ("metallised", "metallised"),
                            ("foil", "aluminium foil"),
                        ],
                        max_length=12,
                        verbose_name="film of the bags",
                    ),
                ),
                (
                    "sachet_g",
                    models.FloatField(
                        default=0.0,
                        validators=[
                            django.core.validators.MinValueValidator(0),
                            django.core.validators.MaxValueValidator(500),
                        ],
                        verbose_name="silica gel in each bag, g",
                    ),
                ),
                (
                    "limit_rh_pct",
                    models.FloatField(
                        default=20.0,
                        help_text="of a dry box",
                        validators=[
                            django.core.validators.MinValueValidator(1),
                            django.core.validators.MaxValueValidator(90),
                        ],
                        verbose_name="humidity limit, % RH",
                    ),
                ),
                ("cache_generation", models.PositiveIntegerField(default=0, editable=False)),
            ],
            options={
                "ordering": ["kind", "name"],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            ("kind", "dry_box"),
                            models.Q(("half_time_h__isnull", True), ("volume_l__isnull", True)),
                            _connector="OR",
                        ),
                        name="only_a_box_has_a_half_time",
                        violation_error_code="not_a_dry_box",
                        violation_error_message="Volume and half-time are of dry boxes. Leave them empty here.",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("kind", "dryer"), ("spool_capacity__isnull", True), _connector="OR"
                        ),
                        name="only_a_dryer_tells_its_capacity",
                        violation_error_code="not_a_dryer",
                        violation_error_message="Only a dryer has a number of spools that fit in. Leave it empty here.",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("kind", "bag"), models.Q(("film", ""), ("sachet_g", 0)), _connector="OR"
                        ),
                        name="only_bags_have_a_film",
                        violation_error_code="not_a_bag",
                        violation_error_message="Film and sachet are of sealed bags. Leave them empty here.",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("kind", "dryer"), ("air_flow_l_min__isnull", True), _connector="OR"
                        ),
                        name="only_a_dryer_has_an_air_flow",
                        violation_error_code="not_a_dryer",
                        violation_error_message="Only a dryer has an air flow. Leave it empty here.",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("air_exchange", "desiccant"), ("kind", "dryer")),
                            ("desiccant_dew_point_c__isnull", True),
                            _connector="OR",
                        ),
                        name="only_a_desiccant_dryer_has_a_dew_point",
                        violation_error_code="not_a_desiccant_dryer",
                        violation_error_message="Only a dryer that is sealed, with desiccant, has a dew point. Leave it empty here.",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("kind__in", ["dry_box", "dryer"]), ("feeds", False), _connector="OR"
                        ),
                        name="only_boxes_and_dryers_feed",
                        violation_error_code="cannot_feed",
                        violation_error_message="Filament is fed from dry boxes and dryers. Untick it here.",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("kind", "dryer"), _negated=True),
                            ("max_set_point_c__isnull", False),
                            _connector="OR",
                        ),
                        name="dryer_has_a_limit",
                        violation_error_code="set_point_missing",
                        violation_error_message="A dryer needs its hottest set point.",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="Polymer",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("version", models.PositiveIntegerField(default=1, editable=False)),
                ("name", models.CharField(max_length=40, unique=True)),
                ("kind", models.CharField(max_length=60)),
                ("density_g_cm3", models.FloatField()),
                ("tg_c", models.FloatField(blank=True, null=True, verbose_name="glass transition, °C")),
                ("tm_c", models.FloatField(blank=True, null=True, verbose_name="melting point, °C")),
                ("flow_c", models.FloatField(verbose_name="lowest temperature at which it flows, °C")),
                ("softening_c", models.FloatField(verbose_name="softening point, °C")),
                ("softening_basis", models.CharField(max_length=60)),
                ("dry_cap_c", models.FloatField(verbose_name="highest drying temperature, °C")),
                ("dry_set_c", models.FloatField(verbose_name="usual drying temperature, °C")),
                ("dry_hours", models.CharField(max_length=20, verbose_name="usual drying time, h")),
                ("w50_pct", models.FloatField(verbose_name="uptake at 23 °C and 50 % RH, %")),
                ("w50_low", models.FloatField()),
                ("w50_high", models.FloatField()),
                (
                    "isotherm",
                    models.CharField(
                        choices=[
                            ("henry", "Henry (straight)"),
                            ("gab", "GAB (curved)"),
                            ("flory-huggins", "Flory-Huggins (curved)"),
                        ],
                        max_length=20,
                    ),
                ),
                ("gab_c", models.FloatField(blank=True, null=True)),
                ("gab_k", models.FloatField(blank=True, null=True)),
                ("saturation_pct", models.FloatField(verbose_name="uptake in water, %")),
                ("d23_m2_s", models.FloatField(verbose_name="diffusivity at 23 °C, m²/s")),
                ("d23_low", models.FloatField()),
                ("d23_high", models.FloatField()),
                ("e_d_kj_mol", models.FloatField(verbose_name="activation energy of diffusion, kJ/mol")),
                ("e_d_low", models.FloatField()),
                ("e_d_high", models.FloatField()),
                ("limit_clear_pct", models.FloatField(verbose_name="prints well up to, %")),
                ("limit_hold_pct", models.FloatField(verbose_name="print limit, %")),
                ("limit_basis", models.CharField(max_length=40)),
                (
                    "moulding_limit_pct",
                    models.FloatField(blank=True, null=True, verbose_name="limit for strong parts, %"),
                ),
                ("nozzle_min_c", models.FloatField()),
                ("nozzle_max_c", models.FloatField()),
                ("bed_min_c", models.FloatField()),
                ("bed_max_c", models.FloatField()),
                ("enclosure", models.CharField(max_length=20)),
                ("emission", models.CharField(max_length=60)),
                ("grade_uptake", models.CharField(max_length=1)),
                ("grade_rate", models.CharField(max_length=1)),
            ],
            options={
                "ordering": ["name"],
            },
        ),
        migrations.CreateModel(
            name="RefusedMessage",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("topic", models.CharField(max_length=200, unique=True)),
                ("payload", models.CharField(blank=True, help_text="Its first characters.", max_length=100)),
                (
                    "reason",
                    models.CharField(
                        choices=[
                            ("too_long", "The payload is too long."),
                            ("no_number", "It is not a number."),
                            ("no_json", "It is not JSON."),
                            ("no_value", "None of the values is at its place."),
                            ("no_time", "It has no time of its own and waited at the broker."),
                            ("bad_time", "Its time cannot be read."),
                            ("bad_name", "The name of the sensor is too long."),
                            ("bad_senml", "It is not SenML."),
                            ("bad_state", "It is neither the online nor the offline payload."),
                            ("failed", "It could not be stored; the log has the reason."),
                        ],
                        max_length=20,
                    ),
                ),
                ("times", models.PositiveBigIntegerField(default=1)),
                ("last_at", models.DateTimeField(db_index=True)),
            ],
            options={
                "ordering": ["-last_at", "-id"],
            },
        ),
        migrations.CreateModel(
            name="Sensor",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("name", models.CharField(max_length=100, unique=True)),
                ("added_at", models.DateTimeField(default=django.utils.timezone.now, editable=False)),
                ("seen_at", models.DateTimeField(help_text="the time of its last value", null=True)),
                (
                    "silent_since",
                    models.DateTimeField(help_text="its broker reported that it is gone", null=True),
                ),
                ("temperature_c", models.FloatField(null=True)),
                ("temperature_at", models.DateTimeField(null=True)),
                ("rh_pct", models.FloatField(null=True)),
                ("rh_at", models.DateTimeField(null=True)),
                ("battery_pct", models.FloatField(null=True)),
                ("battery_at", models.DateTimeField(null=True)),
            ],
            options={
                "ordering": ["name"],
            },
        ),
        migrations.CreateModel(
            name="SentRequest",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "account",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                ("address", models.CharField(max_length=300)),
                ("key", models.CharField(max_length=100)),
                ("digest", models.CharField(help_text="of its inputs", max_length=64)),
                ("status", models.PositiveSmallIntegerField(default=0)),
                (
                    "answer",
                    models.TextField(
                        blank=True, help_text="the address of a redirect, or the body of the API's answer"
                    ),
                ),
                ("sent_at", models.DateTimeField(auto_now_add=True, db_index=True)),
            ],
            options={
                "constraints": [
                    models.UniqueConstraint(fields=("account", "address", "key"), name="key_sent_once")
                ],
            },
        ),
        migrations.CreateModel(
            name="TopicRule",
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
                    "topic",
                    models.CharField(
                        help_text="With {sensor} and {quantity} as levels, or + and #.", max_length=200
                    ),
                ),
                (
                    "sensor",
                    models.CharField(
                        blank=True, help_text="Where the topic has no {sensor}.", max_length=100
                    ),
                ),
                (
                    "reads",
                    models.CharField(
                        help_text="Quantities and where they are in the payload.", max_length=300
                    ),
                ),
                ("is_fahrenheit", models.BooleanField(default=False, help_text="Temperatures come in °F.")),
            ],
            options={
                "ordering": ["topic", "id"],
                "constraints": [
                    models.UniqueConstraint(
                        condition=models.Q(("retired_at", None)),
                        fields=("topic", "reads"),
                        name="topic_rule_in_use_once",
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="WeekPlan",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("staffed_from", models.TimeField()),
                ("staffed_to", models.TimeField()),
                ("asked_at", models.DateTimeField(auto_now_add=True)),
                (
                    "asked_by",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.SET_NULL,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                ("made_at", models.DateTimeField(blank=True, null=True)),
                ("notes", spools.models.statements.StatementField(blank=True, default=list)),
                ("accepted_at", models.DateTimeField(blank=True, null=True)),
                (
                    "accepted_by",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.SET_NULL,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "ended_at",
                    models.DateTimeField(blank=True, help_text="when it was replaced or rejected", null=True),
                ),
            ],
            options={
                "ordering": ["-asked_at", "-id"],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(("staffed_from__lt", models.F("staffed_to"))),
                        name="staffed_from_before_to",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("accepted_at__isnull", True), ("made_at__isnull", False), _connector="OR"
                        ),
                        name="accepted_when_computed",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="BoxAir",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "place",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE, related_name="airs", to="spools.place"
                    ),
                ),
                ("at", models.DateTimeField()),
                ("temperature_c", models.FloatField()),
                ("rh_pct", models.FloatField()),
                (
                    "state",
                    models.JSONField(
                        help_text="water in air and desiccant, kg, and contents by spool, kg/kg", null=True
                    ),
                ),
            ],
            options={
                "ordering": ["at"],
                "constraints": [models.UniqueConstraint(fields=("place", "at"), name="box_air_once")],
            },
        ),
        migrations.CreateModel(
            name="BoxBoard",
            fields=[
                (
                    "place",
                    models.OneToOneField(
                        on_delete=django.db.models.deletion.CASCADE,
                        primary_key=True,
                        related_name="+",
                        serialize=False,
                        to="spools.place",
                    ),
                ),
                (
                    "generation",
                    models.PositiveIntegerField(help_text="of the box before its facts were read"),
                ),
                ("computed_at", models.DateTimeField()),
                ("good_until", models.DateTimeField(help_text="from then on time alone makes it stale")),
                ("answer_json", models.BinaryField(help_text="its BoxAnswer; null without desiccant")),
            ],
            options={
                "verbose_name_plural": "board of dry boxes",
            },
        ),
        migrations.CreateModel(
            name="DesiccantCharge",
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
                    "place",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="charges", to="spools.place"
                    ),
                ),
                (
                    "kind",
                    models.CharField(
                        choices=[
                            ("silica_gel", "silica gel"),
                            ("molecular_sieve", "molecular sieve"),
                            ("alumina", "activated alumina"),
                            ("clay", "clay"),
                        ],
                        max_length=20,
                    ),
                ),
                ("dry_mass_g", models.FloatField(help_text="without the water in it")),
                (
                    "condition",
                    models.CharField(
                        choices=[("new", "new"), ("regenerated", "regenerated"), ("unknown", "not known")],
                        max_length=15,
                    ),
                ),
                ("regenerated_c", models.FloatField(blank=True, null=True)),
                ("at", models.DateTimeField()),
                ("note", models.CharField(blank=True, max_length=200)),
            ],
            options={
                "ordering": ["at"],
                "constraints": [
                    models.UniqueConstraint(
                        condition=models.Q(("withdrawn_at__isnull", True)),
                        fields=("place", "at"),
                        name="charge_once",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("dry_mass_g__gte", 0)), name="charge_mass_possible"
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("condition", "regenerated"), ("regenerated_c__isnull", False)),
                            models.Q(
                                models.Q(("condition", "regenerated"), _negated=True),
                                ("regenerated_c__isnull", True),
                            ),
                            _connector="OR",
                        ),
                        name="regenerated_at_a_temperature",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="Feedstock",
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
                    "maker",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="feedstocks",
                        to="spools.maker",
                    ),
                ),
                (
                    "polymer",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="feedstocks",
                        to="spools.polymer",
                    ),
                ),
                ("name", models.CharField(max_length=80)),
                ("colour", models.CharField(blank=True, max_length=40)),
                (
                    "diameter_mm",
                    models.FloatField(
                        default=1.75,
                        validators=[
                            django.core.validators.MinValueValidator(1.0),
                            django.core.validators.MaxValueValidator(3.2),
                        ],
                    ),
                ),
                (
                    "filler",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="feedstocks",
                        to="spools.filler",
                    ),
                ),
                (
                    "filler_mass_fraction",
                    models.FloatField(
                        default=0.0,
                        validators=[
                            django.core.validators.MinValueValidator(0),
                            django.core.validators.MaxValueValidator(0.9),
                        ],
                    ),
                ),
                (
                    "reorder_point_g",
                    models.FloatField(
                        default=0.0, validators=[django.core.validators.MinValueValidator(0.0)]
                    ),
                ),
                (
                    "data_sheet",
                    models.CharField(
                        blank=True, help_text="title and date of the data sheet", max_length=200
                    ),
                ),
                ("density_g_cm3", models.FloatField(blank=True, null=True)),
                ("softening_c", models.FloatField(blank=True, null=True)),
                ("dry_cap_c", models.FloatField(blank=True, null=True)),
                ("dry_set_c", models.FloatField(blank=True, null=True)),
                ("w50_pct", models.FloatField(blank=True, null=True)),
                ("d23_m2_s", models.FloatField(blank=True, null=True)),
                ("limit_clear_pct", models.FloatField(blank=True, null=True)),
                ("limit_hold_pct", models.FloatField(blank=True, null=True)),
                ("nozzle_min_c", models.FloatField(blank=True, null=True)),
                ("nozzle_max_c", models.FloatField(blank=True, null=True)),
                ("bed_min_c", models.FloatField(blank=True, null=True)),
                ("bed_max_c", models.FloatField(blank=True, null=True)),
                ("coupon_passed_c", models.FloatField(editable=False, null=True)),
                ("coupon_failed_c", models.FloatField(editable=False, null=True)),
            ],
            options={
                "ordering": ["polymer__name", "maker__name", "name", "colour"],
                "constraints": [
                    models.UniqueConstraint(
                        fields=("maker", "name", "colour", "diameter_mm"),
                        name="feedstock_once",
                        violation_error_code="there_already",
                        violation_error_message="This maker's product is already in the catalogue in this colour.",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("filler__isnull", True), ("filler_mass_fraction", 0)),
                            models.Q(("filler__isnull", False), ("filler_mass_fraction__gt", 0)),
                            _connector="OR",
                        ),
                        name="feedstock_filler_with_fraction",
                        violation_error_code="filler_fraction",
                        violation_error_message="A filler needs its mass fraction, and only a filler has one.",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="HeldValue",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "sensor",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE, related_name="held", to="spools.sensor"
                    ),
                ),
                (
                    "quantity",
                    models.CharField(
                        choices=[
                            ("temperature", "temperature"),
                            ("humidity", "humidity"),
                            ("battery", "battery"),
                        ],
                        max_length=20,
                    ),
                ),
                ("at", models.DateTimeField()),
                ("value", models.FloatField()),
                (
                    "reason",
                    models.CharField(
                        choices=[
                            ("no_place", "the sensor had no place then"),
                            ("no_partner", "the other value of its reading is missing"),
                            ("impossible", "it cannot be"),
                            ("future", "its time was in the future"),
                            ("long_ago", "its time is before 2000"),
                        ],
                        max_length=20,
                    ),
                ),
                (
                    "recorded_at",
                    models.DateTimeField(db_index=True, default=django.utils.timezone.now, editable=False),
                ),
                (
                    "left_out_at",
                    models.DateTimeField(editable=False, help_text="a person decided so", null=True),
                ),
            ],
            options={
                "ordering": ["at", "id"],
                "constraints": [
                    models.UniqueConstraint(fields=("sensor", "quantity", "at"), name="held_value_once")
                ],
            },
        ),
        migrations.CreateModel(
            name="HourlyMean",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "place",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="hourly_means",
                        to="spools.place",
                    ),
                ),
                ("hour", models.DateTimeField(help_text="when it began, in UTC")),
                ("temperature_c", models.FloatField()),
                ("vapour_pa", models.FloatField(help_text="mean vapour pressure")),
                ("readings", models.PositiveIntegerField(help_text="how many there were")),
            ],
            options={
                "ordering": ["hour"],
                "constraints": [models.UniqueConstraint(fields=("place", "hour"), name="hourly_mean_once")],
            },
        ),
        migrations.CreateModel(
            name="Reading",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("at", models.DateTimeField()),
                ("temperature_c", models.FloatField()),
                ("rh_pct", models.FloatField()),
                (
                    "origin",
                    models.CharField(
                        choices=[
                            ("api", "sensor"),
                            ("humidity", "sensor without a thermometer"),
                            ("file", "file"),
                            ("hand", "read by hand"),
                        ],
                        max_length=10,
                    ),
                ),
                ("recorded_at", models.DateTimeField(default=django.utils.timezone.now, editable=False)),
                (
                    "recorded_by",
                    models.ForeignKey(
                        blank=True,
                        db_index=False,
                        null=True,
                        on_delete=django.db.models.deletion.SET_NULL,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "place",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="readings",
                        to="spools.place",
                    ),
                ),
            ],
            options={
                "ordering": ["at"],
                "constraints": [
                    models.UniqueConstraint(fields=("place", "at"), name="reading_once"),
                    models.CheckConstraint(
                        condition=models.Q(("rh_pct__gte", 0), ("rh_pct__lte", 100)),
                        name="reading_rh_possible",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("temperature_c__gte", -20), ("temperature_c__lte", 150)),
                        name="reading_temperature_possible",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="ReadingWithdrawal",
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
                    "place",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="reading_withdrawals",
                        to="spools.place",
                    ),
                ),
                ("start", models.DateTimeField()),
                ("end", models.DateTimeField()),
                (
                    "reason",
                    models.CharField(
                        blank=True, help_text="empty: the right values replace them", max_length=300
                    ),
                ),
            ],
            options={
                "ordering": ["start", "id"],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(("end__gte", models.F("start"))), name="readings_end_after_start"
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="SaltCheck",
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
                    "place",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="salt_checks",
                        to="spools.place",
                    ),
                ),
                ("at", models.DateTimeField(help_text="when it was read")),
                ("hours", models.FloatField(help_text="in the bag before that")),
                ("temperature_c", models.FloatField()),
                ("rh_pct", models.FloatField(help_text="as it read")),
            ],
            options={
                "ordering": ["at"],
                "constraints": [
                    models.UniqueConstraint(
                        condition=models.Q(("withdrawn_at__isnull", True)),
                        fields=("place", "at"),
                        name="salt_check_once",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("rh_pct__gte", 0), ("rh_pct__lte", 100)),
                        name="salt_check_rh_possible",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("temperature_c__gte", 5), ("temperature_c__lte", 50)),
                        name="salt_check_temperature_possible",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("hours__gte", 2), ("hours__lte", 500)),
                        name="salt_check_hours_possible",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="SensorPlacement",
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
                    "sensor",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="placements",
                        to="spools.sensor",
                    ),
                ),
                (
                    "place",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="placements",
                        to="spools.place",
                    ),
                ),
                ("start", models.DateTimeField()),
            ],
            options={
                "ordering": ["start", "id"],
                "constraints": [
                    models.UniqueConstraint(
                        condition=models.Q(("withdrawn_at__isnull", True)),
                        fields=("sensor", "start"),
                        name="placement_once",
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="Source",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "polymer",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="sources",
                        to="spools.polymer",
                    ),
                ),
                (
                    "subject",
                    models.CharField(help_text="what the source speaks of, in its own words", max_length=160),
                ),
                ("field", models.CharField(blank=True, max_length=40)),
                ("quantity", models.CharField(max_length=300)),
                ("value", models.CharField(max_length=400)),
                ("unit", models.CharField(blank=True, max_length=60)),
                ("conditions", models.CharField(blank=True, max_length=400)),
                ("source", models.CharField(max_length=500)),
                (
                    "number",
                    models.CharField(blank=True, help_text="DOI, standard or report number", max_length=120),
                ),
                ("how", models.CharField(max_length=80)),
                ("notes", models.TextField(blank=True)),
            ],
            options={
                "ordering": ["field", "id"],
            },
        ),
        migrations.CreateModel(
            name="CouponTest",
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
                    "feedstock",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="coupon_tests",
                        to="spools.feedstock",
                    ),
                ),
                ("temperature_c", models.FloatField()),
                ("passed", models.BooleanField()),
                ("at", models.DateTimeField()),
            ],
            options={
                "ordering": ["at", "id"],
            },
        ),
        migrations.CreateModel(
            name="Spool",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("version", models.PositiveIntegerField(default=1, editable=False)),
                ("code", models.CharField(max_length=8, unique=True)),
                (
                    "feedstock",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="spools",
                        to="spools.feedstock",
                    ),
                ),
                ("batch", models.CharField(blank=True, max_length=60)),
                (
                    "price",
                    models.DecimalField(
                        blank=True,
                        decimal_places=2,
                        help_text="paid for all of it",
                        max_digits=8,
                        null=True,
                        validators=[django.core.validators.MinValueValidator(0)],
                    ),
                ),
                (
                    "core_mass_g",
                    models.FloatField(
                        validators=[
                            django.core.validators.MinValueValidator(0),
                            django.core.validators.MaxValueValidator(3000),
                        ]
                    ),
                ),
                (
                    "core_mass_band_g",
                    models.FloatField(default=0, help_text="plus or minus; small when weighed"),
                ),
                (
                    "core_mass_known",
                    models.BooleanField(default=False, help_text="weighed or printed on the reel"),
                ),
                (
                    "core_material",
                    models.CharField(
                        choices=[
                            ("unknown", "not known"),
                            ("polystyrene", "polystyrene"),
                            ("abs", "ABS"),
                            ("pp", "polypropylene"),
                            ("pc", "polycarbonate"),
                            ("pet", "recycled PET or PETG"),
                            ("pla", "printed, or PLA"),
                            ("cardboard", "cardboard"),
                        ],
                        default="unknown",
                        max_length=20,
                    ),
                ),
                (
                    "core_cap_c",
                    models.FloatField(blank=True, help_text="the reel's own limit, where stated", null=True),
                ),
                (
                    "core_radius_mm",
                    models.FloatField(
                        validators=[
                            django.core.validators.MinValueValidator(5),
                            django.core.validators.MaxValueValidator(200),
                        ]
                    ),
                ),
                (
                    "width_mm",
                    models.FloatField(
                        validators=[
                            django.core.validators.MinValueValidator(5),
                            django.core.validators.MaxValueValidator(300),
                        ]
                    ),
                ),
                ("sealed", models.BooleanField(default=True, help_text="came in an unbroken bag")),
                (
                    "card",
                    models.CharField(
                        choices=[
                            ("unknown", "not looked at"),
                            ("dry", "dry"),
                            ("wet", "wet"),
                            ("missing", "no card in the bag"),
                        ],
                        default="unknown",
                        max_length=10,
                    ),
                ),
                ("received_at", models.DateTimeField(default=django.utils.timezone.now)),
                ("ended_at", models.DateTimeField(blank=True, editable=False, null=True)),
                ("respooled_at", models.JSONField(blank=True, default=list, editable=False)),
                (
                    "created_by",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.SET_NULL,
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                ("cache_generation", models.PositiveIntegerField(default=0, editable=False)),
            ],
            options={
                "ordering": ["-received_at", "-id"],
            },
        ),
        migrations.CreateModel(
            name="WithdrawnReading",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("at", models.DateTimeField()),
                ("temperature_c", models.FloatField()),
                ("rh_pct", models.FloatField()),
                (
                    "origin",
                    models.CharField(
                        choices=[
                            ("api", "sensor"),
                            ("humidity", "sensor without a thermometer"),
                            ("file", "file"),
                            ("hand", "read by hand"),
                        ],
                        max_length=10,
                    ),
                ),
                ("recorded_at", models.DateTimeField(default=django.utils.timezone.now, editable=False)),
                (
                    "recorded_by",
                    models.ForeignKey(
                        blank=True,
                        db_index=False,
                        null=True,
                        on_delete=django.db.models.deletion.SET_NULL,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "withdrawal",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="readings",
                        to="spools.readingwithdrawal",
                    ),
                ),
            ],
            options={
                "ordering": ["at", "id"],
            },
        ),
        migrations.CreateModel(
            name="Ending",
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
                    "spool",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="endings", to="spools.spool"
                    ),
                ),
                (
                    "kind",
                    models.CharField(
                        choices=[
                            ("empty", "used up"),
                            ("given_away", "given away"),
                            ("thrown_away", "thrown away"),
                            ("lost", "lost"),
                            ("mistake", "never here: received by mistake"),
                        ],
                        max_length=12,
                    ),
                ),
                ("at", models.DateTimeField()),
                ("note", models.CharField(blank=True, max_length=200)),
            ],
            options={
                "ordering": ["at", "id"],
                "constraints": [
                    models.UniqueConstraint(
                        condition=models.Q(("withdrawn_at__isnull", True)),
                        fields=("spool",),
                        name="spool_ends_once",
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="Ensemble",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "spool",
                    models.OneToOneField(
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="ensemble",
                        to="spools.spool",
                    ),
                ),
                ("last_at", models.DateTimeField(help_text="the last weighing that is in it")),
                ("names", models.JSONField(help_text="of the numbers of the members")),
                ("points", models.BinaryField(help_text="the members, see spools/physics/evidence.py")),
                (
                    "divided",
                    models.JSONField(
                        help_text="how the last weighing divides into filament, water and reel, kg"
                    ),
                ),
            ],
        ),
        migrations.CreateModel(
            name="MassEntry",
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
                    "spool",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="mass_entries",
                        to="spools.spool",
                    ),
                ),
                (
                    "kind",
                    models.CharField(
                        choices=[
                            ("received", "received"),
                            ("weighed", "weighed"),
                            ("printed", "printed"),
                            ("removed", "cut off by hand"),
                            ("moved", "joined onto another spool"),
                            ("joined", "joined from another spool"),
                        ],
                        max_length=10,
                    ),
                ),
                ("at", models.DateTimeField()),
                ("net_change_g", models.FloatField(blank=True, null=True)),
                ("gross_g", models.FloatField(blank=True, null=True)),
                ("resolution_g", models.FloatField(default=1.0, help_text="the scale's smallest step")),
                ("core_mass_g", models.FloatField(blank=True, editable=False, null=True)),
                ("core_band_g", models.FloatField(blank=True, editable=False, null=True)),
                ("note", models.CharField(blank=True, max_length=200)),
                (
                    "cause",
                    spools.models.statements.StatementField(
                        blank=True, help_text="the act that it came with; none: recorded by itself", null=True
                    ),
                ),
            ],
            options={
                "ordering": ["at", "id"],
                "indexes": [models.Index(fields=["spool", "at"], name="spools_mass_spool_i_58c733_idx")],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(
                                ("gross_g__isnull", False),
                                ("kind", "weighed"),
                                ("net_change_g__isnull", True),
                            ),
                            models.Q(
                                models.Q(("kind", "weighed"), _negated=True),
                                ("gross_g__isnull", True),
                                ("net_change_g__isnull", False),
                            ),
                            _connector="OR",
                        ),
                        name="mass_entry_one_number",
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="MoisturePoint",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "spool",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="moisture_points",
                        to="spools.spool",
                    ),
                ),
                ("at", models.DateTimeField()),
                ("p10_pct", models.FloatField()),
                ("p50_pct", models.FloatField()),
                ("p90_pct", models.FloatField()),
            ],
            options={
                "ordering": ["at"],
                "constraints": [models.UniqueConstraint(fields=("spool", "at"), name="moisture_point_once")],
            },
        ),
        migrations.CreateModel(
            name="MoistureState",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "spool",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="moisture_states",
                        to="spools.spool",
                    ),
                ),
                ("at", models.DateTimeField()),
                (
                    "memory",
                    models.BinaryField(
                        help_text="the winding's state for all members, see spools/physics/winding.py"
                    ),
                ),
                (
                    "exposure_hours",
                    models.FloatField(help_text="hours outside dry storage since the last complete drying"),
                ),
                (
                    "dry_hours",
                    models.FloatField(default=0.0, help_text="hours in dry storage since the last exposure"),
                ),
                (
                    "heat_hours",
                    models.FloatField(default=0.0, help_text="hours in dryers over the spool's life"),
                ),
            ],
            options={
                "ordering": ["at"],
                "constraints": [models.UniqueConstraint(fields=("spool", "at"), name="checkpoint_once")],
            },
        ),
        migrations.CreateModel(
            name="Move",
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
                    "spool",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="moves", to="spools.spool"
                    ),
                ),
                (
                    "place",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="+", to="spools.place"
                    ),
                ),
                ("at", models.DateTimeField()),
                ("until", models.DateTimeField(blank=True, null=True)),
            ],
            options={
                "ordering": ["at", "id"],
                "indexes": [models.Index(fields=["spool", "at"], name="spools_move_spool_i_af3fc8_idx")],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            ("until__isnull", True), ("until__gt", models.F("at")), _connector="OR"
                        ),
                        name="past_stay_ends_after_start",
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="Opening",
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
                    "spool",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="openings",
                        to="spools.spool",
                    ),
                ),
                ("at", models.DateTimeField()),
                (
                    "card",
                    models.CharField(
                        choices=[
                            ("unknown", "not looked at"),
                            ("dry", "dry"),
                            ("wet", "wet"),
                            ("missing", "no card in the bag"),
                        ],
                        default="unknown",
                        max_length=10,
                    ),
                ),
                (
                    "card_before",
                    models.CharField(
                        choices=[
                            ("unknown", "not looked at"),
                            ("dry", "dry"),
                            ("wet", "wet"),
                            ("missing", "no card in the bag"),
                        ],
                        help_text="of the spool until then",
                        max_length=10,
                    ),
                ),
                ("note", models.CharField(blank=True, max_length=200)),
                (
                    "cause",
                    spools.models.statements.StatementField(
                        blank=True, help_text="the act that it came with; none: recorded by itself", null=True
                    ),
                ),
            ],
            options={
                "ordering": ["at", "id"],
            },
        ),
        migrations.CreateModel(
            name="PrintRequest",
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
                ("name", models.CharField(blank=True, max_length=80)),
                (
                    "spool",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="spools.spool",
                    ),
                ),
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
                ("mass_g", models.FloatField()),
                ("due_at", models.DateTimeField(help_text="when it is to be good")),
                ("urgent", models.BooleanField(default=False, help_text="its lateness counts four times")),
            ],
            options={
                "ordering": ["due_at", "id"],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(
                                ("feedstock__isnull", True),
                                ("polymer__isnull", True),
                                ("spool__isnull", False),
                            ),
                            models.Q(
                                ("feedstock__isnull", False),
                                ("polymer__isnull", True),
                                ("spool__isnull", True),
                            ),
                            models.Q(
                                ("feedstock__isnull", True),
                                ("polymer__isnull", False),
                                ("spool__isnull", True),
                            ),
                            _connector="OR",
                        ),
                        name="print_request_of_one_thing",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("mass_g__gt", 0)), name="print_request_grams_above_zero"
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="Prior",
            fields=[
                (
                    "spool",
                    models.OneToOneField(
                        on_delete=django.db.models.deletion.CASCADE,
                        primary_key=True,
                        related_name="prior",
                        serialize=False,
                        to="spools.spool",
                    ),
                ),
                (
                    "spools",
                    models.PositiveSmallIntegerField(
                        help_text="that taught it; 0: it has that of the catalogue"
                    ),
                ),
                (
                    "knowledge",
                    models.BinaryField(
                        help_text="see spools/moisture/feedstock_lessons.py; empty without them"
                    ),
                ),
            ],
        ),
        migrations.CreateModel(
            name="Respooling",
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
                    "spool",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="respoolings",
                        to="spools.spool",
                    ),
                ),
                ("at", models.DateTimeField()),
                ("before", models.JSONField()),
                ("note", models.CharField(blank=True, max_length=200)),
            ],
            options={
                "ordering": ["at", "id"],
            },
        ),
        migrations.CreateModel(
            name="SpoolCorrection",
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
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="corrections",
                        to="spools.spool",
                    ),
                ),
                ("changes", models.JSONField()),
                ("reason", models.CharField(blank=True, max_length=300)),
            ],
            options={
                "ordering": ["recorded_at", "id"],
            },
        ),
        migrations.CreateModel(
            name="SpoolLesson",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "spool",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE, related_name="lessons", to="spools.spool"
                    ),
                ),
                ("weighings", models.PositiveSmallIntegerField()),
                ("last_at", models.DateTimeField(help_text="the last of these weighings")),
                ("numbers", models.BinaryField(help_text="see spools/physics/lessons.py")),
            ],
            options={
                "constraints": [models.UniqueConstraint(fields=("spool", "weighings"), name="lesson_once")],
            },
        ),
        migrations.CreateModel(
            name="DryingRun",
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
                    "spool",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="drying_runs",
                        to="spools.spool",
                    ),
                ),
                (
                    "dryer",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="drying_runs",
                        to="spools.place",
                    ),
                ),
                ("first_set_point_c", models.FloatField(blank=True, null=True)),
                ("first_hours", models.FloatField(blank=True, null=True)),
                ("set_point_c", models.FloatField()),
                ("start_cap_c", models.FloatField()),
                ("cap_c", models.FloatField()),
                ("cap_reason", spools.models.statements.StatementField(null=True)),
                ("planned_hours", models.FloatField()),
                ("target_pct", models.FloatField()),
                ("mass_g", models.FloatField(blank=True, null=True)),
                ("start", models.DateTimeField()),
                ("end", models.DateTimeField(blank=True, null=True)),
                (
                    "entered_late",
                    models.BooleanField(default=False, help_text="after it was over, past the gate"),
                ),
                (
                    "move",
                    models.ForeignKey(
                        help_text="by which it came into the dryer",
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="spools.move",
                    ),
                ),
                (
                    "move_out",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="spools.move",
                    ),
                ),
                ("hold", spools.models.statements.StatementField(blank=True, null=True)),
                ("override_reason", models.CharField(blank=True, max_length=300)),
                (
                    "before",
                    models.OneToOneField(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="drying_run_before",
                        to="spools.massentry",
                    ),
                ),
                (
                    "after",
                    models.OneToOneField(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="drying_run_after",
                        to="spools.massentry",
                    ),
                ),
            ],
            options={
                "ordering": ["start", "id"],
                "constraints": [
                    models.UniqueConstraint(
                        condition=models.Q(("end__isnull", True), ("withdrawn_at__isnull", True)),
                        fields=("spool",),
                        name="spool_in_one_drying_run",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("end__isnull", True), ("end__gt", models.F("start")), _connector="OR"
                        ),
                        name="drying_run_ends_after_start",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("hold__isnull", True),
                            models.Q(("override_reason", ""), _negated=True),
                            ("entered_late", True),
                            _connector="OR",
                        ),
                        name="drying_hold_needs_a_reason",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("set_point_c__lte", models.F("cap_c")), ("entered_late", True), _connector="OR"
                        ),
                        name="set_point_below_cap",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            (
                                "start_cap_c__gte",
                                django.db.models.functions.comparison.Coalesce(
                                    "first_set_point_c", "set_point_c"
                                ),
                            ),
                            ("entered_late", True),
                            _connector="OR",
                        ),
                        name="drying_starts_below_its_cap",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("first_hours__isnull", True), ("first_set_point_c__isnull", True)),
                            models.Q(
                                ("first_hours__gt", 0),
                                ("first_hours__isnull", False),
                                ("first_hours__lt", models.F("planned_hours")),
                                ("first_set_point_c__isnull", False),
                                ("first_set_point_c__lt", models.F("set_point_c")),
                            ),
                            _connector="OR",
                        ),
                        name="drying_first_stage_is_cooler",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="Joining",
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
                    "taken",
                    models.OneToOneField(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="joining_from",
                        to="spools.massentry",
                    ),
                ),
                (
                    "added",
                    models.OneToOneField(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="joining_to",
                        to="spools.massentry",
                    ),
                ),
                ("at", models.DateTimeField()),
                ("note", models.CharField(blank=True, max_length=200)),
            ],
            options={
                "ordering": ["at", "id"],
            },
        ),
        migrations.CreateModel(
            name="PlannedPrint",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "plan",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="prints",
                        to="spools.weekplan",
                    ),
                ),
                (
                    "request",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="planned",
                        to="spools.printrequest",
                    ),
                ),
                (
                    "spool",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="spools.spool",
                    ),
                ),
                ("dried", models.BooleanField(default=False, help_text="good only after its planned drying")),
                (
                    "good_at",
                    models.DateTimeField(blank=True, help_text="after drying, as it was planned", null=True),
                ),
                (
                    "reason",
                    spools.models.statements.StatementField(
                        help_text="why it is late or not made; null: it is in time", null=True
                    ),
                ),
            ],
            options={
                "ordering": ["request__due_at", "id"],
                "constraints": [
                    models.UniqueConstraint(fields=("plan", "request"), name="print_request_planned_once")
                ],
            },
        ),
        migrations.CreateModel(
            name="Stay",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "spool",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="stays", to="spools.spool"
                    ),
                ),
                (
                    "place",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="stays", to="spools.place"
                    ),
                ),
                ("start", models.DateTimeField()),
                ("end", models.DateTimeField(blank=True, null=True)),
                (
                    "move",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="+", to="spools.move"
                    ),
                ),
            ],
            options={
                "ordering": ["start", "spool_id"],
                "constraints": [
                    models.UniqueConstraint(fields=("spool", "start"), name="stay_starts_once"),
                    models.UniqueConstraint(
                        condition=models.Q(("end__isnull", True)),
                        fields=("spool",),
                        name="spool_in_one_place",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("end__isnull", True), ("end__gt", models.F("start")), _connector="OR"
                        ),
                        name="stay_ends_after_start",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="PlannedDrying",
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
                    "plan",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="dryings",
                        to="spools.weekplan",
                    ),
                ),
                (
                    "spool",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="+", to="spools.spool"
                    ),
                ),
                (
                    "dryer",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="+", to="spools.place"
                    ),
                ),
                ("first_set_point_c", models.FloatField(blank=True, null=True)),
                ("first_hours", models.FloatField(blank=True, null=True)),
                ("set_point_c", models.FloatField()),
                ("start", models.DateTimeField()),
                ("end", models.DateTimeField()),
                ("target_pct", models.FloatField()),
                (
                    "mass_g",
                    models.FloatField(
                        blank=True, help_text="only the outermost turns; empty: all of it", null=True
                    ),
                ),
                (
                    "pinned",
                    models.BooleanField(default=False, help_text="stays as it is when it is planned again"),
                ),
                (
                    "ended_at",
                    models.DateTimeField(blank=True, help_text="when it was cancelled or moved", null=True),
                ),
                (
                    "ended_by",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.SET_NULL,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "run",
                    models.OneToOneField(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="planned_drying",
                        to="spools.dryingrun",
                    ),
                ),
            ],
            options={
                "ordering": ["start", "dryer", "id"],
                "constraints": [
                    models.UniqueConstraint(
                        condition=models.Q(("ended_at__isnull", True)),
                        fields=("plan", "spool"),
                        name="spool_planned_once",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("end__gt", models.F("start"))),
                        name="planned_drying_ends_after_start",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("first_hours__isnull", True), ("first_set_point_c__isnull", True)),
                            models.Q(
                                ("first_hours__gt", 0),
                                ("first_hours__isnull", False),
                                ("first_set_point_c__isnull", False),
                                ("first_set_point_c__lt", models.F("set_point_c")),
                            ),
                            _connector="OR",
                        ),
                        name="planned_first_stage_is_cooler",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="SpoolBoard",
            fields=[
                (
                    "spool",
                    models.OneToOneField(
                        on_delete=django.db.models.deletion.CASCADE,
                        primary_key=True,
                        related_name="board",
                        serialize=False,
                        to="spools.spool",
                    ),
                ),
                (
                    "generation",
                    models.PositiveIntegerField(help_text="of the spool's caches before its facts were read"),
                ),
                ("computed_at", models.DateTimeField()),
                (
                    "good_until",
                    models.DateTimeField(db_index=True, help_text="from then on time alone makes it stale"),
                ),
                (
                    "place",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="+",
                        to="spools.place",
                    ),
                ),
                (
                    "air_temperature_c",
                    models.FloatField(
                        help_text="the air that it was in; none where it breathes none", null=True
                    ),
                ),
                ("air_rh_pct", models.FloatField(null=True)),
                ("p10_pct", models.FloatField()),
                ("p50_pct", models.FloatField()),
                ("p90_pct", models.FloatField()),
                (
                    "over_clear",
                    models.FloatField(help_text="share of the members above the limit for printing well"),
                ),
                ("over_hold", models.FloatField(help_text="share of the members above the print limit")),
                (
                    "state",
                    models.CharField(
                        choices=[("clear", "clear"), ("caution", "caution"), ("hold", "hold")], max_length=10
                    ),
                ),
                ("low_g", models.FloatField()),
                ("mass_g", models.FloatField()),
                ("high_g", models.FloatField()),
                (
                    "run",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="+",
                        to="spools.dryingrun",
                    ),
                ),
                (
                    "run_dry_at",
                    models.DateTimeField(
                        help_text="when all of it is likely dry; none: not in this run", null=True
                    ),
                ),
                (
                    "ready_at",
                    models.DateTimeField(
                        help_text="when its drying is done, by its run or its advice; none: not here, or not needed",
                        null=True,
                    ),
                ),
                (
                    "advice",
                    spools.models.statements.StatementField(
                        help_text="how it is to be dried: spools/drying/advice.py"
                    ),
                ),
                (
                    "advice_generation",
                    models.PositiveIntegerField(
                        help_text="of the shop's advice before it was computed; none where it rests on the spool alone",
                        null=True,
                    ),
                ),
                (
                    "advice_good_until",
                    models.DateTimeField(
                        help_text="from then on time alone makes it stale; none: as long as nothing is recorded",
                        null=True,
                    ),
                ),
                (
                    "decided_by",
                    spools.models.statements.StatementField(
                        default=list,
                        help_text="unknowns that decide if it is over a limit: spools/moisture/deciding.py",
                    ),
                ),
                (
                    "heat_share",
                    models.FloatField(
                        help_text="used of the heat budget for life; none without one", null=True
                    ),
                ),
                (
                    "prints_well_until",
                    models.DateTimeField(
                        help_text="in its place, from then on possibly over the clear limit; none: not within a year",
                        null=True,
                    ),
                ),
                (
                    "printable_until",
                    models.DateTimeField(help_text="likewise over the print limit", null=True),
                ),
                (
                    "outlooks_json",
                    models.BinaryField(help_text="an AirOutlook for each class of air of the shop"),
                ),
            ],
            options={
                "verbose_name_plural": "board of spools",
            },
        ),
    ]
