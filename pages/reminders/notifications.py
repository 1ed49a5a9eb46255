"""Notification settings: a person's channels, the kinds that each carries, quiet hours, and sent messages."""

from typing import Any

from django.conf import settings
from django.contrib import messages
from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Q, QuerySet
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.cache import cache_control
from django.views.decorators.http import conditional_page, require_POST, require_safe

from maintenance.models import Channel, Message, Reminder
from maintenance.reminders.delivery import channels, confirmation, feed, mail, outbox, push, shop_events
from maintenance.reminders.delivery.wording import news_of
from pages.frame.forms import apply, post_data
from pages.frame.notices import notify_refused
from pages.reminders.notification_forms import (
    AgainForm,
    EmailForm,
    EventsForm,
    KindsForm,
    PushForm,
    TimesForm,
    WebhookForm,
    title_of,
)

Kind = Channel.Kind
SHOWN = 30


def notifications(request: HttpRequest) -> HttpResponse:
    settings = outbox.settings_of(request.user)
    form = TimesForm(post_data(request), settings)
    if apply(form, lambda data: channels.save_times(settings, **data)):
        messages.success(request, _("Saved. Messages that are waiting keep their time."))
        return redirect("notifications")
    return _render(request, times=form)


@require_POST
def kinds(request: HttpRequest) -> HttpResponse:
    user_channels = channels.open_channels(request.user)
    form = KindsForm(request.POST, user_channels, _timings_by_column(user_channels))
    if apply(form, lambda _: _save_kinds(request, form, user_channels)):
        messages.success(request, _("Saved."))
        return redirect("notifications")
    return _render(request, kinds=form)


@transaction.atomic
def _save_kinds(request: HttpRequest, form: KindsForm, user_channels: list[Channel]) -> None:
    """Channels that were added since the page was shown are unchanged."""
    page = next((channel for channel in user_channels if channel.kind == Kind.PAGE), None)
    if form.has_column("page"):
        channels.count_on_page(request.user, page, form.timings("page"))
    for channel in user_channels:
        if form.has_column(f"c{channel.pk}"):
            channels.subscribe(channel, form.timings(f"c{channel.pk}"))


def _render(
    request: HttpRequest, times: TimesForm | None = None, kinds: KindsForm | None = None
) -> HttpResponse:
    user_channels = channels.open_channels(request.user)
    own_messages = Message.objects.filter(channel__user=request.user.pk).select_related("channel")
    entries = own_messages.filter(purpose=Message.Purpose.ENTRY, state=Message.State.WAITING)
    listed = own_messages.exclude(purpose=Message.Purpose.ENTRY).exclude(state=Message.State.BUNDLED)
    return render(
        request,
        "reminders/notifications/page.html",
        {
            "times": times or TimesForm(None, outbox.settings_of(request.user)),
            "kinds": kinds or KindsForm(None, user_channels, _timings_by_column(user_channels)),
            "channels": [
                _channel_row(channel, request) for channel in user_channels if channel.kind != Kind.PAGE
            ],
            "has_calendar": any(channel.kind == Kind.CALENDAR for channel in user_channels),
            "email_is_set_up": mail.is_set_up(),
            "public_url": settings.PUBLIC_URL,
            "push_key": _push_key(),
            "push_form": PushForm(),
            "messages_sent": [_row(message) for message in listed[:SHOWN]],
            "for_digest": entries.count(),
            "zone": timezone.get_default_timezone_name(),
        },
    )


def _timings_by_column(user_channels: list[Channel]) -> dict[str, dict[str, str]]:
    """Timings by kind, by the column of the channel."""
    all_at_once = dict.fromkeys(Reminder.Kind.values, "at_once")
    timings: dict[str, dict[str, str]] = {"page": all_at_once}
    for channel in user_channels:
        name = "page" if channel.kind == Kind.PAGE else f"c{channel.pk}"
        timings[name] = dict(channel.subscriptions.values_list("reminder_kind", "timing"))
    return timings


