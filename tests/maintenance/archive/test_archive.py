"""The whole shop as one archive: equal on each database to the byte, and what follows from it to the bit."""

import json
import zipfile
from pathlib import Path

import pytest
from django.db import connection, models

from access.models import Token, User
from maintenance.archive.contents import (
    COUNTERS,
    DERIVED,
    LEFT_OUT,
    WITH_ACCOUNTS,
    compute_schema,
    list_exported,
    list_tables,
)
from maintenance.archive.loading import import_shop
from maintenance.archive.writing import MANIFEST, ArchiveRefused, export_shop
from maintenance.jobs.records import record_job
from maintenance.machines.loading import load_spool
from maintenance.models import Reservation, WearEntry
from spools.board import board
from spools.facts import withdraw
from spools.inventory.ledger import weigh
from spools.models import MassEntry, Reading, Spool, Stay
from spools.models.facts import Recorded
from spools.models.places import Measurement
from spools.models.versions import Versioned
from tests.restored import built_once
from tests.services.shop import run_manage, shop_env
from tests.spools.conftest import hours_ago

INSTALLED = {
    *("auth.Permission", "auth.Group", "auth.Group_permissions"),
    "contenttypes.ContentType",
}
# Exported rows that neither a person recorded nor anybody edits.
PLAIN = {
    "access.User",
    *("maintenance.FlowBlob", "maintenance.JobFile", "maintenance.JobFileMaterial", "maintenance.JobUse"),
    *("maintenance.Part", "maintenance.Reminder", "maintenance.ReminderEvent", "maintenance.ShopEvent"),
    *("maintenance.ScaleMinute", "maintenance.ScalePrint"),
    *("spools.CoreKind", "spools.HeldValue", "spools.HourlyMean", "spools.PlannedPrint", "spools.Sensor"),
    *("spools.Source", "spools.WeekPlan"),
}
PASS_ON = """
from pathlib import Path
from maintenance.archive.loading import import_shop
from maintenance.archive.writing import export_shop
loaded = import_shop(Path({source!r}))
assert loaded.different == [], loaded.different
export_shop(Path({target!r}))
"""


@built_once
def lived(shop, plain, wet):
    """A shop with prints behind it and ahead, and with a weighing that was a mistake."""
    load_spool(shop.north, plain, at=hours_ago(40), override_reason="a test")
    job = {"toolhead": shop.north, "spool": plain, "nozzle_c": 205, "bed_c": 55, "override_reason": "a test"}
    record_job(**job, name="bracket", start=hours_ago(30), mass_g=50, hours=2)
    record_job(**job, name="lid", start=hours_ago(1), mass_g=33.3, hours=20)
    weigh(wet, 1180.1, at=hours_ago(100))
    withdraw(weigh(wet, 1177.7, at=hours_ago(50)), reason="a slip")
    readings = [
        Reading(place=shop.shelf, at=hours_ago(hour), temperature_c=20.1 + hour / 7, rh_pct=40 + hour / 3)
        for hour in range(24)
    ]
    Reading.objects.bulk_create(readings)
    board.rebuild()


def rewrite(source: Path, target: Path, change) -> Path:
    """change: gets the members by name, the manifest as an object, and changes them in place."""
    with zipfile.ZipFile(source) as archive:
        members = {name: archive.read(name) for name in archive.namelist()}
    manifest = json.loads(members[MANIFEST])
    change(members, manifest)
    members[MANIFEST] = json.dumps(manifest).encode()
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    return target


def read_rows(path: Path) -> dict[str, bytes]:
    with zipfile.ZipFile(path) as archive:
        return {name: archive.read(name) for name in archive.namelist() if name != MANIFEST}


def empty_shop() -> None:
    for model in list_tables():
        if model._meta.label not in INSTALLED:
            models.QuerySet(model)._raw_delete(connection.alias)


def test_each_table_is_exported_derived_or_left_out_with_a_reason():
    labels = {model._meta.label for model in list_tables()}
    assert labels >= DERIVED | WITH_ACCOUNTS | LEFT_OUT.keys()
    assert not DERIVED & LEFT_OUT.keys() and not WITH_ACCOUNTS & (DERIVED | LEFT_OUT.keys())
    for with_accounts in (False, True):
        exported = {model._meta.label for model in list_exported(with_accounts)}
        references = [
            (model._meta.label, field)
            for model in list_exported(with_accounts)
            for field in model._meta.local_concrete_fields
            if field.remote_field and field.remote_field.model._meta.label not in exported
        ]
        assert all(
            field.null and field.remote_field.model._meta.label in WITH_ACCOUNTS for _, field in references
        )
    # Facts and what people set up are exported unasked. Any other new table: decide on its list.
    plain = {
        model._meta.label
        for model in list_exported(False)
        if not issubclass(model, Recorded | Versioned | Measurement)
    }
    assert plain == PLAIN


