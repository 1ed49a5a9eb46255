"""Job files: taken in, read as background work, stopped, watched for; and the jobs that come from them."""

import gzip
import os
import signal
import time
from datetime import timedelta
from math import pi
from uuid import uuid4

import pytest
from django.contrib.auth import get_user_model
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from background.models import WorkItem
from background.queue import run_again
from background.running import MAX_ATTEMPTS, run_due
from maintenance.gcode import read_job_apart
from maintenance.jobs.files import (
    GIVEN_UP,
    _list_files,
    add_job_file,
    delete_content,
    facts_of,
    prune_contents,
    read_again,
    read_file,
    require_room,
    stop_reading,
    store_content,
    store_reading,
    stored_path,
)
from maintenance.jobs.from_file import judge_on_all_machines, judge_on_machine, record_file_job
from maintenance.jobs.may_start import judge_file_start
from maintenance.jobs.printer_events import Reported, record_events
from maintenance.machines.loading import load_spool
from maintenance.machines.printers import add_toolhead
from maintenance.models import Job, JobFile, Toolhead
from spools.codes import pretty
from spools.facts import withdraw
from spools.inventory.ledger import remaining
from spools.statements import Statement
from tests.maintenance.jobs.stored_at_once import send_two_at_once
from tests.maintenance.readiness.test_rules import says
from tests.refusals import refuses
from tests.spools.conftest import hours_ago, receive

# 5 lines, 40 bytes; then two lines, 24 bytes, for each metre of filament.
HEAD = "M83\nM104 S205\nM140 S55\nG1 F1200\nG0 Z0.2\n"
ONE_METRE = "G1 X100 E500\nG1 X0 E500\n"


@pytest.fixture(autouse=True)
def data_folder(settings, tmp_path):
    settings.DATA_DIR = tmp_path / "data"
    return settings.DATA_DIR


@pytest.fixture
def small_chunks(monkeypatch):
    """A look at whether it is still wanted after every 64 bytes."""
    monkeypatch.setattr("maintenance.jobs.files.STOP_CHECK_INTERVAL_S", 0)
    monkeypatch.setattr("maintenance.gcode.source.CHUNK", 64)


def given_file(text: str = HEAD + 10 * ONE_METRE, name: str = "bracket.gcode", **options) -> JobFile:
    content = text if isinstance(text, bytes) else text.encode()
    return add_job_file(store_content(name, [content]), **options)


def read(file: JobFile) -> JobFile:
    run_due("files")
    file.refresh_from_db()
    return file


@pytest.fixture
def loaded(shop, plain):
    load_spool(shop.north, plain, at=hours_ago(30), override_reason="a test")
    return plain


@pytest.fixture
def second(shop):
    return receive(shop.pla, shop.box, card="dry")


def test_a_file_is_read_as_background_work(shop):
    file = given_file(by=shop.user)
    assert (file.state, file.size_bytes, file.added_by) == ("waiting", len(HEAD + 10 * ONE_METRE), shop.user)
    with refuses("not_read"):
        facts_of(file)
    read(file)
    assert (file.state, file.share_read, file.problem) == ("read", 1, None)
    assert facts_of(file).filament_mm == pytest.approx(10_000)
    assert stored_path(file.digest).read_text().startswith(HEAD)


def test_the_same_content_is_stored_once(shop, data_folder):
    item, two = given_file(), given_file(name="again.gcode")
    assert item.digest == two.digest
    assert [path.name for path in (data_folder / "jobs").iterdir()] == [item.digest]


def test_an_unreadable_file_shows_its_reason(shop):
    file = read(given_file(b"\x00\x01"))
    assert (file.state, file.facts) == ("refused", None)
    assert file.problem.code == "job_file.nul"
    with refuses("not_read"):
        facts_of(file)


def test_a_file_that_takes_too_much_memory_is_refused(shop, monkeypatch):
    # More than any memory that earlier tests freed in this process could hold.
    monkeypatch.setattr("maintenance.gcode.apart.read_job", lambda *args, **options: bytearray(2**28))
    monkeypatch.setattr("maintenance.gcode.apart.ROOM_BYTES", 2**20)
    file = read(given_file())
    assert (file.state, file.problem.code) == ("refused", "job_file.too_much_memory")