def _channel_row(channel: Channel, request: HttpRequest) -> dict[str, Any]:
    tried = channel.messages.filter(attempts__gt=0)
    failed = (
        tried.filter(Q(error__isnull=False)).order_by("-next_attempt_at").first()
        if channel.failures
        else None
    )
    last = tried.exclude(state=Message.State.EXPIRED).order_by("-written_at").first()
    return {
        "channel": channel,
        "title": title_of(channel),
        "error": None if failed is None else failed.error,
        # A refused message does not mean that the channel is down, but a receiver may refuse all messages.
        "refused": None if last is None or channel.failures else last.error,
        "feed": _site(request) + reverse("calendar-feed", args=[channel.address])
        if channel.kind == Kind.CALENDAR
        else "",
    }


def _site(request: HttpRequest) -> str:
    return settings.PUBLIC_URL or f"{request.scheme}://{request.get_host()}"


def _row(message: Message) -> dict[str, Any]:
    backoff_until = message.channel.backoff_until or message.next_attempt_at
    return {
        "message": message,
        "next_attempt_at": max(message.next_attempt_at, backoff_until),
        "subject": news_of(message.body),
        "title": title_of(message.channel),
        "retry": message.state == Message.State.FAILED and message.channel.ended_at is None,
    }


def _push_key() -> str:
    """Empty if no key can be stored: then browsers cannot be notified."""
    try:
        return push.public_key()
    except (OSError, ValueError):
        return ""


# Channels


def add_email(request: HttpRequest) -> HttpResponse:
    form = EmailForm(post_data(request))
    if apply(form, lambda data: channels.add_email(request.user, **data, site=_site(request))):
        messages.success(
            request, _("Added. Open the link in the e-mail that is on its way to confirm the address.")
        )
        return redirect("notifications")
    return render(
        request, "reminders/notifications/add_email.html", {"form": form, "is_set_up": mail.is_set_up()}
    )


def add_webhook(request: HttpRequest) -> HttpResponse:
    form = WebhookForm(post_data(request))
    added: list[Channel] = []
    if apply(form, lambda data: added.append(channels.add_webhook(request.user, **data))):
        return _secret_page(request, added[0])
    return render(request, "reminders/notifications/add_webhook.html", {"form": form})


def _secret_page(request: HttpRequest, channel: Channel) -> HttpResponse:
    """The only page that shows the secret."""
    return render(
        request, "reminders/notifications/secret.html", {"channel": channel, "title": title_of(channel)}
    )


@require_POST
def add_push(request: HttpRequest) -> HttpResponse:
    form = PushForm(request.POST)
    if apply(form, lambda data: channels.add_push(request.user, **data)):
        messages.success(request, _("This browser will get notifications. Send a test."))
    else:
        messages.error(
            request,
            _("This browser's subscription cannot be read, nothing was saved. Try again."),
            extra_tags="impossible_subscription",
        )
    return redirect("notifications")


@require_POST
def add_calendar(request: HttpRequest) -> HttpResponse:
    channels.open_calendar(request.user)
    messages.success(request, _("The calendar has a new address. Subscribe to it on the phone."))
    return redirect("notifications")


def channel_secret(request: HttpRequest, pk: int) -> HttpResponse:
    channel = get_object_or_404(_user_channels(request), pk=pk, kind=Kind.WEBHOOK)
    if channel.ended_at is not None:
        return _redirect_ended(request, channel)
    if request.method == "POST":
        channels.renew_secret(channel)
        return _secret_page(request, channel)
    return render(request, "reminders/notifications/renew_secret.html", {"title": title_of(channel)})


