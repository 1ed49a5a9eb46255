"""Where reminders go: each person's own ways, what they tell and when, and what was sent."""

from typing import Any

from django.conf import settings
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.contrib.staticfiles import finders
from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Q, QuerySet
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.cache import cache_control, never_cache
from django.views.decorators.http import conditional_page, require_POST, require_safe

from maintenance.models import Channel, Message, Reminder
from maintenance.reminders.delivery import channels, feed, mail, outbox, push
from maintenance.reminders.delivery.wording import news_of
from pages.frame.forms import carried_out, sent
from pages.reminders.delivery_forms import EmailForm, KindsForm, PushForm, TimesForm, WebhookForm, title_of

Kind = Channel.Kind
SHOWN = 30


@never_cache
@login_required
def delivery(request: HttpRequest) -> HttpResponse:
    form = TimesForm(sent(request), outbox.settings_of(request.user))
    if carried_out(form, lambda data: channels.keep_times(request.user, **data)):
        messages.success(request, "Saved. What is waiting already keeps its time.")
        return redirect("delivery")
    return _page(request, times=form)


@login_required
@require_POST
def delivery_kinds(request: HttpRequest) -> HttpResponse:
    mine = channels.open_channels(request.user)
    form = KindsForm(request.POST, mine, _chosen(mine))
    if carried_out(form, lambda _: _keep_kinds(request, form, mine)):
        messages.success(request, "Saved: what is told where.")
        return redirect("delivery")
    return _page(request, kinds=form)


@transaction.atomic
def _keep_kinds(request: HttpRequest, form: KindsForm, mine: list[Channel]) -> None:
    """Ways that were added since the page was shown keep what they tell."""
    if form.asked_about("page"):
        channels.count_on_page(request.user, form.timings("page"))
    for channel in mine:
        if form.asked_about(f"c{channel.pk}"):
            channels.tell(channel, form.timings(f"c{channel.pk}"))


def _page(
    request: HttpRequest, times: TimesForm | None = None, kinds: KindsForm | None = None
) -> HttpResponse:
    mine = channels.open_channels(request.user)
    own = Message.objects.filter(channel__user=request.user.pk).select_related("channel")
    entries = own.filter(purpose=Message.Purpose.ENTRY, state=Message.State.WAITING)
    told = own.exclude(purpose=Message.Purpose.ENTRY).exclude(state=Message.State.BUNDLED)
    return render(
        request,
        "reminders/delivery/page.html",
        {
            "times": times or TimesForm(None, outbox.settings_of(request.user)),
            "kinds": kinds or KindsForm(None, mine, _chosen(mine)),
            "ways": [_way(channel, request) for channel in mine if channel.kind != Kind.PAGE],
            "has_calendar": any(channel.kind == Kind.CALENDAR for channel in mine),
            "email_is_set_up": mail.is_set_up(),
            "public_url": settings.PUBLIC_URL,
            "push_key": _push_key(),
            "push_form": PushForm(),
            "messages_sent": [_row(message) for message in told[:SHOWN]],
            "for_digest": entries.count(),
            "zone": timezone.get_default_timezone_name(),
        },
    )


def _chosen(mine: list[Channel]) -> dict[str, dict[str, str]]:
    """Timings by kind, by the name of the way."""
    every = dict.fromkeys(Reminder.Kind.values, "at_once")
    chosen: dict[str, dict[str, str]] = {"page": every}
    for channel in mine:
        name = "page" if channel.kind == Kind.PAGE else f"c{channel.pk}"
        chosen[name] = dict(channel.subscriptions.values_list("reminder_kind", "timing"))
    return chosen


def _way(channel: Channel, request: HttpRequest) -> dict[str, Any]:
    tried = channel.messages.filter(attempts__gt=0)
    failed = tried.filter(~Q(error="")).order_by("-next_try_at").first() if channel.failures else None
    last = tried.exclude(state=Message.State.LAPSED).order_by("-written_at").first()
    base = settings.PUBLIC_URL or f"{request.scheme}://{request.get_host()}"
    return {
        "channel": channel,
        "title": title_of(channel),
        "error": failed.error if failed is not None else "",
        # What fails for its own sake says nothing of the way, but a receiver may refuse all that comes.
        "refused": last.error if last is not None and not channel.failures else "",
        "feed": base + reverse("calendar-feed", args=[channel.address])
        if channel.kind == Kind.CALENDAR
        else "",
    }


def _row(message: Message) -> dict[str, Any]:
    rest = message.channel.resting_until or message.next_try_at
    return {
        "message": message,
        # While its way rests after a failure nothing is tried by it.
        "next_try_at": max(message.next_try_at, rest),
        "subject": news_of(message.body),
        "title": title_of(message.channel),
        "retry": message.state == Message.State.DEAD and message.channel.ended_at is None,
    }