def test_a_file_that_kills_its_reader_is_refused(shop, monkeypatch):
    def killed(*args, **options):
        os.kill(os.getpid(), signal.SIGKILL)

    monkeypatch.setattr("maintenance.gcode.apart.read_job", killed)
    file = read(given_file())
    assert (file.state, file.problem.code) == ("refused", "job_file.ended_reader")


def test_a_defect_of_the_reader_is_tried_again(shop, monkeypatch):
    def fails(*args, **options):
        raise LookupError("a defect")

    monkeypatch.setattr("maintenance.gcode.apart.read_job", fails)
    assert read(given_file()).state == "reading"
    assert "a defect" in WorkItem.objects.get(state="queued", attempts=1).error


def test_a_file_whose_reading_was_given_up_says_so(shop, monkeypatch):
    def fails(*args, **options):
        raise LookupError("a defect")

    file = given_file()
    WorkItem.objects.update(attempts=MAX_ATTEMPTS - 1)
    with monkeypatch.context() as patched:
        patched.setattr("maintenance.jobs.files.read_job_apart", fails)
        read(file)
    assert (file.state, file.problem) == ("refused", GIVEN_UP)
    # It is read when the work is tried again from the status page.
    run_again(WorkItem.objects.get(state="failed").pk)
    assert (read(file).state, file.problem) == ("read", None)


def test_a_file_that_ended_its_worker_each_time_says_so(shop):
    file = given_file()
    JobFile.objects.update(state="reading")
    WorkItem.objects.filter(key__startswith="job-file").update(
        state="running", attempts=MAX_ATTEMPTS, claim=uuid4(), lease_until=hours_ago(1)
    )
    assert (read(file).state, file.problem) == ("refused", GIVEN_UP)


@pytest.mark.parametrize(("chunks", "code"), [([], "file_empty"), ([b"x" * 20] * 3, "file_too_large")])
def test_nothing_is_left_of_content_that_is_refused(data_folder, monkeypatch, chunks, code):
    monkeypatch.setattr("maintenance.jobs.files.MOST_BYTES", 50)
    with refuses(code, "file", names=["job.gcode"]):
        store_content("job.gcode", chunks)
    assert list((data_folder / "jobs").iterdir()) == []


def test_an_account_stores_so_much_and_no_more(shop, settings, data_folder):
    settings.JOB_FILES_BYTES = 100
    stored = store_content("a.gcode", [b"G1 X1\n" * 10], shop.user)
    # The same content takes no more room.
    for _ in range(2):
        add_job_file(stored, by=shop.user)
    with refuses("job_files_quota", "file"):
        store_content("c.gcode", [b"G1 X2\n" * 10], shop.user)
    assert [path.name for path in (data_folder / "jobs").iterdir()] == [stored.digest]
    # Content that was deleted takes none.
    JobFile.objects.update(added_at=hours_ago(24 * 400), state="read")
    prune_contents(timezone.now())
    require_room(shop.user, 90)


def test_content_is_deleted_to_make_room_and_its_facts_stay(shop, settings, data_folder):
    settings.JOB_FILES_BYTES = 400
    file, again, watched = given_file(by=shop.user), given_file(by=shop.user), given_file()
    with refuses("file_being_read"):
        delete_content(file, by=shop.user)
    for row in (file, again, watched):
        read(row)
    with refuses("job_files_quota", "file"):
        require_room(shop.user, 200)
    delete_content(again, by=shop.user)
    file.refresh_from_db()
    assert facts_of(file).uses and file.content_deleted_by == shop.user
    require_room(shop.user, 200)
    # The same content from the watched folder is stored yet.
    assert stored_path(file.digest).exists() and watched.content_deleted_at is None
    delete_content(watched)
    assert list((data_folder / "jobs").iterdir()) == []
    deleted_at = file.content_deleted_at
    assert delete_content(file, by=None).content_deleted_at == deleted_at
    with refuses("content_removed"):
        read_again(file)
    # It comes again.
    assert read(given_file(by=shop.user)).state == "read"
    with refuses("content_removed"):
        read_again(file)