def channel_events(request: HttpRequest, pk: int) -> HttpResponse:
    """The kinds of events that a webhook carries."""
    channel = get_object_or_404(_user_channels(request), pk=pk, kind=Kind.WEBHOOK)
    if channel.ended_at is not None:
        return _redirect_ended(request, channel)
    form = EventsForm(post_data(request), channel)
    if apply(form, lambda data: shop_events.choose_kinds(channel, data["kinds"])):
        messages.success(request, _("Saved. It gets these events from now on."))
        return redirect("channel-events", pk=pk)
    return _events_page(request, channel, form, AgainForm())


@require_POST
def channel_again(request: HttpRequest, pk: int) -> HttpResponse:
    """Send the events since a time again."""
    channel = get_object_or_404(_user_channels(request), pk=pk, kind=Kind.WEBHOOK)
    if channel.ended_at is not None:
        return _redirect_ended(request, channel)
    form, counts = AgainForm(request.POST), []
    if apply(form, lambda data: counts.append(shop_events.send_again(channel, since=data["since"]))):
        sent = ngettext("{number} event is sent again.", "{number} events are sent again.", counts[0])
        messages.success(request, sent.format(number=counts[0]))
        return redirect("notifications")
    return _events_page(request, channel, EventsForm(None, channel), form)


def _events_page(request: HttpRequest, channel: Channel, kinds: EventsForm, again: AgainForm) -> HttpResponse:
    context = {"channel": channel, "title": title_of(channel), "kinds": kinds, "again": again}
    return render(request, "reminders/notifications/events.html", context)


def channel_end(request: HttpRequest, pk: int) -> HttpResponse:
    channel = get_object_or_404(_user_channels(request), pk=pk)
    if channel.ended_at is not None:
        return _redirect_ended(request, channel)
    if request.method == "POST":
        channels.end(channel)
        messages.success(request, _("{channel}: ended.").format(channel=title_of(channel)))
        return redirect("notifications")
    return render(
        request, "reminders/notifications/end.html", {"title": title_of(channel), "channel": channel}
    )


@require_POST
def channel_test(request: HttpRequest, pk: int) -> HttpResponse:
    channel = get_object_or_404(_user_channels(request), pk=pk)
    if channel.ended_at is not None:
        return _redirect_ended(request, channel)
    try:
        outbox.send_test(channel, _site(request))
        messages.success(request, _("A test is on its way. Refresh in a moment: the result is listed below."))
    except ValidationError as error:
        notify_refused(request, error)
    return redirect("notifications")


@require_POST
def message_retry(request: HttpRequest, pk: str) -> HttpResponse:
    message = get_object_or_404(Message, pk=pk, channel__user=request.user)
    try:
        outbox.retry(message)
        messages.success(request, _("It will be sent again."))
    except ValidationError as error:
        notify_refused(request, error)
    return redirect("notifications")


def _user_channels(request: HttpRequest) -> QuerySet[Channel]:
    return Channel.objects.filter(user=request.user.pk)


def _redirect_ended(request: HttpRequest, channel: Channel) -> HttpResponse:
    """The answer to a second tap or an old page."""
    messages.error(
        request,
        _("{channel} has ended already. Add it again if you want it back.").format(channel=title_of(channel)),
        extra_tags="ended_already",
    )
    return redirect("notifications")


def channel_confirm(request: HttpRequest, token: str) -> HttpResponse:
    """The link in an e-mail. It asks for a tap: mail programs open links by themselves."""
    channel = confirmation.find_channel(token)
    if channel is None:
        raise Http404
    if request.method == "POST":
        confirmation.confirm(channel)
        messages.success(request, _("The address is confirmed: reminders are sent to it."))
        return redirect("notifications")
    return render(request, "reminders/notifications/confirm.html", {"address": channel.address})


# For machines


@require_safe
@cache_control(private=True, no_cache=True)
@conditional_page
def calendar_feed(request: HttpRequest, token: str) -> HttpResponse:
    """A person's calendar; its address is the key to it."""
    channel = feed.calendar_of(token)
    if channel is None:
        raise Http404
    return HttpResponse(feed.as_ical(channel), content_type="text/calendar; charset=utf-8")
