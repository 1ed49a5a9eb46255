"""Forms of the notification settings."""

from collections.abc import Iterator
from typing import Any

from django import forms
from django.utils.text import Truncator
from django.utils.translation import gettext
from django.utils.translation import gettext_lazy as _

from maintenance.models import Channel, NotificationSettings, Reminder, ShopEvent, Subscription
from pages.frame.forms import WhenField
from pages.frame.versions import VersionField, edited_meanwhile, renew_version, require_latest_version

Kind, Timing = Channel.Kind, Subscription.Timing
NOT = ("", _("not"))
AT_ONCE = (Timing.AT_ONCE.value, _("at once"))
CHOICES: dict[str, list[tuple[str, Any]]] = {
    Kind.EMAIL: [NOT, AT_ONCE, (Timing.DIGEST.value, _("in the digest"))],
    Kind.CALENDAR: [NOT, (Timing.AT_ONCE.value, _("shown"))],
    Kind.PAGE: [NOT, (Timing.AT_ONCE.value, _("counted"))],
}


class TimeField(forms.TimeField):
    def __init__(self, label: Any, **options: Any) -> None:
        widget = forms.TimeInput(attrs={"type": "time"}, format="%H:%M")
        super().__init__(label=label, widget=widget, **options)


class TimesForm(forms.Form):
    """Quiet hours and the time of the digest, in the shop's zone."""

    quiet_from = TimeField(_("Quiet hours from"), required=False, help_text=_("Both empty: none."))
    quiet_to = TimeField(_("Quiet hours until"), required=False, help_text=_("Both empty: none."))
    urgent_in_quiet = forms.BooleanField(label=_("Send urgent reminders in quiet hours, too"), required=False)
    digest_at = TimeField(_("The digest is sent at"))
    read_version = VersionField()

    def __init__(self, data: Any, settings: NotificationSettings) -> None:
        self.settings = settings
        names = ("quiet_from", "quiet_to", "urgent_in_quiet", "digest_at")
        initial = {name: getattr(settings, name) for name in names}
        super().__init__(data, initial=initial | {"read_version": settings.version})

    def clean(self) -> dict[str, Any]:
        require_latest_version(self, self.settings)
        return self.cleaned_data


class EmailForm(forms.Form):
    address = forms.CharField(
        label=_("E-mail address"), max_length=254, widget=forms.EmailInput(attrs={"autocomplete": "email"})
    )
    name = forms.CharField(label=_("Name"), max_length=80, required=False, help_text=_("Empty: the address."))


class WebhookForm(forms.Form):
    address = forms.CharField(
        label=_("Web address"),
        max_length=1000,
        widget=forms.URLInput(attrs={"placeholder": "https://", "translate": "no"}),
        help_text=_("Each event is posted to this address. Use https, unless it is in your own network."),
    )
    name = forms.CharField(label=_("Name"), max_length=80, required=False, help_text=_("Empty: the address."))


class EventsForm(forms.Form):
    """The kinds of events of the shop that a webhook carries."""

    kinds = forms.MultipleChoiceField(
        label=_("Sent to this webhook"),
        required=False,
        widget=forms.CheckboxSelectMultiple,
        choices=[(kind.value, kind.label) for kind in ShopEvent.Kind],
        help_text=_("Reminders are chosen on the page of the notification settings."),
    )
    read_version = VersionField()

    def __init__(self, data: Any, channel: Channel) -> None:
        self.channel = channel
        super().__init__(data, initial={"kinds": channel.event_kinds, "read_version": channel.version})

    def clean(self) -> dict[str, Any]:
        require_latest_version(self, self.channel)
        return self.cleaned_data


class AgainForm(forms.Form):
    since = WhenField(
        label=_("Recorded since"),
        required=True,
        help_text=_("Events that were recorded then or later are sent with the ids that they had."),
    )


class PushForm(forms.Form):
    """The subscription of a browser; a script fills it in."""

    endpoint = forms.CharField(max_length=1000, widget=forms.HiddenInput)
    p256dh = forms.CharField(max_length=200, widget=forms.HiddenInput)
    auth = forms.CharField(max_length=100, widget=forms.HiddenInput)
    name = forms.CharField(max_length=80, required=False, widget=forms.HiddenInput)


class KindsForm(forms.Form):
    """A choice for each kind of reminder and each channel: not, at once, in the digest."""

    def __init__(self, data: Any, channels: list[Channel], chosen: dict[str, dict[str, str]]) -> None:
        """chosen: timings by kind, by the column of the channel, see columns()."""
        super().__init__(data)
        self.columns = columns(channels)
        self.versions = dict.fromkeys(self.columns, 0) | {
            _column(channel): channel.version for channel in channels
        }
        for column, version in self.versions.items():
            self.fields[_version_name(column)] = VersionField(initial=version)
        for column, (title, channel_kind) in self.columns.items():
            for kind, label in Reminder.Kind.choices:
                self.fields[f"{column}-{kind}"] = forms.ChoiceField(
                    label=f"{label}: {title}",
                    choices=CHOICES.get(channel_kind, [NOT, AT_ONCE]),
                    required=False,
                    initial=chosen[column].get(kind, ""),
                    widget=forms.Select(attrs={"aria-label": f"{label}: {title}"}),
                )

    def clean(self) -> dict[str, Any]:
        """Refused: a column whose kinds were changed since the page was opened."""
        old = [
            f"{column}-"
            for column, version in self.versions.items()
            if renew_version(self, _version_name(column), version)
        ]
        if old:
            fields: dict[str, Any] = self.fields
            raise edited_meanwhile(
                f"{self[name].label}: {dict(field.choices)[field.initial]}"
                for name, field in fields.items()
                if name in self.changed_data and name.startswith(tuple(old)) and not field.widget.is_hidden
            )
        return self.cleaned_data

    def rows(self) -> Iterator[tuple[str, list[tuple[str, forms.BoundField]]]]:
        """Each kind of reminder with its choices, each with the title of its channel."""
        for kind, label in Reminder.Kind.choices:
            yield (
                str(label),
                [(title, self[f"{column}-{kind}"]) for column, (title, _kind) in self.columns.items()],
            )

    def has_column(self, column: str) -> bool:
        """Whether the submitted page had this column."""
        return f"{column}-{Reminder.Kind.values[0]}" in self.data

    def timings(self, column: str) -> dict[str, str]:
        """The timing of each kind that was chosen in a column."""
        chosen = {kind: self.cleaned_data[f"{column}-{kind}"] for kind in Reminder.Kind.values}
        return {kind: timing for kind, timing in chosen.items() if timing}


def _column(channel: Channel) -> str:
    return "page" if channel.kind == Kind.PAGE else f"c{channel.pk}"


def _version_name(column: str) -> str:
    return f"{column}-read_version"


def columns(channels: list[Channel]) -> dict[str, tuple[str, str]]:
    """The columns of the choices: a name, with title and kind. The page comes first, chosen or not."""
    titles: dict[str, tuple[str, str]] = {"page": (gettext("On the pages"), Kind.PAGE)}
    for channel in channels:
        if channel.kind != Kind.PAGE:
            titles[_column(channel)] = (title_of(channel), channel.kind)
    return titles


LONGEST_TITLE = 60


def title_of(channel: Channel) -> str:
    """The title of a channel on the page. The address of a calendar or a push service is for machines."""
    if channel.kind == Kind.EMAIL:
        return gettext("E-mail to {channel}").format(channel=channel)
    if channel.kind == Kind.WEBHOOK:
        return gettext("Webhook {channel}").format(channel=Truncator(channel).chars(LONGEST_TITLE))
    return channel.name