def test_a_file_whose_content_was_deleted_while_it_came_is_refused(shop):
    file = given_file()
    stop_reading(file)
    sent = store_content("again.gcode", [(HEAD + 10 * ONE_METRE).encode()])
    delete_content(file)
    with refuses("content_removed", "file"):
        add_job_file(sent, by=shop.user)


@pytest.mark.django_db(transaction=True)
def test_two_files_at_once_do_not_share_the_last_of_a_quota(settings, data_folder):
    assert send_two_at_once(get_user_model().objects.create_user("ada")) == []


def test_no_file_is_stored_on_a_disk_that_is_nearly_full(shop, settings, data_folder):
    settings.LEAST_FREE_BYTES = 2**60
    with refuses("disk_low", "file"):
        store_content("a.gcode", [b"G1 X1\n"])
    assert not (data_folder / "jobs").exists()


def test_a_reading_that_was_stopped_leaves_nothing(shop):
    file = given_file()
    stop_reading(file)
    assert read(file).state == "stopped"
    assert file.facts is None
    with refuses("reading_ended"):
        stop_reading(file)


def test_a_reading_is_stopped_in_the_middle(shop, small_chunks, monkeypatch):
    file = given_file()
    looks = []

    def stopped_after_two_looks(*args, progress, **options):
        def look(share: float) -> None:
            looks.append(share)
            if len(looks) == 2:
                stop_reading(file)
            progress(share)

        return read_job_apart(*args, progress=look, **options)

    monkeypatch.setattr("maintenance.jobs.files.read_job_apart", stopped_after_two_looks)
    assert read_file(file.pk, file.round) is None
    file.refresh_from_db()
    assert (file.state, file.share_read, file.facts) == ("stopped", looks[0], None)
    assert len(looks) == 2


def test_progress_is_stored_while_a_file_is_read(shop, small_chunks):
    file = given_file()
    with CaptureQueriesContext(connection) as queries:
        read_file(file.pk, file.round)
    stored = [query for query in queries.captured_queries if 'SET "share_read"' in query["sql"]]
    assert len(stored) >= 4


def test_read_again_as_another_machine_understands_it(shop):
    text = "M83\nG1 E5 F600\nG91\nG0 Z1\nG90\nG1 E6\nG1 E8\n"
    file = read(given_file(text))
    assert facts_of(file).filament_mm == pytest.approx(8)
    shop.north.printer.e_follows_g90 = False
    shop.north.printer.save()
    read_again(file, printer=shop.north.printer, diameter_mm=2.85)
    file.refresh_from_db()
    assert (file.state, file.round) == ("waiting", 2)
    assert facts_of(read(file)).filament_mm == pytest.approx(19)
    assert facts_of(file).reading.diameter_mm == 2.85
    with refuses("out_of_range", "diameter_mm", names=["0.5", "10 mm", "50"]):
        read_again(file, diameter_mm=50)


def test_content_is_stored_for_a_while_and_facts_for_good(shop, data_folder, settings):
    settings.KEEP_JOB_FILES_DAYS = 30
    old, same, new = given_file(), given_file(name="again.gcode"), given_file(HEAD + ONE_METRE)
    for file in (old, same, new):
        read(file)
    for path in (data_folder / "jobs").iterdir():
        os.utime(path, (time.time() - 40 * 86400,) * 2)
    JobFile.objects.filter(pk=old.pk).update(added_at=hours_ago(24 * 40))
    # The same content came again since.
    assert prune_contents(timezone.now()) == 0
    JobFile.objects.filter(pk=same.pk).update(added_at=hours_ago(24 * 40))
    assert prune_contents(timezone.now()) == 1
    assert [path.name for path in (data_folder / "jobs").iterdir()] == [new.digest]
    old.refresh_from_db()
    assert facts_of(old).uses
    with refuses("content_removed"):
        read_again(old)
    settings.KEEP_JOB_FILES_DAYS = 0
    assert prune_contents(timezone.now() + timedelta(days=9999)) == 0


