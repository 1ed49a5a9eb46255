"""The client of print hosts: events are on the disk before they are sent, and come once, in order, at their own times."""

import ast
import json
import os
import signal
import subprocess
import sys
from datetime import UTC, datetime, timedelta

import printer_client
import pytest
from printer_client import Client, NoAnswer, WrongSetup

from tests.clients.conftest import CLIENTS

JOB = {"mass_g": 82, "hours": 5.5, "nozzle_c": 215, "bed_c": 60}


@pytest.mark.parametrize("path", sorted(CLIENTS.glob("*.py")), ids=lambda path: path.name)
def test_it_runs_on_older_pythons_and_needs_nothing_else(path):
    tree = ast.parse(path.read_text(), feature_version=(3, 8))
    imported = {node.module for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
    imported |= {name.name for node in ast.walk(tree) if isinstance(node, ast.Import) for name in node.names}
    known = {*sys.stdlib_module_names, "printer_client"}
    assert {name.partition(".")[0] for name in imported} <= known


def test_a_lost_answer_doubles_nothing(client, shop):
    shop.moods, shop.clock_off_s = ["lost"], 300.0
    client.started("North", "17", **JOB)
    client.finished("North", "17", metres=27.9)
    assert client.send(for_s=60) == 0
    assert shop.kinds == ["started", "finished"]
    # The shop refuses an id that comes with other content.
    first, again = (body for _, _, body in shop.requests)
    assert first == again
    assert client.waiting() == 0


def test_without_an_answer_events_wait_in_their_order(client, shop):
    shop.moods = [500]
    client.started("North", "17", **JOB)
    with pytest.raises(NoAnswer):
        client.send()
    client.finished("North", "17")
    assert (client.waiting(), shop.kinds) == (2, [])
    client.send()
    assert shop.kinds == ["started", "finished"]


def test_an_event_with_an_id_of_the_host_waits_once(client, shop):
    for _ in range(2):
        client.started("North", "17", id="8841", **JOB)
    assert client.waiting() == 1


def test_an_event_that_the_shop_cannot_read_holds_up_no_other(client, shop):
    shop.moods = [400, "well", 400]
    for job in ("1", "2", "3"):
        client.started("North", job, **JOB)
    client.send()
    assert [event["job"] for event in shop.events.values()] == ["1", "3"]
    [(event, reason)] = client.refused()
    assert event["job"] == "2" and "Not now." in reason


def test_a_refused_event_stays_until_it_is_sent_again(client, shop):
    shop.refuses = {"started"}
    client.started("Nort", "17", **JOB)
    assert client.send() == 0 and len(client.refused()) == 1
    shop.refuses = set()
    client.send_again()
    assert client.send() == 0 and shop.kinds == ["started"] and client.refused() == []


@pytest.mark.parametrize("status", [301, 401, 403])
def test_a_wrong_set_up_is_said_and_nothing_is_lost(client, shop, status):
    shop.moods = [status]
    client.started("North", "17", **JOB)
    with pytest.raises(WrongSetup):
        client.send(for_s=60)
    assert client.waiting() == 1


def test_times_are_those_of_the_shops_clock(client, shop):
    """A right clock changes no time; a wrong one is corrected, to about the second that HTTP tells."""
    at = datetime(2026, 3, 2, 8, 0, 0, 250_000, tzinfo=UTC)
    client.started("North", "17", at=at, **JOB)
    client.send()
    shop.clock_off_s = -420.0
    other = Client(client.url, client.token, client.folder)
    other.finished("North", "17", at="2026-03-02T09:00:00Z")
    other.send()
    first, last = (datetime.fromisoformat(event["at"]) for event in shop.events.values())
    assert first == at
    assert abs(last - at.replace(hour=8, minute=53)) < timedelta(seconds=1.5)
    assert not any("sent_at" in event for event in shop.events.values())


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="a clock since the start of the machine")
def test_an_event_before_the_clock_was_set_gets_its_own_time(client, shop, monkeypatch):
    real = printer_client._now
    monkeypatch.setattr(printer_client, "_now", lambda: real()._replace(at=86_400.0))
    client.started("North", "17", **JOB)
    monkeypatch.undo()
    client.send()
    [event] = shop.events.values()
    assert abs(datetime.fromisoformat(event["at"]) - datetime.now(UTC)) < timedelta(seconds=60)


# The commands


def call(client, *arguments, **variables):
    env = {**os.environ, "LOADWORTHY_URL": client.url, "LOADWORTHY_FOLDER": str(client.folder), **variables}
    command = [sys.executable, str(CLIENTS / "printer_client.py"), *arguments]
    return subprocess.run(command, env=env, capture_output=True, text=True)


def test_a_print_does_not_wait_for_its_books(client, shop):
    (client.folder / "settings").write_text("# of this host\nLOADWORTHY_TOKEN='lw_stored'\n")
    shop.moods = [503]
    done = call(client, "event", "finished", "--printer", "North", "--job", "17", "--metres", "27.913")
    assert done.returncode == 0 and "1 events wait" in done.stderr and "chmod 600" in done.stderr
    assert call(client, "send").returncode == 0
    [(path, headers, body)] = shop.requests[1:]
    assert path == "/api/v1/printer-events" and headers["Authorization"] == "Token lw_stored"
    assert json.loads(body)[0]["metres"] == 27.913


def test_a_command_without_a_token_ends_with_2(client):
    done = call(client, "send")
    assert done.returncode == 2 and "LOADWORTHY_TOKEN" in done.stderr


def test_a_client_that_is_killed_while_it_sends_loses_nothing(client, shop):
    """It kills itself after the shop has taken the event in, and before it can note that."""
    dies = (
        "import os, signal, printer_client as p\n"
        "client = p.Client()\n"
        "client.started('North', '17', mass_g=82)\n"
        "ask = client.ask\n"
        "def then_die(method, *rest):\n"
        "    answer = ask(method, *rest)\n"
        "    if method == 'POST': os.kill(os.getpid(), signal.SIGKILL)\n"
        "    return answer\n"
        "client.ask = then_die\n"
        "client.send()\n"
    )
    variables = {
        "LOADWORTHY_URL": client.url,
        "LOADWORTHY_FOLDER": str(client.folder),
        "LOADWORTHY_TOKEN": "lw_of-tests",
        "PYTHONPATH": str(CLIENTS),
    }
    died = subprocess.run([sys.executable, "-c", dies], env={**os.environ, **variables})
    assert died.returncode == -signal.SIGKILL
    assert (client.waiting(), shop.kinds) == (1, ["started"])
    client.send()
    assert (client.waiting(), shop.kinds, len(shop.requests)) == (0, ["started"], 2)