def _push_key() -> str:
    """Empty where no key can be kept: then browsers cannot be told."""
    try:
        return push.public_key()
    except (OSError, ValueError):
        return ""


# Ways


@login_required
def delivery_email(request: HttpRequest) -> HttpResponse:
    form = EmailForm(sent(request))
    if carried_out(form, lambda data: channels.add_email(request.user, **data)):
        messages.success(request, "Added. Send a test to see that it arrives.")
        return redirect("delivery")
    return render(request, "reminders/delivery/add_email.html", {"form": form, "is_set_up": mail.is_set_up()})


@never_cache
@login_required
def delivery_webhook(request: HttpRequest) -> HttpResponse:
    form = WebhookForm(sent(request))
    added: list[Channel] = []
    if carried_out(form, lambda data: added.append(channels.add_webhook(request.user, **data))):
        return _secret(request, added[0])
    return render(request, "reminders/delivery/add_webhook.html", {"form": form})


def _secret(request: HttpRequest, channel: Channel) -> HttpResponse:
    """The one page that shows a secret; asked for again it is another secret."""
    return render(request, "reminders/delivery/secret.html", {"channel": channel, "title": title_of(channel)})


@login_required
@require_POST
def delivery_push(request: HttpRequest) -> HttpResponse:
    form = PushForm(request.POST)
    if carried_out(form, lambda data: channels.add_push(request.user, **data)):
        messages.success(request, "This browser is told. Send a test to see that it arrives.")
    else:
        messages.error(request, "This browser's subscription cannot be read, nothing was saved. Try again.")
    return redirect("delivery")


@login_required
@require_POST
def delivery_calendar(request: HttpRequest) -> HttpResponse:
    channels.open_calendar(request.user)
    messages.success(request, "The calendar has a new address. Subscribe to it on the phone.")
    return redirect("delivery")


@never_cache
@login_required
def channel_secret(request: HttpRequest, pk: int) -> HttpResponse:
    channel = get_object_or_404(_own(request), pk=pk, kind=Kind.WEBHOOK)
    if channel.ended_at is not None:
        return _ended_already(request, channel)
    if request.method == "POST":
        channels.renew_secret(channel)
        return _secret(request, channel)
    return render(request, "reminders/delivery/renew_secret.html", {"title": title_of(channel)})


@login_required
def channel_end(request: HttpRequest, pk: int) -> HttpResponse:
    channel = get_object_or_404(_own(request), pk=pk)
    if channel.ended_at is not None:
        return _ended_already(request, channel)
    if request.method == "POST":
        channels.end(channel)
        messages.success(request, f"{title_of(channel)}: ended.")
        return redirect("delivery")
    return render(request, "reminders/delivery/end.html", {"title": title_of(channel), "channel": channel})


@login_required
@require_POST
def channel_test(request: HttpRequest, pk: int) -> HttpResponse:
    channel = get_object_or_404(_own(request), pk=pk)
    if channel.ended_at is not None:
        return _ended_already(request, channel)
    try:
        outbox.send_test(channel)
        messages.success(
            request, "A test is on its way. Look again in a moment: what came of it is listed below."
        )
    except ValidationError as error:
        messages.error(request, " ".join(error.messages))
    return redirect("delivery")


@login_required
@require_POST
def message_again(request: HttpRequest, pk: str) -> HttpResponse:
    message = get_object_or_404(Message, pk=pk, channel__user=request.user)
    try:
        outbox.try_again(message)
        messages.success(request, "Sending again.")
    except ValidationError as error:
        messages.error(request, " ".join(error.messages))
    return redirect("delivery")


def _own(request: HttpRequest) -> QuerySet[Channel]:
    return Channel.objects.filter(user=request.user.pk)


def _ended_already(request: HttpRequest, channel: Channel) -> HttpResponse:
    """The answer to a second tap or an old page."""
    messages.error(request, f"{title_of(channel)} has ended already. Add it again if you want it back.")
    return redirect("delivery")


# What machines ask for


@require_safe
@cache_control(private=True, no_cache=True)
@conditional_page
def calendar_feed(request: HttpRequest, token: str) -> HttpResponse:
    """A person's calendar; its address is the key to it."""
    channel = feed.feed_of(token)
    if channel is None:
        raise Http404
    return HttpResponse(feed.as_ical(channel), content_type="text/calendar; charset=utf-8")


@require_safe
@cache_control(no_cache=True)
def push_worker(request: HttpRequest) -> HttpResponse:
    """The service worker, at the root of the site: it serves what lies under its own address."""
    found = finders.find("push-worker.js")
    assert isinstance(found, str)
    with open(found, encoding="utf-8") as file:
        return HttpResponse(file.read(), content_type="text/javascript; charset=utf-8")
