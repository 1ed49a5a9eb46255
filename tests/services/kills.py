"""A shop at work whose processes are killed over and over; afterwards nothing may be lost, half or doubled.

    python -m tests.services.kills --kills 200 --seed 7
    python -m tests.services.kills --kills 20 --embedded

Real servers, real processes, kill -9. It ends with 1 when an invariant is broken, and says which.
"""

import argparse
import json
import logging
import os
import random
import shutil
import signal
import sys
import threading
import time
import urllib.error
import urllib.request
from collections import Counter
from contextlib import ExitStack
from datetime import timedelta
from http.client import HTTPException
from http.server import BaseHTTPRequestHandler
from pathlib import Path
from tempfile import mkdtemp
from uuid import uuid4

import django

from tests.maintenance.reminders.delivery.receivers import HttpReceiver, MailReceiver
from tests.services.plants import Embedded, Servers
from tests.services.servers import wait_for
from tests.services.shop import OWN_VARIABLES

HEAD = "M83\nM104 S205\nM140 S55\nG1 F1200\nG0 Z0.2\n"
ONE_METRE = "G1 X100 E500\nG1 X0 E500\n"
SPOOLS, FILE_METRES = 20, 200_000
QUIET_WITHIN_S = 900.0
# A worker is killed so long after its item was seen running, at most; a delivery before or after its arrival.
LONGEST_LOOK_S = {"delivery": 0.2}


class SlowReceiver(HttpReceiver):
    """Takes a moment, so that a worker can be killed while it sends."""

    def take(self, request: BaseHTTPRequestHandler) -> None:
        time.sleep(0.1)
        try:
            super().take(request)
        except OSError:
            request.close_connection = True


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--embedded", action="store_true", help="SQLite and ./run instead of servers")
    options = parser.parse_args()
    folder = Path(mkdtemp(prefix="loadworthy-kills-"))
    for name in OWN_VARIABLES | {name for name in os.environ if name.lower().endswith("_proxy")}:
        os.environ.pop(name, None)
    os.environ |= {
        "LOADWORTHY_DATA": str(folder),
        "WEBHOOK_NETWORKS": "127.0.0.0/8",
        "DJANGO_SETTINGS_MODULE": "tests.services.kill_settings",
        "SECRET_KEY": "for the kills alone",
        "EMAIL_SECURITY": "none",
        "EMAIL_HOST": "127.0.0.1",
    }
    with ExitStack() as stack:
        hooks = stack.enter_context(SlowReceiver.running())
        plant = stack.enter_context((Embedded if options.embedded else Servers).prepared(folder))
        mails = stack.enter_context(MailReceiver.running())
        os.environ["EMAIL_PORT"] = str(mails.port)
        django.setup()
        logging.disable(logging.WARNING)  # this process is told of every Redis that is away
        trial = KillTrial(plant, hooks, mails, random.Random(options.seed))
        print(f"Seed {options.seed}; log and data in {folder}", flush=True)
        well = trial.run(options.kills)
    if well:
        shutil.rmtree(folder, ignore_errors=True)
    return 0 if well else 1


class BoardWatch(threading.Thread):
    """Measures how long facts about spools are missing on the board, from looks at both every second."""

    def __init__(self, ended: threading.Event) -> None:
        super().__init__()
        self.ended = ended
        self.longest_s = 0.0
        # The generations of each spool that the board has not reached, with the time they were first seen.
        self.behind: dict[int, dict[int, float]] = {}

    def run(self) -> None:
        from django.db import connection

        while not self.ended.wait(1.0):
            self.look(time.monotonic())
        connection.close()

    def look(self, now: float) -> None:
        from spools.models import Spool

        for pk, present, reached in Spool.objects.filter(ended_at=None).values_list(
            "pk", "cache_generation", "board__generation"
        ):
            waiting = self.behind.setdefault(pk, {})
            waiting.setdefault(present, now)
            for generation in [number for number in waiting if reached is not None and number <= reached]:
                self.longest_s = max(self.longest_s, now - waiting.pop(generation))