def test_content_that_was_just_stored_is_not_removed(shop, data_folder):
    store_content("bracket.gcode", [b"G1 X1"])
    assert prune_contents(timezone.now() + timedelta(hours=23)) == 0
    assert prune_contents(timezone.now() + timedelta(hours=25)) == 1


def test_an_earlier_reading_does_not_overtake_a_later_one(shop):
    file = given_file()
    earlier = read_file(file.pk, 1)
    read_again(file, diameter_mm=2.85)
    store_reading(file.pk, 1, earlier)
    file.refresh_from_db()
    assert (file.state, file.facts) == ("waiting", None)


def test_content_is_on_the_disk_before_it_has_its_name(shop, monkeypatch):
    events = []
    sync, rename = os.fsync, os.replace

    def record_sync(descriptor):
        events.append(("sync", os.path.realpath(f"/proc/self/fd/{descriptor}")))
        sync(descriptor)

    def record_rename(source, target):
        events.append(("rename", str(target)))
        rename(source, target)

    monkeypatch.setattr(os, "fsync", record_sync)
    monkeypatch.setattr(os, "replace", record_rename)
    target = stored_path(store_content("a.gcode", [b"G28\n"]).digest)
    at = events.index(("rename", str(target)))
    assert events[at - 1][0] == "sync" and os.path.dirname(events[at - 1][1]) == str(target.parent.resolve())
    assert events[at + 1] == ("sync", str(target.parent.resolve()))


# The watched folder


@pytest.fixture
def watched(settings, tmp_path):
    folder = tmp_path / "exports"
    folder.mkdir()
    settings.WATCHED_FOLDER = str(folder)
    return folder


def put(folder, name: str, content: bytes, age_s: float = 60) -> None:
    (folder / name).write_bytes(content)
    os.utime(folder / name, (time.time() - age_s,) * 2)


def look() -> list[str]:
    WorkItem.objects.filter(key__startswith="maintenance.import_watched_files").delete()
    run_due("files")
    return sorted(JobFile.objects.values_list("name", flat=True))


def test_files_in_the_watched_folder_come_once(shop, watched):
    job = (HEAD + ONE_METRE).encode()
    put(watched, "one.gcode", job)
    put(watched, "packed.gcode.gz", gzip.compress(job))
    put(watched, "still-being-written.gcode", job, age_s=1)
    put(watched, "notes.txt", b"no job")
    put(watched, "empty.gcode", b"")
    (watched / "link.gcode").symlink_to("/etc/passwd")
    assert look() == ["one.gcode", "packed.gcode.gz"]
    assert {file.state for file in JobFile.objects.all()} == {"read"}
    assert look() == ["one.gcode", "packed.gcode.gz"]
    put(watched, "one.gcode", job + ONE_METRE.encode())
    assert look() == ["one.gcode", "one.gcode", "packed.gcode.gz"]
    assert (watched / "one.gcode").exists()


def test_a_file_that_is_renamed_while_the_folder_is_listed_does_not_fail_the_others(tmp_path):
    for name in ("first", "second", "third"):
        put(tmp_path, name, b"content")
    listing = _list_files(tmp_path)
    observed = {next(listing)[0].name}
    renamed = min({"first", "second", "third"} - observed)
    (tmp_path / renamed).rename(tmp_path / "whole.gcode")
    observed |= {path.name for path, _ in listing}
    assert observed == {"first", "second", "third"} - {renamed}


def test_no_folder_is_no_trouble(shop, settings, tmp_path):
    settings.WATCHED_FOLDER = str(tmp_path / "gone")
    assert look() == []
    settings.WATCHED_FOLDER = ""
    assert look() == []


# The job of a file


