"""The audit trail: who came in, and who changed accounts, tokens, channels, the catalogue and machines, from what to what.

An app has its models watched (watch()); their rows are compared before and after each save within a request. Only what a
person does through the pages or the API is recorded: commands belong to the owner of the machine.
"""

from collections.abc import Iterable
from typing import Any

from django.contrib.auth.signals import user_logged_in, user_logged_out
from django.db.models import Model
from django.db.models.signals import post_delete, post_save, pre_save
from django.http import HttpRequest

from access.models import AuditEntry, Token, User
from background.logs import REQUEST_ID, current_request

# Of a secret only that it changed is recorded.
HIDDEN = "…"
NEVER = {
    "id",
    "version",
    "board_generation",
    "cache_generation",
    "last_login",
    "used_at",
    "backoff_until",
    "events_until",
    "failures",
}
_watched: dict[type[Model], set[str]] = {}


def record(action: str, subject: Model | None = None, user: Any = None, **values: Any) -> None:
    """Add an entry for the present request; without one nothing is added. values: of AuditEntry."""
    request = current_request.get()
    if request is None:
        return
    user = user or getattr(request, "user", None)
    token = getattr(request, "auth", None)
    if user is not None and user.pk is not None:
        values |= {"user_id": user.pk, "user_name": user.get_username()}
    if subject is not None:
        name = str(subject._meta.verbose_name)
        values |= {"subject": name, "subject_id": str(subject.pk), "title": str(subject)[:200]}
    AuditEntry.objects.create(
        action=action,
        token=token.name if isinstance(token, Token) else "",
        address=request.META.get("REMOTE_ADDR", "")[:45],
        request_id=request.META.get(REQUEST_ID, ""),
        **values,
    )


def watch(models: Iterable[type[Model]], secret: Iterable[str] = ()) -> None:
    """Record each row of the models that is added, changed or deleted. secret: columns whose values are not recorded."""
    for model in models:
        _watched[model] = set(secret)
        for signal, receiver in ((pre_save, _before), (post_save, _after), (post_delete, _deleted)):
            signal.connect(
                receiver, model, dispatch_uid=f"access.audit.{model._meta.label}.{receiver.__name__}"
            )


def _before(sender: type[Model], instance: Any, raw: bool = False, **_: Any) -> None:
    if current_request.get() is not None and not raw:
        instance._audit_before = _stored(sender, instance)


def _after(sender: type[Model], instance: Any, created: bool, raw: bool = False, **_: Any) -> None:
    if current_request.get() is None or raw:
        return
    before, after = instance.__dict__.pop("_audit_before", {}), _stored(sender, instance)
    changed = {name for name in after if before.get(name) != after[name]}
    if not changed:
        return
    secret = _watched[sender]
    shown = [
        {
            name: HIDDEN if name in secret else row[name]
            for name in sorted(changed)
            if row.get(name) not in (None, "")
        }
        for row in (before, after)
    ]
    record("added" if created else "changed", instance, before=shown[0], after=shown[1])


def _deleted(sender: type[Model], instance: Any, **_: Any) -> None:
    record("deleted", instance)


def _stored(model: type[Model], instance: Any) -> dict[str, Any]:
    """The row as it is in the database; empty when it is not there yet."""
    if instance.pk is None:
        return {}
    names = [field.attname for field in model._meta.concrete_fields if field.attname not in NEVER]
    return model._base_manager.filter(pk=instance.pk).values(*names).first() or {}


def _signed_in(sender: object, request: HttpRequest, user: User, **_: Any) -> None:
    record("signed_in", user=user)


def _signed_out(sender: object, request: HttpRequest, user: User | None, **_: Any) -> None:
    if user is not None:
        record("signed_out", user=user)


user_logged_in.connect(_signed_in, dispatch_uid="access.audit.in")
user_logged_out.connect(_signed_out, dispatch_uid="access.audit.out")
