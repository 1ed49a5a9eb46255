"""The collected copy of the static files in the data folder: hashed names for caches, packed with gzip."""

from hashlib import sha256

from django.conf import settings
from django.contrib.staticfiles.finders import get_finders
from django.contrib.staticfiles.management.commands.collectstatic import Command as CollectStatic
from django.core.management import call_command
from whitenoise.storage import CompressedManifestStaticFilesStorage

# Parts of libraries that no page uses.
UNUSED = ["redoc"]


class HashedStorage(CompressedManifestStaticFilesStorage):
    """Scripts import each other by their hashed names, too: files under plain names are not kept."""

    support_js_module_import_aggregation = True


def collect_static_files() -> None:
    """Collect them anew when a file has changed since the last time; takes 2 s of the processor."""
    stamp = settings.STATIC_ROOT / "collected-from"
    present = _digest_sources()
    if stamp.exists() and stamp.read_text() == present:
        return
    # A process without a collected copy has the plain storage.
    command = CollectStatic()
    command.storage = HashedStorage()
    call_command(command, interactive=False, clear=True, ignore_patterns=UNUSED, verbosity=0)
    stamp.write_text(present)


def _digest_sources() -> str:
    digest = sha256()
    for finder in get_finders():
        for name, storage in sorted(finder.list(UNUSED), key=lambda listed: str(listed[0])):
            modified = storage.get_modified_time(name).timestamp()
            digest.update(f"{name}\0{storage.size(name)}\0{modified}\n".encode())
    return digest.hexdigest()