def test_the_verdict_on_each_machine(shop, loaded):
    file = read(given_file())
    best, other = judge_on_all_machines(file)
    assert (best.printer, other.printer) == (shop.north.printer, shop.south.printer)
    (part,) = best.parts
    # 10 m of 1.75 mm filament are 24.05 cm³.
    grams = 24.0528 * loaded.feedstock.polymer.density_g_cm3
    by_name = {check.name: check for check in part.verdict.checks}
    assert by_name["quantity"].statement.values["job_g"] == pytest.approx(grams, rel=1e-4)
    assert says(by_name["temperature"], "temperatures_fit", nozzle_c=205, bed_c=55)
    assert by_name["diameter"].state == by_name["retraction"].state == "clear"
    assert by_name["flow"].state == "caution"
    assert other.verdict.state == "hold" and other.parts[0].spool is None


def test_a_spool_that_is_loaded_nowhere_is_judged_too(shop, plain, wet):
    file = read(given_file())
    on = judge_on_machine(file, shop.south.printer, [wet])
    assert on.verdict.state == "hold" and on.parts[0].spool == wet
    with refuses("spool_count", "spools", names=["1"]):
        judge_on_machine(file, shop.south.printer, [plain, wet])


def test_a_job_of_two_tools_needs_two_toolheads(shop, plain):
    file = read(given_file(HEAD + ONE_METRE + "T1\n" + ONE_METRE))
    with refuses("too_few_toolheads", "printer", names=["T1", "North"]):
        judge_on_machine(file, shop.north.printer, [plain, plain])
    for name, on in zip(("North", "South"), judge_on_all_machines(file), strict=True):
        assert says(on.verdict.reasons[0], "too_few_toolheads", tool=1, printer=name, toolheads=1)


def test_a_job_is_recorded_with_what_its_file_takes(shop, loaded):
    file = read(given_file(HEAD + 10 * ONE_METRE + "G1 E-0.8\nG1 E0.8\n"))
    job = record_file_job(
        file, printer=shop.north.printer, spools=[loaded], start=hours_ago(12), override_reason="a test"
    )
    grams = 24.0528 * loaded.feedstock.polymer.density_g_cm3
    (use,) = job.uses.all()
    assert use.mass_g == pytest.approx(grams, rel=1e-5)
    assert use.retracted_m == pytest.approx(0.0008)
    assert (job.name, job.file, job.stopped, job.nozzle_c, job.bed_c) == (
        "bracket.gcode",
        file,
        None,
        205,
        55,
    )
    assert job.hours == pytest.approx(facts_of(file).seconds / 3600)
    assert job.max_flow_mm3_s == pytest.approx(facts_of(file).uses[0].peak_1s_mm3_s)
    assert remaining(loaded).mass_g == pytest.approx(1000 - grams, abs=0.01)


@pytest.mark.parametrize(
    ("where", "stopped"),
    [
        ({"stopped_line": 16}, Statement("job_stop.before_line", {"line": 16, "lines": 25})),
        ({"stopped_pct": 57.14}, Statement("job_stop.at_share", {"stopped_pct": 57.14})),
    ],
)
def test_a_job_that_stopped_early_takes_the_grams_up_to_there(shop, loaded, where, stopped):
    file = read(given_file())
    job = record_file_job(
        file,
        printer=shop.north.printer,
        spools=[loaded],
        start=hours_ago(12),
        override_reason="a test",
        **where,
    )
    assert job.stopped == stopped
    # Half of the 20 lines with 0.5 m each, after the 5 of the head.
    (use,) = job.uses.all()
    assert use.mass_g == pytest.approx(12.0264 * loaded.feedstock.polymer.density_g_cm3, rel=0.03)


def test_a_line_or_a_percentage(shop, loaded):
    file = read(given_file())
    request_data = {"printer": shop.north.printer, "spools": [loaded], "override_reason": "a test"}
    for where, code, field, limits in (
        ({"stopped_line": 3, "stopped_pct": 5}, "line_or_percentage", "stopped_line", []),
        ({"stopped_line": 26}, "out_of_range", "stopped_line", ["1", "25"]),
        ({"stopped_pct": 101}, "out_of_range", "stopped_pct", ["0", "100 %"]),
    ):
        with refuses(code, field, names=limits):
            record_file_job(file, **request_data, **where)


