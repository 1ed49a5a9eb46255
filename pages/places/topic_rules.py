"""The rules of topics: which messages of a broker are measurements of which sensor."""

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_POST

from pages.frame.forms import apply, post_data
from pages.frame.notices import notify_result
from pages.frame.versions import VersionedForm
from spools.air.mqtt.rules import bring_back_rule, retire_rule, save_rule
from spools.air.mqtt.state import load_broker_status
from spools.models import RefusedMessage, TopicRule

SHOWN_REFUSED = 20


class TopicRuleForm(VersionedForm):
    class Meta:
        model = TopicRule
        fields = ["topic", "sensor", "reads", "is_fahrenheit"]
        labels = {
            "topic": gettext_lazy("Topic"),
            "sensor": gettext_lazy("Sensor"),
            "reads": gettext_lazy("Read"),
            "is_fahrenheit": gettext_lazy("Temperatures come in °F"),
        }
        help_texts = {
            "topic": gettext_lazy(
                "Such as sensors/{sensor}/{quantity}: {sensor} is the level with the name of the sensor, {quantity} the one "
                "with temperature, humidity or battery. + is any level, # all deeper ones."
            ),
            "sensor": gettext_lazy("Its name where the topic has no {sensor}."),
            "reads": gettext_lazy("As one of the examples below shows."),
            "is_fahrenheit": "",
        }
        widgets = {
            name: forms.TextInput(
                attrs={"autocapitalize": "none", "autocorrect": "off", "spellcheck": "false"}
            )
            for name in ("topic", "sensor", "reads")
        }


def topic_rule(request: HttpRequest, pk: int | None = None) -> HttpResponse:
    """Add a rule, or change one."""
    rule = get_object_or_404(TopicRule.objects.in_use(), pk=pk) if pk else None
    form = TopicRuleForm(post_data(request), instance=rule)
    if apply(form, lambda data: save_rule(form.instance)):
        messages.success(request, _("{topic} is read from now on.").format(topic=form.instance.topic))
        return redirect("sensors")
    return render(request, "places/topic_rule.html", {"form": form, "rule": rule})


@require_POST
def topic_rule_retire(request: HttpRequest, pk: int) -> HttpResponse:
    rule = get_object_or_404(TopicRule, pk=pk)
    done = _("{topic} is read no more.").format(topic=rule.topic)
    notify_result(request, lambda: retire_rule(rule), done)
    return redirect("sensors")


@require_POST
def topic_rule_bring_back(request: HttpRequest, pk: int) -> HttpResponse:
    rule = get_object_or_404(TopicRule, pk=pk)
    done = _("{topic} is read from now on.").format(topic=rule.topic)
    notify_result(request, lambda: bring_back_rule(rule), done)
    return redirect("sensors")


def broker_context() -> dict:
    """The connection to the broker, the rules of topics and the messages that could not be read."""
    rules = list(TopicRule.objects.all())
    return {
        "broker": load_broker_status(timezone.now()),
        "rules": [rule for rule in rules if rule.retired_at is None],
        "retired_rules": [rule for rule in rules if rule.retired_at is not None],
        "refused": RefusedMessage.objects.all()[:SHOWN_REFUSED],
    }
