"""Topics of the broker on the page of sensors."""

from datetime import timedelta

from django.urls import reverse
from django.utils import timezone

from spools.models import BrokerState, RefusedMessage, TopicRule
from tests.pages.shown import notes, require_refused, shows

VALUES = {"topic": "shop/{sensor}/air", "sensor": "", "reads": "temperature=t humidity=rh"}


def test_a_topic_is_added_changed_and_read_no_more(shop, desk):
    new = reverse("topic-rule-new")
    assert "examples" in notes(desk.get(new))
    require_refused(desk.post(new, VALUES | {"sensor": "box"}), "rule_sensor", "sensor")
    assert desk.post(new, VALUES).status_code == 302
    rule = TopicRule.objects.get()
    edit = reverse("topic-rule-edit", args=[rule.pk])
    require_refused(
        desk.post(edit, VALUES | {"reads": "warm", "read_version": rule.version}), "reads_word", "reads"
    )
    desk.post(edit, VALUES | {"is_fahrenheit": "on", "read_version": rule.version})
    assert TopicRule.objects.get().is_fahrenheit
    desk.post(reverse("topic-rule-retire", args=[rule.pk]))
    assert not TopicRule.objects.in_use().exists()
    desk.post(reverse("topic-rule-bring-back", args=[rule.pk]))
    assert TopicRule.objects.in_use().exists()


def test_the_page_shows_the_state_of_the_broker_and_what_could_not_be_read(shop, desk):
    page = reverse("sensors")
    assert "no_broker" in notes(desk.get(page))
    now = timezone.now()
    state = BrokerState.objects.create(
        pk=1, broker="mqtt://broker:1883", protocol="5", seen_at=now, connected_at=now
    )
    RefusedMessage.objects.create(topic="shop/x/air", payload="<b>warm", reason="no_json", last_at=now)
    result = desk.get(page)
    assert shows(result, "mqtt://broker:1883", note="broker_state")
    assert shows(result, "<b>warm", note="refused")
    state.problem, state.connected_at = BrokerState.Problem.CREDENTIALS, None
    state.save()
    assert "credentials" in notes(desk.get(page))
    state.seen_at = now - timedelta(hours=1)
    state.save()
    assert "listener_away" in notes(desk.get(page))
