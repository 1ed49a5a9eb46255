"""Queries whose SQL is built once."""

from datetime import UTC, datetime, timedelta

import pytest
from django.db.models import BigIntegerField, Count, DateTimeField

from background.models import WorkItem
from background.prepared import Ids, Parameter, PreparedQuery

pytestmark = pytest.mark.django_db
NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
HOUR = timedelta(hours=1)


def test_a_query_is_built_once_and_run_with_the_values_of_each_call(django_assert_num_queries):
    for attempts in (0, 1, 2, 2):
        WorkItem.objects.create(name="work", due=NOON + attempts * HOUR, attempts=attempts)
    built = []

    def build():
        built.append(True)
        until, least = Parameter("until", DateTimeField()), Parameter("least", BigIntegerField())
        rows = WorkItem.objects.filter(due__lte=until, attempts__gte=least, name="work")
        return rows.order_by("attempts").values("attempts").annotate(count=Count("*"))

    query = PreparedQuery(lambda: build().values_list("attempts", "count"))
    with django_assert_num_queries(3):
        assert query.run(until=NOON + 3 * HOUR, least=1) == [(1, 1), (2, 2)]
        assert query.run(until=NOON + HOUR, least=0) == [(0, 1), (1, 1)]
        assert query.run(until=NOON + HOUR, least=None) == []
    assert built == [True]


def test_a_run_without_a_value_of_a_parameter_fails():
    query = PreparedQuery(
        lambda: WorkItem.objects.filter(due=Parameter("at", DateTimeField())).values_list("pk")
    )
    with pytest.raises(KeyError, match="at"):
        query.run()


def test_a_query_takes_any_number_of_ids_and_does_not_run_without_any(django_assert_num_queries):
    for attempts in (0, 1, 2):
        WorkItem.objects.create(name="work", due=NOON, attempts=attempts)
    items = WorkItem.objects.filter(attempts__in=Ids("ids")).order_by("attempts")
    query = PreparedQuery(lambda: items.values_list("attempts"))
    with django_assert_num_queries(2):
        assert query.run(ids={0, 2}) == [(0,), (2,)]
        assert query.run(ids=range(1, 40_000)) == [(1,), (2,)]
        assert query.run(ids=[]) == []
