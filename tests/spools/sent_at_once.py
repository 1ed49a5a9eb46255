"""The same form and the same API request, sent several times at once, on the migrated database of the environment;
and two job files at once.

Run as a module by test_idempotency.py; prints what went wrong, one line each.
"""

import threading
from collections.abc import Callable
from uuid import uuid4

import django

django.setup()

from django.db import connection  # noqa: E402
from django.test import Client  # noqa: E402
from django.urls import reverse  # noqa: E402

from access.tokens import add_token  # noqa: E402
from spools.models import MassEntry  # noqa: E402
from tests.maintenance.jobs.stored_at_once import send_two_at_once  # noqa: E402
from tests.pages.small_shop import small_shop  # noqa: E402

ROUNDS, AT_ONCE = 3, 5


def main() -> None:
    shop = small_shop()
    spool = shop.spools[2]
    token = add_token(shop.user, "a script", "all")[1]
    page, address = reverse("spool-weigh", args=[spool.code]), f"/api/v1/spools/{spool.code}/weigh"
    for number in range(ROUNDS):
        grams, key = 1100 - 2 * number, str(uuid4())

        def by_page(grams: int = grams, key: str = key) -> object:
            desk = Client(SERVER_NAME="localhost")
            desk.force_login(shop.user)
            answer = desk.post(page, {"gross_g": grams, "resolution_g": 1, "form_key": key})
            return answer.status_code, answer.headers.get("Location")

        def by_api(grams: int = grams, key: str = key) -> object:
            headers = {"Authorization": f"Token {token}", "Idempotency-Key": key}
            answer = Client(SERVER_NAME="localhost").post(
                address, {"gross_g": grams - 1}, content_type="application/json", headers=headers
            )
            return answer.status_code, answer.content

        for status, send, weighed_g in ((302, by_page, grams), (201, by_api, grams - 1)):
            answers = at_once(send)
            if {answer[0] for answer in answers} != {status} or len(set(answers)) != 1:
                print(f"other answers: {answers}")
            if (count := MassEntry.objects.filter(spool=spool, gross_g=weighed_g).count()) != 1:
                print(f"{weighed_g} g were recorded {count} times")
    for fault in send_two_at_once(shop.user):
        print(fault)


def at_once(send: Callable[[], object]) -> list:
    """The answers to several that send at the same moment."""
    start, answers = threading.Barrier(AT_ONCE), []

    def run() -> None:
        try:
            start.wait()
            answers.append(send())
        except Exception as error:
            answers.append((type(error).__name__, str(error)))
        finally:
            connection.close()

    threads = [threading.Thread(target=run) for _ in range(AT_ONCE)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return answers


if __name__ == "__main__":
    main()
