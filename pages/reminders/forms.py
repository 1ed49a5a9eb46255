"""Forms of reminders."""

from datetime import datetime, timedelta
from typing import Any

from django import forms
from django.utils import timezone
from django.utils.translation import gettext
from django.utils.translation import gettext_lazy as _

from maintenance.models import Reminder
from maintenance.reminders.groups import Group
from pages.frame.forms import number
from spools.refusals import refusal
from spools.sentences import format_unit

SNOOZE_DAYS = {"1": _("1 day"), "3": _("3 days")}
SNOOZE_SEVERAL_DAYS = {**SNOOZE_DAYS, "14": _("2 weeks")}


class SnoozeForm(forms.Form):
    """For some days, until a time, or until the monitored amount reaches a threshold."""

    days = forms.ChoiceField(choices=[*SNOOZE_DAYS.items(), ("", _("until"))], required=False)
    until = forms.DateTimeField(
        label=_("Until"),
        required=False,
        widget=forms.DateTimeInput(attrs={"type": "datetime-local"}, format="%Y-%m-%dT%H:%M"),
    )

    def __init__(self, data: Any, *, reminder: Reminder) -> None:
        super().__init__(data)
        if reminder.amount is not None:
            label = _("Until at most") if reminder.amount_falls else _("Until at least")
            self.fields["amount"] = number(label, format_unit(reminder.amount_unit), required=False)

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        if not self.errors and not any(data.get(name) not in (None, "") for name in self.fields):
            raise refusal(
                "time_or_amount", gettext("Choose for how long, or give a date and time or an amount.")
            )
        return data

    def until_time(self) -> datetime | None:
        if days := self.cleaned_data["days"]:
            return timezone.now() + timedelta(days=int(days))
        return self.cleaned_data["until"]


class SnoozeSeveralForm(forms.Form):
    """Chosen reminders, or all due ones of a group, for some days."""

    reminders = forms.ModelMultipleChoiceField(Reminder.objects.all(), required=False)
    group = forms.ChoiceField(choices=Group.choices, required=False)
    days = forms.ChoiceField(choices=SNOOZE_SEVERAL_DAYS.items())

    def until_time(self) -> datetime:
        return timezone.now() + timedelta(days=int(self.cleaned_data["days"]))


class CompleteForm(forms.Form):
    note = forms.CharField(label=_("Note"), max_length=300, required=False)


class GroupForm(forms.Form):
    group = forms.ChoiceField(label=_("Group"), choices=Group.choices, required=False)


class EndedForm(forms.Form):
    kind = forms.ChoiceField(
        label=_("Kind"), choices=[("", _("all kinds")), *Reminder.Kind.choices], required=False
    )
    condition = forms.CharField(max_length=80, required=False, widget=forms.HiddenInput)
