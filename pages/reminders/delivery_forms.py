"""Forms of the page where reminders go."""

from collections.abc import Iterator
from typing import Any

from django import forms
from django.utils.text import Truncator

from maintenance.models import Channel, DeliverySettings, Reminder, Subscription

Kind, Timing = Channel.Kind, Subscription.Timing
NOT = ("", "not")
AT_ONCE = (Timing.AT_ONCE.value, "at once")
CHOICES: dict[str, list[tuple[str, str]]] = {
    Kind.EMAIL: [NOT, AT_ONCE, (Timing.DIGEST.value, "in the digest")],
    Kind.CALENDAR: [NOT, (Timing.AT_ONCE.value, "shown")],
    Kind.PAGE: [NOT, (Timing.AT_ONCE.value, "counted")],
}


class TimeField(forms.TimeField):
    def __init__(self, label: str, **options: Any) -> None:
        widget = forms.TimeInput(attrs={"type": "time"}, format="%H:%M")
        super().__init__(label=label, widget=widget, **options)


class TimesForm(forms.Form):
    """When a person wants to hear of things, in the shop's zone."""

    quiet_from = TimeField("Quiet hours from", required=False, help_text="Both empty: none.")
    quiet_to = TimeField("Quiet hours until", required=False, help_text="Both empty: none.")
    pressing_in_quiet = forms.BooleanField(label="Pressing ones come in quiet hours, too", required=False)
    digest_at = TimeField("The digest is sent at")

    def __init__(self, data: Any, wishes: DeliverySettings) -> None:
        names = ("quiet_from", "quiet_to", "pressing_in_quiet", "digest_at")
        super().__init__(data, initial={name: getattr(wishes, name) for name in names})


class EmailForm(forms.Form):
    address = forms.CharField(
        label="E-mail address", max_length=254, widget=forms.EmailInput(attrs={"autocomplete": "email"})
    )
    name = forms.CharField(label="Name", max_length=80, required=False, help_text="Empty: the address.")


class WebhookForm(forms.Form):
    address = forms.CharField(
        label="Web address",
        max_length=1000,
        widget=forms.URLInput(attrs={"placeholder": "https://"}),
        help_text="Events are posted to this address. Use https, except within your own network.",
    )
    name = forms.CharField(label="Name", max_length=80, required=False, help_text="Empty: the address.")


class PushForm(forms.Form):
    """What a browser says of its subscription; a script fills it in."""

    endpoint = forms.CharField(max_length=1000, widget=forms.HiddenInput)
    p256dh = forms.CharField(max_length=200, widget=forms.HiddenInput)
    auth = forms.CharField(max_length=100, widget=forms.HiddenInput)
    name = forms.CharField(max_length=80, required=False, widget=forms.HiddenInput)


class KindsForm(forms.Form):
    """A choice for each kind of reminder and each way: not, at once, in the digest."""

    def __init__(self, data: Any, channels: list[Channel], chosen: dict[str, dict[str, str]]) -> None:
        """chosen: timings by kind, by the name of the way, see ways()."""
        super().__init__(data)
        self.ways = ways(channels)
        for way, (title, way_kind) in self.ways.items():
            for kind, label in Reminder.Kind.choices:
                self.fields[f"{way}-{kind}"] = forms.ChoiceField(
                    label=f"{label}: {title}",
                    choices=CHOICES.get(way_kind, [NOT, AT_ONCE]),
                    required=False,
                    initial=chosen[way].get(kind, ""),
                    widget=forms.Select(attrs={"aria-label": f"{label}: {title}"}),
                )

    def rows(self) -> Iterator[tuple[str, list[tuple[str, forms.BoundField]]]]:
        """Each kind of reminder with its choices, each with the title of its way."""
        for kind, label in Reminder.Kind.choices:
            yield label, [(title, self[f"{way}-{kind}"]) for way, (title, _) in self.ways.items()]

    def asked_about(self, way: str) -> bool:
        """Whether the page that was sent had this way."""
        return f"{way}-{Reminder.Kind.values[0]}" in self.data

    def timings(self, way: str) -> dict[str, str]:
        """What was chosen for one way: a timing by kind, without those that are not told."""
        found = {kind: self.cleaned_data[f"{way}-{kind}"] for kind in Reminder.Kind.values}
        return {kind: timing for kind, timing in found.items() if timing}


def ways(channels: list[Channel]) -> dict[str, tuple[str, str]]:
    """The columns of the choices: a name, with title and kind. The page comes first, chosen or not."""
    found: dict[str, tuple[str, str]] = {"page": ("On the pages", Kind.PAGE)}
    for channel in channels:
        if channel.kind != Kind.PAGE:
            found[f"c{channel.pk}"] = (title_of(channel), channel.kind)
    return found


LONGEST_TITLE = 60


def title_of(channel: Channel) -> str:
    """What a way is called on the page. The address of a calendar or a push service is for machines."""
    if channel.kind == Kind.EMAIL:
        return f"E-mail to {channel}"
    if channel.kind == Kind.WEBHOOK:
        return f"Webhook {Truncator(channel).chars(LONGEST_TITLE)}"
    return channel.name