class KillTrial:
    """One run: a shop, what feeds it with work, the kills, and what must hold in the end."""

    def __init__(self, plant, hooks: HttpReceiver, mails: MailReceiver, chance: random.Random) -> None:
        self.plant, self.hooks, self.mails, self.chance = plant, hooks, mails, chance
        self.marks = 0
        self.acknowledged: Counter[str] = Counter()
        self.refused = 0
        self.low: list[int] = []
        self.in_flight = 0
        self.fed = threading.Event()
        self.board_watch = BoardWatch(self.fed)
        self.killed: Counter[str] = Counter()
        self.running: dict[str, Counter[str]] = {kind: Counter() for kind in plant.kinds}

    def run(self, kills: int) -> bool:
        self._open_shop()
        self.plant.start()
        wait_for("an answer of the pages", lambda: self._ask("/healthz") == 200, 300)
        feeders = [
            threading.Thread(target=feed) for feed in (self._feed_rows, self._feed_web, self._feed_web)
        ]
        feeders.append(self.board_watch)
        for feeder in feeders:
            feeder.start()
        began = time.monotonic()
        try:
            for number in range(kills):
                self._kill(self.plant.kinds[number % len(self.plant.kinds)])
        except AssertionError:
            self._tell_what_lives()
            raise
        finally:
            print(f"{time.monotonic() - began:.0f} s of kills", flush=True)
            self.fed.set()
            for feeder in feeders:
                feeder.join()
        try:
            return self._judge()
        except AssertionError:
            self._tell_what_lives()
            raise

    @staticmethod
    def _tell_what_lives() -> None:
        from background.models import WorkItem

        for item in WorkItem.objects.filter(state__in=["queued", "running"]).order_by("due")[:40]:
            print(
                f"{item}, due {item.due}, held by {item.holder!r}, attempt {item.attempts}", item.error[-200:]
            )

    # The shop and its work

    def _open_shop(self) -> None:
        from django.contrib.auth import get_user_model
        from django.core.management import call_command

        from access.tokens import add_token
        from maintenance.models import Channel, Reminder, Subscription
        from maintenance.reminders.delivery.webhook import new_secret
        from spools.models import Place
        from tests.spools.conftest import feedstock, hours_ago, receive

        call_command("migrate", verbosity=0)
        user = get_user_model().objects.create_superuser("ada", password="filament-and-dry-air")
        self.token = add_token(user, "a script", "all")[1]
        for kind, address in (("webhook", self.hooks.address), ("email", "ada@shop.example")):
            secret = new_secret() if kind == "webhook" else ""
            channel = Channel.objects.create(user=user, kind=kind, address=address, secret=secret)
            for reminder_kind in Reminder.Kind.values:
                Subscription.objects.create(channel=channel, reminder_kind=reminder_kind, timing="at_once")
        self.shelf = Place.objects.create(name="Open shelf", kind="shelf", assumed_rh_pct=50)
        nylon = feedstock("PA6")
        for _ in range(SPOOLS):
            receive(nylon, self.shelf, core_material="pc", at=hours_ago(240))

    def _feed_rows(self) -> None:
        """Work that another process asks for, straight into the database."""
        from django.db import connection

        chance = random.Random(self.chance.random())
        acts = [self._mark, self._round, self._look, self._low_stock, self._test_message, self._large_file]
        while not self.fed.wait(0.25):
            chance.choice(acts)()
        connection.close()

    def _mark(self) -> None:
        from background.queue import enqueue

        enqueue("counting.mark", {"number": self.marks, "sleep_s": 0.05})
        self.marks += 1

    def _round(self) -> None:
        from background.queue import enqueue

        enqueue("spools.queue_advances", singleton_key="kills.round")

    def _look(self) -> None:
        from background.queue import enqueue

        enqueue("maintenance.raise_reminders", singleton_key="kills.look")

    def _low_stock(self) -> None:
        """A kind of part at its reorder point, which is a cause of a reminder."""
        from maintenance.parts.stock import add_stock
        from tests.pages.small_shop import part_kind

        kind = part_kind("nozzle", f"Nozzle {uuid4().hex[:8]}", bore_mm=0.4, reorder_point=2)
        add_stock(kind, 1)
        self.low.append(kind.pk)

    def _test_message(self) -> None:
        from maintenance.models import Channel
        from maintenance.reminders.delivery import outbox

        outbox.MOST_TESTS = 1_000_000
        outbox.send_test(Channel.objects.order_by("?")[0])

    def _large_file(self) -> None:
        from maintenance.jobs.files import add_job_file, store_content

        if self.acknowledged["large files"] < self.killed.total() + 5:
            text = f"; {uuid4()}\n{HEAD}{FILE_METRES * ONE_METRE}"
            add_job_file(store_content("large.gcode", [text.encode()]))
            self.acknowledged["large files"] += 1

    def _feed_web(self) -> None:
        chance = random.Random(self.chance.random())
        while not self.fed.wait(0.3):
            if chance.random() < 0.6:
                self._post_reading(chance)
            else:
                self._post_file()

    def _post_reading(self, chance: random.Random) -> None:
        from django.utils import timezone

        at = timezone.now() - timedelta(hours=chance.uniform(1, 200))
        body = json.dumps({"at": at.isoformat(), "temperature_c": 22, "rh_pct": chance.randint(30, 60)})
        self._post(f"/api/v1/places/{self.shelf.pk}/readings", body.encode(), "application/json", "readings")

    def _post_file(self) -> None:
        edge = uuid4().hex
        head = 'Content-Disposition: form-data; name="file"; filename="small.gcode"'
        body = f"--{edge}\r\n{head}\r\n\r\n; {edge}\n{HEAD}{10 * ONE_METRE}\r\n--{edge}--\r\n"
        self._post("/api/v1/job-files", body.encode(), f"multipart/form-data; boundary={edge}", "files")

    def _post(self, path: str, body: bytes, form: str, counted_as: str) -> None:
        self.in_flight += 1
        try:
            if self._ask(path, body, form) == 201:
                self.acknowledged[counted_as] += 1
            else:
                self.refused += 1
        finally:
            self.in_flight -= 1

    def _ask(self, path: str, body: bytes | None = None, form: str = "") -> int:
        """The status of the answer; 0 when the server went away."""
        headers = {"Content-Type": form, "Authorization": f"Token {self.token}"}
        request = urllib.request.Request(self.plant.url + path, body, headers)
        try:
            with urllib.request.urlopen(request, timeout=40) as answer:
                return answer.status
        except urllib.error.HTTPError as error:
            return error.code
        except (OSError, HTTPException):
            return 0

    # Kills

    def _kill(self, kind: str) -> None:
        what, _, queue = kind.partition(": ")
        if what == "worker":
            was = self._kill_worker(queue)
        elif queue == "between commit and publish":
            was = self._kill_before_publishing()
        elif what == "web":
            wait_for("a request in flight", lambda: self.in_flight > 0)
            was = f"{self.in_flight} requests"
            time.sleep(self.chance.uniform(0, 0.05))
            self._kill_and_start("web")
        else:
            names = {"schedule": ["schedule 1", "schedule 2"]}.get(kind, [kind])
            was = self._busy()
            self._kill_and_start(self.chance.choice(names))
        self.killed[kind] += 1
        self.running[kind][was] += 1

    def _kill_and_start(self, name: str) -> None:
        self.plant.kill(name)
        time.sleep(self.chance.uniform(0, 1))
        self.plant.start_again(name)

    def _kill_worker(self, queue: str) -> str:
        """In the middle of an item of that queue, as the job table tells it; not twice in the same one."""
        from background.models import WorkItem

        running = WorkItem.objects.filter(queue=queue, state="running", attempts=1)
        for _ in range(30):
            item = wait_for(f"running work of the queue {queue}", running.first, 90, every_s=0.002)
            time.sleep(self.chance.uniform(0, LONGEST_LOOK_S.get(queue, 0.03)))
            if running.filter(pk=item.pk).exists():
                self.plant.kill_holder(item.holder)
                still = running.filter(pk=item.pk, claim=item.claim).exists()
                return item.name if still else f"{item.name}, just done"
        raise AssertionError(f"No work of the queue {queue} lasts long enough to be killed in its middle")

    def _kill_before_publishing(self) -> str:
        """Redis stands still, so requests that have committed wait in publishing: then the web is killed."""
        from background.models import WorkItem

        redis = self.plant.programs["Redis"]
        redis.signal(signal.SIGSTOP)
        try:
            files = WorkItem.objects.filter(name="maintenance.read_job_file")
            before = files.exclude(origin="").count()
            asked = threading.Thread(target=self._post_file)
            asked.start()
            wait_for("the commit", lambda: files.exclude(origin="").count() > before)
            self.plant.kill("web")
        finally:
            redis.signal(signal.SIGCONT)
        self.plant.start_again("web")
        asked.join()
        return "a committed job file"

    def _busy(self) -> str:
        from background.models import WorkItem

        names = WorkItem.objects.filter(state="running").order_by("name").values_list("name", flat=True)
        return " and ".join(names) or "nothing"

    # The end

    def _judge(self) -> bool:
        from background.queue import enqueue

        for kind, count in self.killed.items():
            within = ", ".join(f"{what} {times}x" for what, times in self.running[kind].most_common(6))
            print(f"{count:4d} x {kind:34s} during {within}", flush=True)
        fresh_after_s = self._wait_for_fresh_board()
        self._wait_for_quiet()
        enqueue("spools.queue_advances")
        enqueue("maintenance.raise_reminders")
        time.sleep(1)
        self._wait_for_quiet()
        found = [*self._marks_hold(), *self._web_holds(), *self._reminders_hold(), *self._messages_hold()]
        found += [*self._board_holds(fresh_after_s), *self._moisture_holds(), *self._queue_holds()]
        for says, broken in found:
            print(f"{'BROKEN' if broken else 'holds '} {says}{f': {broken}' if broken else ''}", flush=True)
        return not any(broken for _, broken in found)

    def _wait_for_quiet(self) -> None:
        from django.utils import timezone

        from background.models import WorkItem
        from maintenance.models import Message

        def quiet() -> bool:
            soon = timezone.now() + timedelta(minutes=2)
            live = WorkItem.objects.filter(state__in=["queued", "running"], due__lte=soon)
            return not live.exists() and not Message.objects.filter(state="waiting").exists()

        wait_for("the end of all work", quiet, QUIET_WITHIN_S)

    def _marks_hold(self):
        from django.contrib.auth.models import Group

        from background.models import WorkItem

        made = Counter(name.split()[0] for name in Group.objects.values_list("name", flat=True))
        slots = WorkItem.objects.filter(name="counting.slot", state="done").count()
        other = abs(made.pop("slot", 0) - slots)
        wrong = {number: made[str(number)] for number in range(self.marks) if made[str(number)] != 1}
        yield f"each of {self.marks} marks was made exactly once", wrong or len(made) - self.marks
        yield f"each of {slots} slots left exactly one row", other

    def _web_holds(self):
        from maintenance.models import JobFile
        from spools.models import Reading

        told = self.acknowledged
        few = Reading.objects.filter(place=self.shelf).count() < told["readings"]
        yield f"all {told['readings']} acknowledged readings are kept ({self.refused} were cut off)", few
        few = JobFile.objects.count() < told["files"] + told["large files"]
        unread = JobFile.objects.exclude(state="read").count()
        yield f"all {JobFile.objects.count()} job files are there and read", few or unread

    def _reminders_hold(self):
        from django.db.models import Count, Q

        from maintenance.models import Reminder
        from maintenance.reminders.sweep import sweep

        once = Reminder.objects.annotate(opened=Count("events", filter=Q(events__type="opened")))
        conditions = [f"reorder:part_kind:{pk}" for pk in self.low]
        open_ = Counter(once.filter(ended_at=None).values_list("condition", flat=True))
        yield (
            f"each of {len(conditions)} conditions has one open reminder",
            [c for c in conditions if open_[c] != 1],
        )
        yield (
            f"{once.count()} reminders: one open per condition",
            [c for c, count in open_.items() if count > 1],
        )
        yield "each reminder was opened in exactly one event", once.exclude(opened=1).count()
        again = sweep()
        yield "another sweep opens and resolves nothing", again.opened or again.resolved

    def _messages_hold(self):
        from maintenance.models import Message

        for kind, ids in (("webhook", self.hooks.ids), ("email", self.mails.ids)):
            mine = Message.objects.filter(channel__kind=kind)
            sent = {str(pk) for pk in mine.filter(state="sent").values_list("pk", flat=True)}
            # To people, many at once are told as one, and what is no longer due is not told.
            others = mine.exclude(state__in=["sent", "bundled", "expired"]).count()
            got = Counter(ids)
            doubles = got.total() - len(got)
            says = f"all {len(sent)} messages sent by {kind} were received, {doubles} of them again"
            yield says, len(sent - got.keys()) or others
            known = {str(pk) for pk in mine.values_list("pk", flat=True)}
            yield f"no unknown message was received by {kind}", len(got.keys() - known)

    def _moisture_holds(self):
        from spools.models import MoistureState, Spool
        from spools.moisture import cache as moisture_cache

        spools = list(Spool.objects.all())
        with_states = MoistureState.objects.values("spool").distinct().count()
        yield f"all {SPOOLS} spools have stored moisture", with_states != SPOOLS
        yield "stored moisture equals a rebuild to the bit", moisture_cache.rebuild(spools)

    def _wait_for_fresh_board(self) -> float:
        """Seconds from the last kill until the worker has brought all rows up to date."""
        from django.utils import timezone

        from spools.board import board

        began = time.monotonic()
        wait_for("a fresh board", lambda: not board.find_stale(timezone.now()), QUIET_WITHIN_S)
        return time.monotonic() - began

    def _board_holds(self, fresh_after_s: float):
        from django.utils import timezone

        from maintenance.board import toolheads
        from spools.board import board
        from spools.models import SpoolBoard

        behind_s = self.board_watch.longest_s
        yield (
            f"the board was fresh {fresh_after_s:.0f} s after the last kill ({behind_s:.0f} s behind at most before)",
            fresh_after_s > 60,
        )
        now = timezone.now()
        yield f"all {SPOOLS} spools have a fresh row on the board", board.find_stale(now)
        board.refresh([row.spool_id for row in SpoolBoard.objects.all()], now)
        yield "the board equals a rebuild to the bit", board.rebuild(now)
        yield "no row of a toolhead is stale", toolheads.find_due(now)

    def _queue_holds(self):
        from background.models import WorkItem

        count = WorkItem.objects.count()
        yield f"of {count} items none is stuck", WorkItem.objects.filter(state="running").count()
        yield (
            "none was given up",
            list(WorkItem.objects.filter(state="failed").values_list("name", flat=True)),
        )


if __name__ == "__main__":
    sys.exit(main())
