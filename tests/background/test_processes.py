"""Work that survives: real worker processes that are killed in the middle, on both set-ups."""

import json
import os
import signal
import sqlite3
import subprocess
import sys
from collections import Counter
from contextlib import closing, suppress
from pathlib import Path

import psycopg
import pytest
from celery import Celery

from tests.services.servers import RedisServer, free_port, wait_for
from tests.services.shop import (
    MANAGE,
    REPOSITORY,
    STOP_WITHIN_S,
    log_of,
    migrate_once,
    name_of,
    parent_of,
    processes,
    run_manage,
    served,
    shop_env,
)

SETTINGS = "tests.background.settings"
MARKS = 40
LIMITS = ("soft_time_limit", "time_limit")


def on_servers_only(test):
    return pytest.mark.services(pytest.mark.parametrize("env", ["servers"], indirect=True)(test))


@pytest.fixture(params=["embedded", pytest.param("servers", marks=pytest.mark.services)])
def env(request, tmp_path):
    """A migrated database: SQLite with the broker in memory, or PostgreSQL with Redis."""
    data, urls = tmp_path / "data", {}
    if request.param == "servers":
        data.mkdir()
        urls = {
            "database_url": request.getfixturevalue("migrated_postgres")(),
            "redis_url": request.getfixturevalue("redis_server").new_database(),
        }
    else:
        migrate_once(data)
    return shop_env(data, **urls, DJANGO_SETTINGS_MODULE=SETTINGS, SECRET_KEY="for tests")


def enqueue(env, *items: tuple[str, dict]) -> None:
    """Put work in the queue of that database, in a process and a transaction of its own."""
    code = (
        "import django, json, sys; django.setup()\n"
        "from django.db import transaction\n"
        "from background.queue import enqueue\n"
        "with transaction.atomic():\n"
        "    for name, args in json.loads(sys.argv[1]): enqueue(name, args)"
    )
    finished = subprocess.run(
        [sys.executable, "-c", code, json.dumps(items)],
        cwd=REPOSITORY,
        env=env,
        capture_output=True,
        text=True,
    )
    assert finished.returncode == 0, finished.stderr


def enqueue_marks(env, folder: Path) -> None:
    """A mark that creates the file begun and waits for the file first; the others wait for the file others."""
    first = ("counting.mark", {"number": 0, "begun": str(folder / "begun"), "until": str(folder / "first")})
    until = str(folder / "others")
    enqueue(env, first, *(("counting.mark", {"number": n, "until": until}) for n in range(1, MARKS)))


def release(folder: Path, *names: str) -> None:
    """Let the marks that wait for these files go on."""
    for name in names:
        (folder / name).touch()


def rows(env, sql: str) -> list[tuple]:
    """Ask the database directly: the test process itself uses another one."""
    if "DATABASE_URL" in env:
        with psycopg.connect(env["DATABASE_URL"]) as connection:
            return connection.execute(sql).fetchall()
    with closing(
        sqlite3.connect(Path(env["LOADWORTHY_DATA"]) / "loadworthy.sqlite3", timeout=20)
    ) as connection:
        return connection.execute(sql).fetchall()


def queue_length(env) -> int:
    return rows(env, "SELECT count(*) FROM background_workitem WHERE state IN ('queued', 'running')")[0][0]


def wait_until_done(env) -> None:
    wait_for("the end of the queue", lambda: queue_length(env) == 0)


def marks(env) -> Counter[str]:
    """How often each mark was made; slots count as "slot"."""
    return Counter(name.split()[0] for (name,) in rows(env, "SELECT name FROM auth_group"))


def slots(env) -> list[tuple]:
    sql = "SELECT key FROM background_workitem WHERE name = 'counting.slot' AND state = 'done'"
    return rows(env, sql)


def assert_exactly_once(env) -> None:
    created = marks(env)
    assert created.pop("slot", 0) == len(set(slots(env)))
    assert created == {str(number): 1 for number in range(MARKS)}