def test_several_spools_give_each_their_own(shop, loaded, filled):
    """T0, a colour change on it to the filled spool, then T1 with another: one job, three uses."""
    second = add_toolhead(shop.north.printer, Toolhead(name="T1"))
    third = receive(shop.pla, shop.box, card="dry")
    load_spool(second, third, at=hours_ago(29), override_reason="a test")
    text = HEAD + ONE_METRE + "M600\n" + 2 * ONE_METRE + "T1\nM104 S215\n" + 3 * ONE_METRE
    file = read(given_file(text))
    on = judge_on_machine(file, shop.north.printer, [loaded, filled, third])
    assert [part.numbers for part in on.parts] == [[0], [1], [2]]
    assert [part.later for part in on.parts] == [False, True, False]
    assert any(says(reason, "filler_cuts_part", filler_hv=340) for reason in on.verdict.reasons)
    job = record_file_job(
        file,
        printer=shop.north.printer,
        spools=[loaded, filled, third],
        start=hours_ago(12),
        override_reason="a test",
    )
    grams = {use.spool: use.mass_g for use in job.uses.all()}
    cm3 = [2.40528 * metres for metres in (1, 2, 3)]
    assert grams[loaded] == pytest.approx(cm3[0] * loaded.feedstock.polymer.density_g_cm3, rel=1e-4)
    assert grams[third] == pytest.approx(cm3[2] * third.feedstock.polymer.density_g_cm3, rel=1e-4)
    assert (job.state, job.nozzle_c) == ("hold", 215)
    assert {reason["spool"] for reason in job.reasons} == {
        pretty(spool.code) for spool in (loaded, filled, third)
    }
    withdraw(job, reason="a test")
    assert remaining(loaded).mass_g == pytest.approx(1000)


def test_the_same_spool_twice_is_one_use(shop, loaded):
    file = read(given_file(HEAD + ONE_METRE + "M600\n" + ONE_METRE))
    job = record_file_job(
        file,
        printer=shop.north.printer,
        spools=[loaded, loaded],
        start=hours_ago(12),
        override_reason="a test",
    )
    (use,) = job.uses.all()
    assert use.mass_g == pytest.approx(4.81056 * loaded.feedstock.polymer.density_g_cm3, rel=1e-4)


def test_a_spool_that_was_not_loaded_gives_nothing(shop, loaded, filled):
    file = read(given_file())
    with refuses("not_loaded_then", "spool", names=["North T0", pretty(filled.code)]):
        record_file_job(
            file, printer=shop.north.printer, spools=[filled], start=hours_ago(12), override_reason="a test"
        )
    assert remaining(loaded).mass_g == pytest.approx(1000)


def test_a_host_names_the_file_and_what_it_extruded_counts(shop, loaded, second):
    """The print takes more than the file says, and its spool runs out after that."""
    start = Reported("1", "North", "17", "started", hours_ago(9), values={"file": given_file().digest})
    change = Reported(
        "2", "North", "17", "ran_out", hours_ago(8), values={"metres": 11.0, "spool": second.code}
    )
    end = Reported("3", "North", "17", "finished", hours_ago(7), values={"metres": 12.0})
    assert [row.result for row in record_events([start, change, end])] == ["waiting"] * 3
    run_due("files")
    run_due()
    job = Job.objects.get()
    assert (job.name, job.stage, job.file) == ("bracket.gcode", "finished", JobFile.objects.get())
    per_m = 1.24 * pi * 1.75**2 / 4
    uses = {use.spool: use.mass_g for use in job.uses.select_related("spool")}
    assert uses == {loaded: pytest.approx(11 * per_m), second: pytest.approx(per_m)}
    asked = judge_file_start(shop.north, job.file.digest, None)
    assert asked.spools == [second] and asked.verdict.checks
