"""docs/neighbours/events.md and alerts.yml name what there is, and the example of a signature checks the shop's own."""

import re
from datetime import UTC, datetime

import pytest
import yaml
from celery import current_app
from django.conf import settings
from prometheus_client.parser import text_string_to_metric_families
from standardwebhooks.webhooks import Webhook

from maintenance.metrics import render_metrics
from maintenance.models import ShopEvent
from maintenance.reminders.delivery.webhook import new_secret

FOLDER = settings.BASE_DIR / "docs" / "neighbours"
PAGE, ALERTS = (FOLDER / "events.md").read_text(), (FOLDER / "alerts.yml").read_text()


@pytest.mark.django_db
def test_each_series_that_is_named_is_there_and_each_that_is_there_is_named():
    offered = {family.name for family in text_string_to_metric_families(render_metrics().decode())}
    assert set(re.findall(r"loadworthy_\w+(?<!_token)", ALERTS)) <= offered
    named = set(re.findall(r"loadworthy_\w+", PAGE)) - {"loadworthy_token"}
    assert named <= offered
    # Of the program itself, for whoever writes it.
    assert offered - named == {"loadworthy_build_info", "loadworthy_work_last_duration_seconds"}


def test_each_alert_says_what_is_the_matter_and_names_work_that_there_is():
    rules = yaml.safe_load(ALERTS)["groups"][0]["rules"]
    assert len(rules) > 8 and all(rule["annotations"]["summary"].endswith(".") for rule in rules)
    for name in re.findall(r'name="([\w.]+)"', ALERTS):
        assert name in current_app.tasks
    yaml.safe_load(re.findall(r"```yaml\n(.*?)```", PAGE, re.DOTALL)[0])


def test_no_row_of_a_table_is_cut_by_a_bar_in_its_text():
    for table in re.findall(r"(?:^\|.*\n)+", PAGE, re.MULTILINE):
        assert len({len(re.findall(r"(?<!\\)\|", row)) for row in table.splitlines()}) == 1, table


def test_each_kind_of_event_is_in_the_table():
    assert set(re.findall(r"`([a-z]+\.[a-z]+)`", PAGE)) >= set(ShopEvent.Kind.values)


def test_the_example_checks_a_signature_of_the_shop():
    names: dict = {}
    # The page's own words.
    exec(re.findall(r"```python\n(.*?)```", PAGE, re.DOTALL)[0], names)  # noqa: S102
    secret, now, body = new_secret(), datetime.now(UTC), '{"type":"job.finished"}'
    headers = {
        "webhook-id": "one",
        "webhook-timestamp": str(int(now.timestamp())),
        "webhook-signature": Webhook(secret).sign("one", now, body),
    }
    is_genuine = names["is_genuine"]
    assert is_genuine(secret, headers, body.encode())
    assert not is_genuine(secret, headers, body.replace("finished", "failed").encode())
    assert not is_genuine(new_secret(), headers, body.encode())
    assert not is_genuine(secret, headers | {"webhook-timestamp": "1"}, body.encode())
