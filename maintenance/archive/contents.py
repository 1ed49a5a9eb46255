"""The contents of an archive of the whole shop: which tables, and how a row is one line of JSON.

Every table of the program is in exactly one of the lists below, or exported.
"""

import hashlib
import json
from base64 import b64decode, b64encode
from collections.abc import Iterator
from datetime import UTC, date, datetime, time
from decimal import Decimal
from typing import Any
from uuid import UUID

from django.apps import apps
from django.db import models

from spools.statements import Statement

# Computed from the facts: `rebuild` writes them anew.
DERIVED = {
    *("spools.BoxAir", "spools.BoxBoard", "spools.CacheVersion", "spools.Ensemble", "spools.MoisturePoint"),
    *("spools.MoistureState", "spools.Prior", "spools.SpoolBoard", "spools.SpoolLesson", "spools.Stay"),
    *("maintenance.Reservation", "maintenance.ToolheadBoard", "maintenance.WearEntry"),
}
# Secrets, and the trail of who came through the doors: only with the accounts.
WITH_ACCOUNTS = {
    *("access.AuditEntry", "access.Token", "maintenance.Channel", "maintenance.Subscription"),
    *("otp_static.StaticDevice", "otp_static.StaticToken", "otp_totp.TOTPDevice"),
}
LEFT_OUT = {
    "access.Invitation": "its link is signed with the key of the installation",
    "access.Session": "a browser signs in again",
    "access.SignInTries": "of the doors of the installation",
    "access.User_groups": "roles are used instead",
    "access.User_user_permissions": "roles are used instead",
    "admin.LogEntry": "numbers the tables as the installation does",
    "auth.Group": "roles are used instead",
    "auth.Group_permissions": "roles are used instead",
    "auth.Permission": "written by migrate",
    "background.WorkItem": "work in hand",
    "contenttypes.ContentType": "written by migrate",
    "maintenance.Message": "the outbox: the old installation sends it",
    "sessions.Session": "not used",
    "spools.BrokerState": "of the listener that runs",
    "spools.RefusedMessage": "of the listener that runs",
    "spools.SentRequest": "answers to requests that are sent twice",
}
# In a fresh installation, too: replaced by those of the archive.
CATALOGUE = {
    *("access.User", "maintenance.CostRates", "maintenance.PartKind", "maintenance.ServiceKind"),
    *("spools.CoreKind", "spools.Filler", "spools.Maker", "spools.Polymer", "spools.Source"),
}
# Counters of caches, which begin anew.
COUNTERS = {"cache_generation", "board_generation"}
NO_PASSWORD = {"password": "!", "email": "", "last_login": None}


def list_exported(with_accounts: bool) -> list[type[models.Model]]:
    left_out = DERIVED | LEFT_OUT.keys() | (set() if with_accounts else WITH_ACCOUNTS)
    return [model for model in list_tables() if model._meta.label not in left_out]


def list_tables() -> list[type[models.Model]]:
    """Of the program and its libraries, by their labels."""
    tables = [model for model in apps.get_models(include_auto_created=True) if model._meta.managed]
    return sorted(tables, key=lambda model: model._meta.label)


def list_columns(model: type[models.Model]) -> list[models.Field]:
    return [field for field in model._meta.local_concrete_fields if field.attname not in COUNTERS]


def compute_schema(tables: list[type[models.Model]]) -> str:
    """SHA-256 of the names and types of all columns."""
    columns = [
        (model._meta.label, field.attname, field.get_internal_type())
        for model in tables
        for field in list_columns(model)
    ]
    return hashlib.sha256(as_line(columns)).hexdigest()


def read_lines(model: type[models.Model], with_accounts: bool) -> Iterator[bytes]:
    """Each row as a line of JSON, by their keys; equal rows are equal bytes on each database."""
    columns = list_columns(model)
    names = [field.attname for field in columns]
    blank = {} if with_accounts else dict.fromkeys(_find_secret_references(columns))
    if model._meta.label == "access.User" and not with_accounts:
        blank |= NO_PASSWORD
    # No manager of the model's: some leave out what was withdrawn.
    rows: models.QuerySet[Any, Any] = models.QuerySet(model).order_by("pk").values_list(*names)
    for row in rows.iterator(chunk_size=1000):
        yield as_line(dict(zip(names, row, strict=True)) | blank)


def _find_secret_references(columns: list[models.Field]) -> list[str]:
    return [
        field.attname
        for field in columns
        if field.remote_field and field.remote_field.model._meta.label in WITH_ACCOUNTS
    ]


def as_line(value: Any) -> bytes:
    """Floats as the shortest text that is read back to the bit; keys sorted, as PostgreSQL stores them in no order."""
    text = json.dumps(value, default=_encode, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
    return text.encode() + b"\n"


def _encode(value: Any) -> Any:
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat(timespec="microseconds")
    if isinstance(value, time):
        return value.isoformat(timespec="microseconds")
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, Statement):
        return value.as_data()
    if isinstance(value, Decimal | UUID):
        return str(value)
    if isinstance(value, bytes | memoryview):
        return b64encode(bytes(value)).decode()
    raise TypeError(f"{type(value).__name__} has no form in an archive.")


def build_row(model: type[models.Model], line: bytes) -> models.Model:
    """The row of a line, not stored. Raises ValueError, TypeError or KeyError for a line of something else."""
    values = json.loads(line)
    columns = list_columns(model)
    if values.keys() != {field.attname for field in columns}:
        raise ValueError(f"A row of {model._meta.label} has other columns.")
    return model(**{field.attname: _decode(field, values[field.attname]) for field in columns})


def _decode(field: models.Field, value: Any) -> Any:
    if isinstance(field, models.ForeignKey):
        field = field.target_field
    if value is None or isinstance(field, models.JSONField):
        return value
    if isinstance(field, models.BinaryField):
        return b64decode(value, validate=True)
    if isinstance(field, models.DateTimeField):
        return datetime.fromisoformat(value)
    if isinstance(field, models.DateField):
        return date.fromisoformat(value)
    if isinstance(field, models.TimeField):
        return time.fromisoformat(value)
    if isinstance(field, models.DecimalField):
        return Decimal(value)
    return UUID(value) if isinstance(field, models.UUIDField) else value
