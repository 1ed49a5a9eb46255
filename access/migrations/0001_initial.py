import django.contrib.auth.models
import django.contrib.auth.validators
import django.core.serializers.json
import django.db.models.deletion
import django.utils.timezone
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):
    initial = True

    dependencies = [
        ("auth", "0012_alter_user_first_name_max_length"),
    ]

    operations = [
        migrations.CreateModel(
            name="AuditEntry",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("at", models.DateTimeField(db_index=True, default=django.utils.timezone.now)),
                ("user_id", models.PositiveBigIntegerField(null=True)),
                ("user_name", models.CharField(blank=True, max_length=150)),
                (
                    "token",
                    models.CharField(blank=True, help_text="name of the token that was sent", max_length=80),
                ),
                ("address", models.CharField(blank=True, max_length=45)),
                ("request_id", models.CharField(blank=True, help_text="as in the log", max_length=64)),
                ("action", models.CharField(max_length=40)),
                ("subject", models.CharField(blank=True, help_text="kind of the row", max_length=60)),
                ("subject_id", models.CharField(blank=True, max_length=40)),
                ("title", models.CharField(blank=True, max_length=200)),
                (
                    "before",
                    models.JSONField(default=dict, encoder=django.core.serializers.json.DjangoJSONEncoder),
                ),
                (
                    "after",
                    models.JSONField(default=dict, encoder=django.core.serializers.json.DjangoJSONEncoder),
                ),
            ],
            options={
                "ordering": ["-id"],
                "indexes": [models.Index(fields=["user_name", "address", "action"], name="audit_of_a_door")],
            },
        ),
        migrations.CreateModel(
            name="SignInTries",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("key", models.CharField(help_text="account or address", max_length=80, unique=True)),
                ("failures", models.PositiveIntegerField(default=0)),
                ("last_at", models.DateTimeField(db_index=True)),
                ("blocked_until", models.DateTimeField(blank=True, null=True)),
            ],
        ),
        migrations.CreateModel(
            name="User",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("password", models.CharField(max_length=128, verbose_name="password")),
                ("last_login", models.DateTimeField(blank=True, null=True, verbose_name="last login")),
                (
                    "is_superuser",
                    models.BooleanField(
                        default=False,
                        help_text="Designates that this user has all permissions without explicitly assigning them.",
                        verbose_name="superuser status",
                    ),
                ),
                (
                    "username",
                    models.CharField(
                        error_messages={"unique": "A user with that username already exists."},
                        help_text="Required. 150 characters or fewer. Letters, digits and @/./+/-/_ only.",
                        max_length=150,
                        unique=True,
                        validators=[django.contrib.auth.validators.UnicodeUsernameValidator()],
                        verbose_name="username",
                    ),
                ),
                ("first_name", models.CharField(blank=True, max_length=150, verbose_name="first name")),
                ("last_name", models.CharField(blank=True, max_length=150, verbose_name="last name")),
                ("email", models.EmailField(blank=True, max_length=254, verbose_name="email address")),
                (
                    "is_staff",
                    models.BooleanField(
                        default=False,
                        help_text="Designates whether the user can log into this admin site.",
                        verbose_name="staff status",
                    ),
                ),
                (
                    "is_active",
                    models.BooleanField(
                        default=True,
                        help_text="Designates whether this user should be treated as active. Unselect this instead of deleting accounts.",
                        verbose_name="active",
                    ),
                ),
                (
                    "date_joined",
                    models.DateTimeField(default=django.utils.timezone.now, verbose_name="date joined"),
                ),
                (
                    "role",
                    models.CharField(
                        choices=[("view", "look"), ("work", "work"), ("set_up", "set up")],
                        default="view",
                        help_text="Look: read everything. Work: record what happens in the shop. Set up: also the catalogue, machines, places, prices and accounts.",
                        max_length=10,
                    ),
                ),
                (
                    "language",
                    models.CharField(
                        blank=True, help_text="of pages and messages; empty: none chosen", max_length=10
                    ),
                ),
                (
                    "units",
                    models.CharField(
                        blank=True,
                        choices=[("metric", "°C, g, mm"), ("customary", "°F, oz, in")],
                        help_text="empty: none chosen",
                        max_length=10,
                    ),
                ),
                (
                    "must_change_password",
                    models.BooleanField(default=False, help_text="Somebody else has chosen it."),
                ),
                (
                    "groups",
                    models.ManyToManyField(
                        blank=True,
                        help_text="The groups this user belongs to. A user will get all permissions granted to each of their groups.",
                        related_name="user_set",
                        related_query_name="user",
                        to="auth.group",
                        verbose_name="groups",
                    ),
                ),
                (
                    "user_permissions",
                    models.ManyToManyField(
                        blank=True,
                        help_text="Specific permissions for this user.",
                        related_name="user_set",
                        related_query_name="user",
                        to="auth.permission",
                        verbose_name="user permissions",
                    ),
                ),
            ],
            options={
                "verbose_name": "user",
                "verbose_name_plural": "users",
                "abstract": False,
            },
            managers=[
                ("objects", django.contrib.auth.models.UserManager()),
            ],
        ),
        migrations.CreateModel(
            name="Invitation",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "role",
                    models.CharField(
                        choices=[("view", "look"), ("work", "work"), ("set_up", "set up")], max_length=10
                    ),
                ),
                ("email", models.EmailField(blank=True, help_text="where its link is sent", max_length=254)),
                (
                    "added_by",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="invitations",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                ("added_at", models.DateTimeField(default=django.utils.timezone.now)),
                (
                    "ended_at",
                    models.DateTimeField(blank=True, help_text="when it was used or taken back", null=True),
                ),
            ],
            options={
                "ordering": ["-id"],
            },
        ),
        migrations.CreateModel(
            name="Session",
            fields=[
                (
                    "session_key",
                    models.CharField(
                        max_length=40, primary_key=True, serialize=False, verbose_name="session key"
                    ),
                ),
                ("session_data", models.TextField(verbose_name="session data")),
                ("expire_date", models.DateTimeField(db_index=True, verbose_name="expire date")),
                (
                    "user",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="sessions",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
            ],
            options={
                "verbose_name": "session",
                "verbose_name_plural": "sessions",
                "abstract": False,
            },
        ),
        migrations.CreateModel(
            name="Token",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "user",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="tokens",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                ("name", models.CharField(help_text="of the device", max_length=80)),
                (
                    "scope",
                    models.CharField(
                        choices=[
                            ("read", "read everything"),
                            ("readings", "send readings of one place"),
                            ("sensors", "send what all sensors measure"),
                            ("weighings", "record weighings"),
                            ("jobs", "jobs and job files"),
                            ("all", "all that the account may do"),
                        ],
                        max_length=10,
                    ),
                ),
                (
                    "place_id",
                    models.PositiveBigIntegerField(
                        blank=True, help_text="whose readings it may send", null=True
                    ),
                ),
                ("digest", models.CharField(help_text="SHA-256 of its key", max_length=64, unique=True)),
                ("added_at", models.DateTimeField(default=django.utils.timezone.now)),
                ("used_at", models.DateTimeField(blank=True, help_text="last, to a few minutes", null=True)),
                ("expires_at", models.DateTimeField(blank=True, null=True)),
                ("ended_at", models.DateTimeField(blank=True, null=True)),
            ],
            options={
                "ordering": ["-id"],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("place_id__isnull", False), ("scope", "readings")),
                            models.Q(
                                models.Q(("scope", "readings"), _negated=True), ("place_id__isnull", True)
                            ),
                            _connector="OR",
                        ),
                        name="readings_are_those_of_a_place",
                    )
                ],
            },
        ),
    ]
