import os
import secrets
from pathlib import Path

from django.conf import settings
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import OperationalError

from background.initial_user import create_demo_people, create_initial_user
from background.messages import compile_catalogues
from background.static_files import collect_static_files
from background.supervisor import CannotStart, data_folder_error, lock_data_folder


class Command(BaseCommand):
    help = "Bring the data folder, the database, the catalogue and the first account up to date; repeatable."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--demo", action="store_true", help="Load the invented demo shop when empty.")

    def handle(self, *args: object, **options: object) -> None:
        try:
            _make_data_folder(settings.DATA_DIR)
            # Not under the feet of a service that runs.
            with lock_data_folder(settings.DATA_DIR):
                self._prepare_database(demo=bool(options["demo"]))
        except CannotStart as error:
            raise CommandError(str(error)) from error
        except OperationalError as error:
            raise CommandError(_cannot_open(error)) from error

    def _prepare_database(self, demo: bool) -> None:
        call_command("migrate", verbosity=0)
        _close_database()
        call_command("load_catalogue", verbosity=0)
        call_command("invalidate_caches", verbosity=0)
        call_command("compile_kernels", stdout=self.stdout)
        collect_static_files()
        compile_catalogues()
        name = "demo" if demo else "owner"
        password = create_initial_user(name, must_change_password=not demo)
        if demo:
            call_command("load_demo", if_empty=True, verbosity=0)
        if password:
            # The demo shop has a data folder of its own, which the command needs as an argument.
            folder = os.path.relpath(settings.DATA_DIR, settings.BASE_DIR)
            where = f"LOADWORTHY_DATA={folder} " if demo else ""
            shown = password if demo or self.stdout.isatty() else _store_password(password)
            self.stdout.write(
                f"First account: name {name}, password {shown}\n"
                "Sign in with it on the page below. Set another one at any time with\n"
                f"    {where}./run manage changepassword {name}"
            )
            for person, role, secret in create_demo_people() if demo else ():
                self.stdout.write(f"To see the shop with the role {role}: name {person}, password {secret}")


def _store_password(password: str) -> str:
    """A file for this user's eyes only: lines that no person reads end up in a journal."""
    path = settings.DATA_DIR / "first_password"
    _write_secret(path, password)
    return f"in the file {path}, to be changed at the first sign-in; delete the file then"


def _make_data_folder(folder: Path) -> None:
    """The folder and its secret key, both for this user's eyes only."""
    key = folder / "secret_key"
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        if not key.exists():
            _write_secret(key, secrets.token_urlsafe(50))
    except OSError as error:
        raise data_folder_error(folder, error) from error


def _close_database() -> None:
    """SQLite's files for this user's eyes only; earlier versions left them as open as the folder."""
    database = settings.DATABASES["default"]
    if database["ENGINE"].endswith("sqlite3"):
        path = Path(str(database["NAME"]))
        for file in path.parent.glob(f"{path.name}*"):
            file.chmod(0o600)


def _write_secret(path: Path, text: str) -> None:
    with open(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as file:
        file.write(text)


def _cannot_open(error: OperationalError) -> str:
    if settings.DATABASES["default"]["ENGINE"].endswith("sqlite3"):
        return (
            f"The database in {settings.DATA_DIR} cannot be opened ({error}): make the folder writable "
            "for you, or name another one in LOADWORTHY_DATA."
        )
    return f"The database does not answer: start it, or correct DATABASE_URL ({str(error).splitlines()[0]})."
