"""Fixtures that several folders of tests share: the test database, the browser, real servers."""

import gc
import os
import random
from collections.abc import Callable, Iterator
from functools import partial
from tempfile import TemporaryDirectory

import pytest
import time_machine
from django.conf import settings
from django.utils import timezone
from hypothesis import HealthCheck
from hypothesis import settings as hypothesis_settings
from playwright.sync_api import Browser, Playwright, expect, sync_playwright

from background.messages import compile_catalogues
from tests.services.servers import PostgresServer, RedisServer
from tests.services.shop import PREPARED, migrate_once, run_manage, shop_env

# Playwright's synchronous interface runs an event loop in the thread in which the tests use the database.
os.environ.setdefault("DJANGO_ALLOW_ASYNC_UNSAFE", "true")

# How long an example takes depends on the machine and on what else it does. Examples share a test's database and
# make what they need under names of their own. Each run draws others; EXAMPLES=300 draws more at once.
hypothesis_settings.register_profile(
    "untimed",
    max_examples=int(os.environ.get("EXAMPLES", "30")),
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
)
hypothesis_settings.load_profile("untimed")

CHROMIUM = "/usr/bin/chromium"
CHROMIUM_ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


def pytest_configure(config: pytest.Config) -> None:
    # Accounts of tests need no slow hash.
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
    # Not the copy in a data folder that happens to be there.
    settings.STORAGES["staticfiles"]["BACKEND"] = "django.contrib.staticfiles.storage.StaticFilesStorage"
    settings.WHITENOISE_USE_FINDERS = True
    # Files are looked for when they are asked for, not all of them by each client.
    settings.WHITENOISE_AUTOREFRESH = True
    compile_catalogues()
    # The processes that it starts inherit it.
    if PREPARED not in os.environ:
        folder = TemporaryDirectory(prefix="loadworthy-prepared-")
        os.environ[PREPARED] = folder.name
        config.add_cleanup(folder.cleanup)


# Tests that start programs and wait for them.
WAITING = (
    "tests/background/",
    "tests/browser/",
    "tests/clients/",
    "tests/farm/",
    "tests/services/",
    "tests/setup/",
)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """One process gets the tests that wait, while the others compute, and no long one is left for the end.

    It gets all that need PostgreSQL, too, which each process would start for itself.
    """
    items.sort(
        key=lambda item: not (item.nodeid.startswith(WAITING) or "postgres_server" in item.fixturenames)
    )


def pytest_collection_finish() -> None:
    """The garbage collector leaves out what is imported: it stays, and is most of what there is."""
    gc.collect()
    gc.freeze()


@pytest.fixture(scope="session")
def django_db_modify_db_settings(
    django_db_modify_db_settings: None, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """A file like the real one, with WAL, instead of SQLite's default of a test database in memory."""
    database = settings.DATABASES["default"]
    if database["ENGINE"] == "django.db.backends.sqlite3":
        migrate_once(data := tmp_path_factory.mktemp("database") / "data")
        database.setdefault("TEST", {})["NAME"] = str(data / "loadworthy.sqlite3")
        # A test outlives no power cut.
        options = database["OPTIONS"]
        options["init_command"] = options["init_command"].replace("synchronous=FULL", "synchronous=OFF")


@pytest.fixture(scope="session")
def django_db_keepdb() -> bool:
    """The file is there, migrated; it goes with its folder."""
    return settings.DATABASES["default"]["ENGINE"] == "django.db.backends.sqlite3"


START = timezone.now().replace(second=0, microsecond=0)


@pytest.fixture(autouse=True)
def _same_minute(request: pytest.FixtureRequest) -> Iterator[None]:
    """Each test begins when the run began, at a full minute: facts of some hours ago have the same time in all of it.

    Programs that a test starts have a clock of their own.
    """
    if request.node.nodeid.startswith(WAITING):
        yield
    else:
        with time_machine.travel(START, tick=True):
            yield


@pytest.fixture(autouse=True)
def _same_codes(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Spools get the same codes in every run of a test: the ensemble of a spool is seeded by its code."""
    monkeypatch.setattr("spools.codes.secrets", random.Random(request.node.nodeid))


@pytest.fixture(scope="session")
def playwright() -> Iterator[Playwright]:
    """Its one instance: a second one beside it is refused."""
    # A busy machine may need longer than Playwright's 5 s.
    expect.set_options(timeout=120_000)
    with sync_playwright() as started:
        yield started


@pytest.fixture(scope="session")
def chromium(playwright: Playwright) -> Iterator[Browser]:
    """A headless Chromium; tests open contexts of their own in it."""
    browser = playwright.chromium.launch(executable_path=CHROMIUM, args=CHROMIUM_ARGUMENTS)
    yield browser
    browser.close()


@pytest.fixture(scope="session")
def postgres_server() -> Iterator[PostgresServer]:
    """A real PostgreSQL on a free port; new_database() returns the DATABASE_URL of an empty database."""
    with PostgresServer.running() as server:
        yield server


@pytest.fixture(scope="session")
def migrated_postgres(
    postgres_server: PostgresServer, tmp_path_factory: pytest.TempPathFactory
) -> Callable[[], str]:
    """The address of a new, migrated database of the real PostgreSQL."""
    template = postgres_server.new_database()
    env = shop_env(tmp_path_factory.mktemp("migrating"), template)
    run_manage(env, "migrate", "--verbosity", "0")
    return partial(postgres_server.new_database, template)


@pytest.fixture(scope="session")
def redis_server() -> Iterator[RedisServer]:
    """A real Redis on a free port; new_database() returns the REDIS_URL of an empty database."""
    with RedisServer.running() as server:
        yield server