def wait_for_worker(env, other_than: int = 0) -> int:
    """The process id of the worker, not of its child; a successor needs a moment to be there."""

    def worker() -> int | None:
        found = {pid for pid in processes(env) if name_of(pid) == "worker"}
        return next((pid for pid in found if parent_of(pid) not in found | {0} and pid != other_than), None)

    return wait_for("the worker", worker)


def test_exactly_once_when_the_worker_is_killed_in_the_middle(env, tmp_path):
    with served(env):
        enqueue_marks(env, tmp_path)
        wait_for("the middle of the work", (tmp_path / "begun").exists)
        killed = wait_for_worker(env)
        os.kill(killed, signal.SIGKILL)
        wait_for_worker(env, other_than=killed)
        release(tmp_path, "first", "others")
        wait_until_done(env)
    assert_exactly_once(env)


def test_exactly_once_when_ctrl_c_comes_in_the_middle(env, tmp_path):
    with served(env) as (_, supervisor):
        enqueue_marks(env, tmp_path)
        wait_for("the middle of the work", (tmp_path / "begun").exists)
        supervisor.send_signal(signal.SIGINT)
        release(tmp_path, "first")
        assert supervisor.wait(STOP_WITHIN_S) == 0
    assert processes(env) == []
    assert queue_length(env) > 0, "the rest must be left for the second start"
    release(tmp_path, "others")
    with served(env):
        wait_until_done(env)
    assert_exactly_once(env)


def test_library_pages_are_dropped_and_come_back():
    """In a process of its own, as the supervisor is: a computation after it gives the same result."""
    script = """
import numpy
from background.supervisor import unmap_library_pages
before = numpy.linalg.eigvalsh(numpy.diag([1.0, 2.0, 3.0])).tolist()
assert unmap_library_pages() > 2**20
assert numpy.linalg.eigvalsh(numpy.diag([1.0, 2.0, 3.0])).tolist() == before
"""
    subprocess.run([sys.executable, "-c", script], cwd=REPOSITORY, check=True)


def test_nothing_is_left_when_the_supervisor_is_killed_and_the_work_goes_on_at_the_next_start(env, tmp_path):
    with served(env) as (_, supervisor):
        enqueue_marks(env, tmp_path)
        wait_for("the middle of the work", (tmp_path / "begun").exists)
        supervisor.kill()
        wait_for("the end of all processes", lambda: not processes(env))
    release(tmp_path, "first", "others")
    with served(env):
        wait_until_done(env)
    assert_exactly_once(env)


def test_several_schedulers_and_workers_at_once_give_no_doubles(env, tmp_path):
    enqueue_marks(env, tmp_path)
    release(tmp_path, "first", "others")
    racers = [
        subprocess.Popen(
            [*MANAGE, "work_once"], cwd=REPOSITORY, env=env, stdout=subprocess.PIPE, stderr=subprocess.STDOUT
        )
        for _ in range(3)
    ]
    text = [racer.communicate()[0].decode() for racer in racers]
    assert [racer.returncode for racer in racers] == [0, 0, 0], text
    assert_exactly_once(env)
    assert slots(env)


def test_work_over_its_time_limit_is_ended_and_the_rest_goes_on(env):
    with served(env):
        enqueue(env, ("counting.hang", {"number": 7}), ("counting.mark", {"number": 8}))
        wait_for("the work behind it", lambda: marks(env)["8"] == 1)
        assert marks(env)["7"] == 0
    log = log_of(env).read_text()
    assert "tests/background/counting/tasks.py" in log, "the log says where it hung"


def test_failing_work_backs_off_in_a_real_worker(env):
    with served(env):
        enqueue(env, ("counting.fail", {"number": 9}), ("counting.mark", {"number": 8}))
        wait_for("the work behind it", lambda: marks(env)["8"] == 1)
    [(state, error)] = rows(env, "SELECT state, error FROM background_workitem WHERE name = 'counting.fail'")
    assert (state, marks(env)["9"]) == ("queued", 0)
    assert "number 9 cannot be written" in error
    assert "attempt 1 of 6" in log_of(env).read_text()


