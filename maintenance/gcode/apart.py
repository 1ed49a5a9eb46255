"""Reads a job in a process of its own, whose memory is limited: what a file does to it happens to nobody else."""

import ctypes
import gc
import json
import os
import resource
import signal
import traceback
from collections.abc import Callable
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import IO, Any

from .errors import GcodeError
from .facts import JobFacts
from .reading import read_job
from .settings import ReaderSettings

# What reading may take on top of the process that it is forked from. Plain, gzip and ZIP, jobs of 300,000 lines of each
# kind and 300 MiB of blanks that unpack from 300 kB: 16 MiB are too little, 32 are enough.
ROOM_BYTES = 256 * 2**20
PR_SET_PDEATHSIG = 1
SHORT_JOB = "M83\nM104 S210\nG1 Z0.2 F600\nG1 X10 Y5 E1\nG1 E-1\nG2 X20 Y5 I5 J0 E1\n"
# Signals that a person or the service ends a process with; all others are the file's doing.
ENDED = (signal.SIGTERM, signal.SIGINT, signal.SIGHUP)


@cache
def load_reader() -> None:
    """Load the compiled kernels into this process: each that is forked from it has them, too."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "job.gcode"
        path.write_text(SHORT_JOB)
        read_job(path)


def read_job_apart(
    path: Path,
    reading: ReaderSettings,
    *,
    member: str = "",
    progress: Callable[[float], None],
) -> JobFacts:
    """As read_job. Raises GcodeError, too, for a file that takes too much memory or ends the process.

    What progress raises ends the process. RuntimeError: a defect of the reader, with its traceback.
    """
    load_reader()
    receiver, sender = os.pipe()
    child = os.fork()
    if child == 0:
        # Nothing of this process's stack may run in the child: it has connections that are not its own.
        try:
            os.close(receiver)
            with os.fdopen(sender, "w") as results:
                _read(results, path, reading, member)
        finally:
            os._exit(0)
    os.close(sender)
    try:
        with os.fdopen(receiver) as results:
            for line in results:
                match json.loads(line):
                    case {"share": share}:
                        progress(share)
                    case {"facts": facts}:
                        return JobFacts.from_json(facts)
                    case {"refused": code, "values": values}:
                        raise GcodeError(code, **values)
                    case {"failed": failure}:
                        raise RuntimeError(failure)
        _, status = os.waitpid(child, 0)
        child = 0
    finally:
        if child:
            os.kill(child, signal.SIGKILL)
            os.waitpid(child, 0)
    if os.WIFSIGNALED(status) and os.WTERMSIG(status) in ENDED:
        raise RuntimeError("The process that read the file was ended.")
    raise GcodeError("ended_reader")


def _read(results: IO[str], path: Path, reading: ReaderSettings, member: str) -> None:
    def send(**result: Any) -> None:
        print(json.dumps(result), file=results, flush=True)

    try:
        gc.disable()
        ctypes.CDLL(None).prctl(PR_SET_PDEATHSIG, signal.SIGKILL)
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
        limit = _data_bytes() + ROOM_BYTES
        resource.setrlimit(resource.RLIMIT_DATA, (limit, limit))
        facts = read_job(path, reading, member=member, progress=lambda share: send(share=share))
        send(facts=facts.as_json())
    except GcodeError as error:
        send(refused=error.statement.code.removeprefix("job_file."), values=error.statement.values)
    except MemoryError:
        send(refused="too_much_memory", values={})
    except BaseException:
        send(failed=traceback.format_exc())


def _data_bytes() -> int:
    """The private memory that this process has now."""
    with open("/proc/self/status") as status:
        return next(1024 * int(line.split()[1]) for line in status if line.startswith("VmData:"))
