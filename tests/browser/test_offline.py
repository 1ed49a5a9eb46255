"""A phone that loses its connection: the last board stays readable, and scans are sent once when it is back."""

import socket
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect

from tests.services.shop import Shop, run_manage

from .walk import Newcomer, sign_in_as_told

pytestmark = pytest.mark.browser
FACTS = """
from spools.codes import build_short
from spools.models import Place, Spool, Stay
free = Stay.objects.filter(end=None, place__kind="shelf").values("spool")
place = Place.objects.in_use().filter(kind="dry_box").first()
print(build_short("P", place.pk), *Spool.objects.filter(pk__in=free).values_list("code", flat=True)[:2])
"""
MOVES = """
SELECT place.kind FROM spools_move move JOIN spools_place place ON place.id = move.place_id
JOIN spools_spool spool ON spool.id = move.spool_id WHERE spool.code = ? ORDER BY move.id
"""


class Wire:
    """The way from a phone to the shop, which may be cut: before a request arrives, or before its answer does."""

    def __init__(self, port: int) -> None:
        self.port = port
        self.cut = False
        self.loses_answers = False
        self.server = socket.create_server(("127.0.0.1", 0))
        threading.Thread(target=self._serve, daemon=True).start()

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.server.getsockname()[1]}"

    def _serve(self) -> None:
        while True:
            try:
                phone, _ = self.server.accept()
            except OSError:
                return
            threading.Thread(target=self._pass_on, args=[phone], daemon=True).start()

    def _pass_on(self, phone: socket.socket) -> None:
        with phone:
            if self.cut:
                return
            with socket.create_connection(("127.0.0.1", self.port)) as shop:
                threading.Thread(target=self._copy, args=[phone, shop, False], daemon=True).start()
                self._copy(shop, phone, True)

    def _copy(self, source: socket.socket, target: socket.socket, is_answer: bool) -> None:
        try:
            while data := source.recv(65536):
                if self.cut or (is_answer and self.loses_answers):
                    break
                target.sendall(data)
            target.shutdown(socket.SHUT_RDWR)
        except OSError:
            # The other side was cut.
            return


@contextmanager
def wire_to(url: str) -> Iterator[Wire]:
    wire = Wire(int(url.rpartition(":")[2]))
    try:
        yield wire
    finally:
        wire.server.close()


def places_of(shop: Shop, code: str) -> list[str]:
    """The kinds of the places that a spool came to."""
    with closing(sqlite3.connect(Path(shop.env["LOADWORTHY_DATA"], "loadworthy.sqlite3"))) as database:
        return [kind for (kind,) in database.execute(MOVES, [code])]


def test_without_a_connection_the_board_is_shown_and_scans_are_sent_once(
    chromium: Browser, changing_shop: Shop
) -> None:
    with wire_to(changing_shop.url) as wire:
        place, first, second = run_manage(changing_shop.env, "shell", "-v0", "-c", FACTS).split()
        shop = replace(changing_shop, url=wire.url)
        with chromium.new_context(viewport={"width": 390, "height": 844}) as context:
            page = context.new_page()
            sign_in_as_told(me := Newcomer(page, shop))
            for path in ("/", "/scan/move/"):
                me.go(path)
                page.evaluate("navigator.serviceWorker.ready.then(() => null)")
                # The worker has charge of the page from its second visit on.
                me.go(path)

            wire.cut = True
            me.go("/")
            expect(page.locator("[data-note=offline]")).to_contain_text("No connection")
            me.go("/scan/move/")
            expect(page.locator("[data-note=offline]")).to_be_visible()
            me.fill(codes=f"{place}\n{first}")
            me.tap("Move them")
            expect(page.locator("[data-queue] li")).to_have_count(1)
            assert places_of(shop, first)[-1] == "shelf"

            wire.cut = False
            me.tap("Send now")
            expect(page.locator("[data-queue]")).to_be_hidden()
            assert places_of(shop, first)[-1] == "dry_box"

            # The shop records it, and the answer is lost: it is sent again, and recorded once.
            me.go("/scan/move/")
            me.fill(codes=f"{place}\n{second}")
            before = places_of(shop, second)
            wire.loses_answers = True
            me.tap("Move them")
            expect(page.locator("[data-queue] li")).to_have_count(1)
            wire.loses_answers = False
            me.tap("Send now")
            expect(page.locator("[data-queue]")).to_be_hidden()
            after = places_of(shop, second)
            assert after == [*before, "dry_box"]

            # Whoever signs out leaves no board behind.
            me.go("/")
            page.locator("details.more > summary").click()
            page.get_by_role("button", name="Sign out").filter(visible=True).click()
            page.wait_for_url("**/sign-in/**")
            assert page.evaluate(
                "caches.match('/', { ignoreVary: true }).then((found) => found === undefined)"
            )
