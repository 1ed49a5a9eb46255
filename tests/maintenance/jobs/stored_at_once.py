"""Two job files that come at the same moment, of which the quota of their account has room for one."""

import threading

from django.conf import settings
from django.core.exceptions import ValidationError
from django.db import connection
from django.test.utils import override_settings

from access.models import User
from maintenance.jobs.files import add_job_file, store_content
from maintenance.models import JobFile

SIZE = 70


def send_two_at_once(user: User) -> list[str]:
    """What went wrong."""
    both_stored, results = threading.Barrier(2), []

    def send(letter: bytes) -> None:
        try:
            stored = store_content("a.gcode", [letter * SIZE], user)
            both_stored.wait(60)
            add_job_file(stored, by=user)
            results.append("added")
        except ValidationError as error:
            results.append(error.error_dict["file"][0].code)
        except Exception as error:
            results.append(repr(error))
        finally:
            connection.close()

    with override_settings(JOB_FILES_BYTES=100):
        threads = [threading.Thread(target=send, args=[letter]) for letter in (b"X", b"Y")]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    wrong = [] if sorted(results) == ["added", "job_files_quota"] else [f"two files at once: {results}"]
    stored = {path.name for path in (settings.DATA_DIR / "jobs").iterdir()}
    if stored != set(JobFile.objects.values_list("digest", flat=True)) or len(stored) != 1:
        wrong.append(f"{len(stored)} contents are stored")
    return wrong
