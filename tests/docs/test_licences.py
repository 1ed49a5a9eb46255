"""docs/licences.md lists what is locked, with the licences that the packages state."""

from background.management.commands.licences import PAGE, kind, licences_page


def test_the_page_lists_each_locked_package_with_its_licence():
    assert PAGE.read_text() == licences_page()


def test_each_licence_is_of_a_kind_that_somebody_has_looked_at():
    assert "| unknown |" not in licences_page()
    assert kind("GPL-3.0-only") == kind("not stated") == kind("AGPL-3.0 AND MIT") == "unknown"
