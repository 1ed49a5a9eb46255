"""Rows of prepared queries are those that Django loads."""

from decimal import Decimal

from django.db import connection
from django.db.models import CharField, Count, Max
from django.test.utils import CaptureQueriesContext

from background.prepared import Parameter, PreparedRows
from spools.models import Spool
from tests.spools.conftest import feedstock, receive

JOINED = ("feedstock", "feedstock__maker", "feedstock__filler", "ensemble")


def _select(code):
    return Spool.objects.annotate(count=Count("stays"), last_at=Max("mass_entries__at")).filter(code=code)


def test_prepared_rows_have_the_columns_joined_rows_and_annotations_of_the_query(shelf):
    rows = PreparedRows(lambda: _select(Parameter("code", CharField())), *JOINED, without=["batch"])
    for material in (feedstock("PA6"), feedstock("PETG")):
        spool = receive(material, shelf, batch="B7")
        Spool.objects.filter(pk=spool.pk).update(
            price=Decimal("19.90"), respooled_at=["2026-01-01T00:00:00+00:00"]
        )
        [loaded] = rows.run(code=spool.code)
        expected = _select(spool.code).select_related(*JOINED).get()
        assert loaded.get_deferred_fields() == {"batch"}
        with CaptureQueriesContext(connection) as queries:
            for name in ("feedstock", "feedstock.maker"):
                ours, theirs = loaded, expected
                for step in name.split("."):
                    ours, theirs = getattr(ours, step), getattr(theirs, step)
                assert _columns(ours) == _columns(theirs)
            assert loaded.feedstock.filler is None and not hasattr(loaded, "ensemble")
            assert (loaded.count, loaded.last_at) == (expected.count, expected.last_at)
            assert (loaded.price, loaded.received_at) == (expected.price, expected.received_at)
        assert len(queries) == 0
        assert loaded.batch == "B7" and _columns(loaded) == _columns(expected)
    assert rows.run(code="NOSUCH") == []


def _columns(row):
    return {field.attname: getattr(row, field.attname) for field in row._meta.concrete_fields}