def test_counters_alone_are_left_out_of_rows():
    columns = {field.attname for model in list_exported(True) for field in model._meta.local_concrete_fields}
    assert columns >= COUNTERS
    assert compute_schema(list_exported(True)) != compute_schema(list_exported(False))


def test_the_archive_is_equal_on_both_databases(lived, migrated_postgres, tmp_path, settings):
    settings.DATA_DIR = tmp_path / "here"
    first, second, third = (tmp_path / f"{number}.zip" for number in (1, 2, 3))
    export_shop(first)
    env = shop_env(tmp_path / "there", migrated_postgres())
    Path(env["LOADWORTHY_DATA"]).mkdir()
    run_manage(env, "shell", "-v0", "-c", PASS_ON.format(source=str(first), target=str(second)))
    rows = read_rows(first)
    assert read_rows(second) == rows
    assert rows["rows/spools.Reading.jsonl"].count(b"\n") == Reading.objects.count()
    with pytest.raises(ArchiveRefused, match="There is a shop here already"):
        import_shop(second)
    empty_shop()
    assert import_shop(second).different == []
    assert Stay.objects.exists() and WearEntry.objects.exists() and Reservation.objects.exists()
    assert MassEntry.objects.exclude(withdrawn_at=None).exists()
    export_shop(third)
    assert read_rows(third) == rows


def test_passwords_and_tokens_go_with_the_accounts_alone(lived, tmp_path, settings):
    settings.DATA_DIR = tmp_path
    User.objects.create_user("bea", "bea@shop.example", "tupi-vese-vebi", role="work")
    Token.objects.create(user=User.objects.get(username="bea"), name="scale", scope="read", digest="d" * 64)
    without, withal = tmp_path / "without.zip", tmp_path / "with.zip"
    export_shop(without)
    export_shop(withal, with_accounts=True)
    empty_shop()
    User.objects.create_superuser("owner", password="kaki-nera")
    assert import_shop(without).locked == ["ada", "bea"]
    assert User.objects.get(username="owner").check_password("kaki-nera")
    assert not Token.objects.exists() and not User.objects.get(username="bea").email
    empty_shop()
    assert import_shop(withal).locked == ["ada"]
    assert User.objects.get(username="bea").check_password("tupi-vese-vebi")
    assert Token.objects.get().name == "scale"


def _change_rows(members, manifest):
    members["rows/spools.Place.jsonl"] = members["rows/spools.Place.jsonl"].replace(b"1", b"2", 1)


def _add_path(members, manifest):
    members["../evil"] = b"x"
    manifest["members"]["../evil"] = {"sha256": "0" * 64, "size": 1}


def _bomb(members, manifest):
    members["jobs/" + "a" * 64] = bytes(8 << 20)
    manifest["members"]["jobs/" + "a" * 64] = {"sha256": "a" * 64, "size": 8 << 20}


def _next_format(members, manifest):
    manifest["format"] += 1


def _other_tables(members, manifest):
    manifest["schema"] = "0" * 64


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (_change_rows, "no whole archive"),
        (_add_path, "no whole archive"),
        (_bomb, "no whole archive"),
        (_next_format, "load it with version"),
        (_other_tables, "load it with that version, then update"),
    ],
)
def test_a_damaged_or_foreign_archive_is_refused_whole(change, says, shop, tmp_path, settings):
    settings.DATA_DIR = tmp_path
    whole = tmp_path / "whole.zip"
    export_shop(whole)
    empty_shop()
    with pytest.raises(ArchiveRefused, match=says):
        import_shop(rewrite(whole, tmp_path / "changed.zip", change))
    cut = tmp_path / "cut.zip"
    cut.write_bytes(whole.read_bytes()[:-100])
    with pytest.raises(ArchiveRefused, match="no whole archive"):
        import_shop(cut)
    with pytest.raises(ArchiveRefused, match="There is no file"):
        import_shop(tmp_path / "elsewhere.zip")
    assert not Spool.objects.exists() and not (tmp_path / "evil").exists()
    assert not list(tmp_path.glob("jobs/*"))