@pytest.mark.parametrize("env", ["embedded"], indirect=True)
def test_under_nohup_it_outlives_the_terminal(env):
    with served(env, ("nohup", *MANAGE, "up")) as (_, supervisor):
        supervisor.send_signal(signal.SIGHUP)
        enqueue(env, ("counting.mark", {"number": 1}))
        wait_for("the work", lambda: marks(env)["1"] == 1)
        assert supervisor.poll() is None


@on_servers_only
def test_a_mail_server_that_hangs_holds_up_nothing_else(env, tmp_path):
    started_at, until = tmp_path / "begun", tmp_path / "until"
    with served(env):
        enqueue(env, ("counting.send", {"number": 1, "begun": str(started_at), "until": str(until)}))
        wait_for("the middle of sending", started_at.exists)
        enqueue(env, ("counting.mark", {"number": 2}))
        wait_for("the other work", lambda: marks(env)["2"] == 1)
        assert marks(env)["1"] == 0
        until.touch()
        wait_until_done(env)
    assert marks(env)["1"] == 1


@on_servers_only
def test_a_commit_wakes_a_worker_without_any_schedule(env):
    command = [sys.executable, "-m", "celery", "--quiet", "-A", "config", "worker", "--loglevel", "WARNING"]
    worker = subprocess.Popen(command, cwd=REPOSITORY, env=env)
    try:
        enqueue(env, ("counting.mark", {"number": 1}))
        wait_for("the work", lambda: marks(env)["1"] == 1)
    finally:
        worker.terminate()
        assert worker.wait(STOP_WITHIN_S) == 0


@on_servers_only
def test_work_waits_while_redis_is_down(env):
    down = env | {"REDIS_URL": f"redis://127.0.0.1:{free_port()}/0"}
    enqueue(down, ("counting.mark", {"number": 1}))
    assert queue_length(env) == 1
    run_manage(down, "work_once")
    assert marks(env)["1"] == 1


@on_servers_only
def test_work_goes_on_when_redis_has_been_away(env):
    with RedisServer.running() as first:
        env = env | {"REDIS_URL": first.new_database()}
        with served(env):
            enqueue(env, ("counting.mark", {"number": 1}))
            wait_for("the work", lambda: marks(env)["1"] == 1)
            first.stop()
            enqueue(env, ("counting.mark", {"number": 2}))
            with RedisServer.running(first.port):
                wait_for("the work", lambda: marks(env)["2"] == 1)


@on_servers_only
def test_celerys_own_tools_show_tasks_limits_what_runs_and_what_has_ended(env, tmp_path):
    started_at, until = tmp_path / "begun", tmp_path / "until"
    monitor = Celery(broker=env["REDIS_URL"], set_as_current=False)
    ended: list[str] = []
    with served(env), monitor.connection() as connection:
        tools = monitor.control.inspect(timeout=2)
        tasks = wait_for("answers of both workers", lambda: of_two(tools.registered(*LIMITS)))
        for names in tasks:
            assert "counting.hang [soft_time_limit=1.0 time_limit=11.0]" in names
        enqueue(env, ("counting.send", {"number": 1, "begun": str(started_at), "until": str(until)}))
        wait_for("the middle of sending", started_at.exists)
        [(row,)] = rows(env, "SELECT id FROM background_workitem WHERE name = 'counting.send'")
        active = wait_for("answers of both workers", lambda: of_two(tools.active()))
        [task] = [task for tasks in active for task in tasks]
        assert (task["name"], task["id"]) == ("counting.send", str(row))
        receiver = monitor.events.Receiver(
            connection, handlers={"task-succeeded": lambda event: ended.append(event["uuid"])}
        )
        with receiver.consumer_context() as (events, *_):
            drain(events)  # subscribes
            until.touch()
            wait_for("the event of its end", lambda: drain(events) or str(row) in ended)


def of_two(answers: dict[str, list] | None) -> list[list] | None:
    """The answers of the two workers; None while one is missing."""
    return list(answers.values()) if answers and len(answers) == 2 else None


def drain(connection) -> None:
    """Hand the events that have arrived to their receiver."""
    with suppress(TimeoutError):
        connection.drain_events(timeout=1)
