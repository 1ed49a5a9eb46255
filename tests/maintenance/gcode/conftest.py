"""Jobs written into files, and read."""

import pytest

from maintenance.gcode import JobFacts, ReaderSettings, read_job


@pytest.fixture(scope="module")
def facts_of(tmp_path_factory):
    """The facts of a job that is given as text or bytes."""
    path = tmp_path_factory.mktemp("jobs") / "job.gcode"

    def read(job: str | bytes, reading: ReaderSettings | None = None, **options) -> JobFacts:
        path.write_bytes(job if isinstance(job, bytes) else job.encode())
        return read_job(path, reading, **options)

    return read
