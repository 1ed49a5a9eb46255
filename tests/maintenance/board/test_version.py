"""The version of the board changes with what its answers rest on."""

from maintenance.board.version import board_version
from maintenance.models import ServiceKind
from maintenance.service.records import record_service
from spools.board import board
from spools.drying.runs import DryingSettings, start_drying
from spools.inventory.ledger import take


def test_facts_and_refreshed_rows_are_other_versions(shop, wet, plain, django_assert_num_queries):
    board.read()
    versions = [board_version()]
    with django_assert_num_queries(1):
        assert board_version() == versions[0]
    take(plain, 20)
    versions.append(board_version())
    board.read()
    versions.append(board_version())
    start_drying([wet], shop.dryer, DryingSettings(75))
    versions.append(board_version())
    kind = ServiceKind.objects.create(
        name="wiping", subject="printer", unit="days", interval=30, source="invented for tests", how="memory"
    )
    record_service(kind, printer=shop.north.printer)
    versions.append(board_version())
    assert len(set(versions)) == 5
