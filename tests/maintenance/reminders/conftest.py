import pytest

from tests.maintenance.reminders.shop_reminders import want


@pytest.fixture
def wet(wet):
    """The wet spool, which somebody needs."""
    want(wet)
    return wet
