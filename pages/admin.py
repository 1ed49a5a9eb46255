"""The admin: the catalogue and the machines can be edited, everything else can only be looked at.

Facts are recorded on the pages and through the API, which check them; the admin is no second way to record one.
"""

from typing import Any

from django.apps import apps
from django.contrib import admin
from django.contrib.auth.admin import UserAdmin
from django.contrib.auth.models import Group
from django.core.exceptions import ValidationError
from django.db import models
from django.http import HttpRequest
from django_otp.plugins.otp_static.models import StaticDevice
from django_otp.plugins.otp_totp.models import TOTPDevice

from access.models import AuditEntry, User
from maintenance.models import Printer, Toolhead
from pages.frame.forms import show_refusal
from pages.frame.versions import VersionedForm
from spools.edits.versions import count_edit
from spools.invalidation import save_assumptions
from spools.inventory import assumptions
from spools.models import CoreKind, Feedstock, Filler, Maker, Polymer, Source
from spools.models.versions import Versioned

COLUMNS = 7
EDITABLE = [Maker, Filler, CoreKind, Source, Printer, Toolhead]


class ReadOnlyAdmin(admin.ModelAdmin):
    """Shows rows and their fields; adds, changes and deletes nothing."""

    def has_add_permission(self, request: HttpRequest) -> bool:
        return False

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False

    def has_delete_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False


class VersionedAdmin(admin.ModelAdmin):
    """Edits rows that have a version."""

    form = VersionedForm

    def save_model(self, request: HttpRequest, obj: Any, form: Any, change: bool) -> None:
        count_edit(obj)
        self.store(obj)

    def store(self, obj: Any) -> None:
        obj.save()


class AssumptionAdmin(VersionedAdmin):
    """Edits rows on which computed moisture rests."""

    def store(self, obj: Any) -> None:
        save_assumptions(obj)


class CheckedForm(VersionedForm):
    """A form whose values pass the check of the pages before they are stored."""

    check: Any

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        if not self.errors:
            for name, value in data.items():
                setattr(self.instance, name, value)
            try:
                type(self).check(self.instance)
            except ValidationError as error:
                show_refusal(self, error)
        return data


class PolymerForm(CheckedForm):
    check = staticmethod(assumptions.validate_polymer)


class FeedstockAdminForm(CheckedForm):
    check = staticmethod(assumptions.validate_feedstock)


@admin.register(Polymer)
class PolymerAdmin(AssumptionAdmin):
    form = PolymerForm
    list_display = ["name", "kind", "dry_cap_c", "limit_hold_pct"]
    search_fields = ["name"]


@admin.register(Feedstock)
class FeedstockAdmin(AssumptionAdmin):
    form = FeedstockAdminForm
    list_display = ["__str__", "polymer", "filler", "diameter_mm"]
    list_select_related = ["maker", "polymer", "filler"]
    search_fields = ["name", "maker__name", "polymer__name"]


@admin.register(User)
class AccountAdmin(UserAdmin):
    """Who may sign in; everybody else changes roles on the page of accounts."""

    list_display = ["username", "role", "is_superuser", "is_active", "last_login"]
    fieldsets = [(None, {"fields": ["username", "password", "email", "role", "is_superuser", "is_active"]})]


def _base(model: type[models.Model]) -> type[admin.ModelAdmin]:
    if model not in EDITABLE:
        return ReadOnlyAdmin
    if model is Filler:
        return AssumptionAdmin
    return VersionedAdmin if issubclass(model, Versioned) else admin.ModelAdmin


def _options(model: type[models.Model]) -> dict[str, Any]:
    """The columns of a model's list: its own fields but for binary ones, foreign keys loaded with the rows."""
    fields = [field for field in model._meta.fields if not isinstance(field, models.BinaryField)]
    shown = [field for field in fields if not field.primary_key][:COLUMNS]
    return {
        "list_display": ["__str__"] + [field.name for field in shown],
        "list_select_related": [field.name for field in shown if field.is_relation] or False,
        "exclude": [field.name for field in model._meta.fields if field not in fields],
    }


# Roles replace groups; secrets of second factors are nobody's to see.
admin.site.unregister([Group, StaticDevice, TOTPDevice])
admin.site.register(AuditEntry, ReadOnlyAdmin, **_options(AuditEntry))
for app in ("spools", "maintenance", "background"):
    for model in apps.get_app_config(app).get_models():
        if model not in (Polymer, Feedstock):
            admin.site.register(model, _base(model), **_options(model))
