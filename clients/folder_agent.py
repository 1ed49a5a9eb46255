#!/usr/bin/env python3
"""Watches folders of job files, and reports to Loadworthy how far each job is: where its file is, there the job is.

    folder_agent.py JOBS

    JOBS/Printer 1/bracket.gcode             a job for Printer 1: its file is uploaded, its print planned
    JOBS/Printer 1/printing/bracket.gcode    moved here: it prints
    JOBS/Printer 1/finished/bracket.gcode    moved here: it is finished; likewise failed/ and stopped/

Each printer has a folder with the printer's name. A file counts when it no longer grows. More about a job is said in a
file beside it, bracket.gcode.json: {"metres": 12.5, "good_parts": 3, "reason": "..."}, with the fields of an event;
{"result": "finished"} in it ends the job where files are not moved. Set up as printer_client.py, which must lie beside
this file. Docs: docs/neighbours/printers.md.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
import uuid
from datetime import datetime, timezone
from pathlib import Path
from stat import S_ISREG
from typing import Any, Iterator, NamedTuple

from printer_client import EVENT_FIELDS, Client, NoAnswer, WrongSetup, describe, digest_of

KIND_BY_FOLDER = {
    "": "planned",
    "printing": "started",
    "finished": "finished",
    "failed": "failed",
    "stopped": "stopped",
}
ENDS = ("finished", "failed", "stopped")
ENDINGS = (".gcode", ".gco", ".g", ".nc", ".gz", ".3mf", ".zip")
UPLOAD_TIMEOUT_S = 300.0
# A file that the shop does not take is offered again after so long.
OFFERED_EVERY_S = 300.0
# kept: the time of the folder's first scan. What was over by then is not reported.
SCHEMA = (
    "CREATE TABLE IF NOT EXISTS agent_jobs (job TEXT PRIMARY KEY, printer TEXT NOT NULL, name TEXT NOT NULL,"
    " digest TEXT NOT NULL, stage TEXT NOT NULL)",
    "CREATE TABLE IF NOT EXISTS agent_files (path TEXT PRIMARY KEY, signature TEXT NOT NULL, job TEXT)",
)


class JobFile(NamedTuple):
    """A job file as it lies in a folder. kind: of the event that this means."""

    path: Path
    printer: str
    kind: str
    status: os.stat_result

    @property
    def signature(self) -> str:
        return f"{self.status.st_size}:{self.status.st_mtime_ns}"

    @property
    def moved_at(self) -> datetime:
        """When it came here: its last change, as a file is not touched when it lies there."""
        at = self.status.st_ctime if os.name == "posix" else time.time()
        return datetime.fromtimestamp(at, timezone.utc)


class Agent:
    """Reports the jobs of a folder through a client. settle_s: a file counts when it has not changed for so long."""

    def __init__(self, client: Client, folder: str | os.PathLike[str], settle_s: float = 10.0) -> None:
        self.client, self.folder, self.settle_s = client, Path(folder), settle_s
        self._seen: dict[Path, tuple[str, float]] = {}
        self._offered: dict[str, float] = {}
        with client.queue() as queue:
            for table in SCHEMA:
                queue.execute(table)
        first = not self._rows("SELECT 1 FROM agent_files UNION SELECT 1 FROM agent_jobs LIMIT 1")
        for file in self._list() if first else ():
            if file.kind in ENDS:
                self._store_file(file, None)

    def scan(self) -> None:
        """Look at the folder once: record what changed, and send it. Raises NoAnswer and WrongSetup."""
        files = list(self._list())
        self._forget(files)
        known = {path: (signature, job) for path, signature, job in self._rows("SELECT * FROM agent_files")}
        for file in self._settled(files):
            signature, job = known.get(str(file.path), ("", None))
            if signature != file.signature:
                job = self._find_job(file)
                self._store_file(file, job)
            if job is not None:
                self._report(job, file)
        self.client.send()

    def _list(self) -> Iterator[JobFile]:
        """The job files, those of plans first: a job is planned before it is over."""
        for name, kind in KIND_BY_FOLDER.items():
            for folder in sorted(self.folder.glob("[!.]*/" + name)):
                for path in sorted(folder.glob("[!.]*")):
                    try:
                        status = path.lstat()
                    except OSError:
                        continue  # It was moved since it was listed.
                    if S_ISREG(status.st_mode) and path.name.lower().endswith(ENDINGS) and status.st_size:
                        yield JobFile(path, path.relative_to(self.folder).parts[0], kind, status)

    def _settled(self, files: list[JobFile]) -> Iterator[JobFile]:
        now, before = time.monotonic(), self._seen
        self._seen = {}
        for file in files:
            signature, since = before.get(file.path, ("", now))
            self._seen[file.path] = (file.signature, since if signature == file.signature else now)
            if now - self._seen[file.path][1] >= self.settle_s:
                yield file

    def _forget(self, files: list[JobFile]) -> None:
        """A file that is gone may come again, as another job. It is not gone with the whole folder, as of a share."""
        present = {str(file.path) for file in files}
        for (path,) in self._rows("SELECT path FROM agent_files"):
            if path not in present and Path(path).parent.is_dir():
                self._rows("DELETE FROM agent_files WHERE path = ?", path)

    def _find_job(self, file: JobFile) -> str | None:
        """The id of the job that this file belongs to: one that is not over, or a new one."""
        digest = digest_of(file.path)
        rows = self._rows(
            "SELECT job FROM agent_jobs WHERE printer = ? AND name = ? AND digest = ? AND stage != 'over'"
            " ORDER BY rowid LIMIT 1",
            *(file.printer, file.path.name, digest),
        )
        if rows:
            return rows[0][0]
        if file.kind in ENDS:
            print(f"{file.path}: no job of it was planned, so its end is not reported.", file=sys.stderr)
            return None
        job = str(uuid.uuid4())
        self._rows(
            "INSERT INTO agent_jobs VALUES (?, ?, ?, ?, 'new')", job, file.printer, file.path.name, digest
        )
        return job

    def _report(self, job: str, file: JobFile) -> None:
        """Record the events that lead to where the file is now."""
        [(digest, stage)] = self._rows("SELECT digest, stage FROM agent_jobs WHERE job = ?", job)
        if stage == "over":
            return
        try:
            said = self._read_note(file)
            if stage == "new":
                self._upload(job, file)
        except ValueError as error:
            print(f"{file.path}: {error}", file=sys.stderr)
            return
        kind = said.pop("result", file.kind)
        said.setdefault("at", file.moved_at)
        with self.client.queue() as queue:
            if stage == "new":
                planned = {name: value for name, value in said.items() if name in ("at", "toolhead", "spool")}
                planned.update(name=file.path.name, file=digest)
                self.client.record_in(queue, "planned", file.printer, job, **planned)
            if kind in ENDS or (kind == "started" and stage != "started"):
                self.client.record_in(queue, kind, file.printer, job, **said)
            stage = "over" if kind in ENDS else kind if kind == "started" or stage == "new" else stage
            queue.execute("UPDATE agent_jobs SET stage = ? WHERE job = ?", (stage, job))

    def _read_note(self, file: JobFile) -> dict[str, Any]:
        """The fields of the note beside a file, or in another folder of its printer. Raises ValueError."""
        others = (self.folder / file.printer / name for name in KIND_BY_FOLDER)
        for path in (folder / f"{file.path.name}.json" for folder in (file.path.parent, *others)):
            if path.is_file():
                said = json.loads(path.read_text(encoding="utf-8"))
                if not isinstance(said, dict) or said.keys() - {*EVENT_FIELDS, "at", "result"}:
                    raise ValueError(f"{path.name} may have result, at, {', '.join(EVENT_FIELDS)}.")
                if said.get("result", ENDS[0]) not in ENDS:
                    raise ValueError(f"The result in {path.name} is one of {', '.join(ENDS)}.")
                return said
        return {}

    def _upload(self, job: str, file: JobFile) -> None:
        """Raises ValueError for a file that the shop does not take, and NoAnswer."""
        if time.monotonic() < self._offered.get(job, 0.0):
            raise ValueError("waits until it is offered again.")
        edge = uuid.uuid4().hex
        name = "".join("_" if character in '"\\\r\n' else character for character in file.path.name)
        head = f'--{edge}\r\nContent-Disposition: form-data; name="file"; filename="{name}"\r\n\r\n'.encode()
        tail = f"\r\n--{edge}--\r\n".encode()
        headers = {
            "Content-Type": f"multipart/form-data; boundary={edge}",
            "Content-Length": str(len(head) + file.status.st_size + len(tail)),
            # The same file comes once, however often it is sent.
            "Idempotency-Key": job,
        }

        def chunks() -> Iterator[bytes]:
            yield head
            with file.path.open("rb") as opened:
                yield from iter(lambda: opened.read(2**16), b"")
            yield tail

        status, answer = self.client.ask(
            "POST", "/api/v1/job-files", chunks(), headers, timeout_s=UPLOAD_TIMEOUT_S
        )
        if status not in (200, 201):
            self._offered[job] = time.monotonic() + OFFERED_EVERY_S
            raise ValueError(describe(answer))

    def _store_file(self, file: JobFile, job: str | None) -> None:
        self._rows("INSERT OR REPLACE INTO agent_files VALUES (?, ?, ?)", str(file.path), file.signature, job)

    def _rows(self, sql: str, *values: Any) -> list[Any]:
        with self.client.queue() as queue:
            return queue.execute(sql, values).fetchall()


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path, help="with a folder for each printer")
    parser.add_argument("--settle", type=float, default=10.0, help="seconds that a file must not change")
    parser.add_argument("--every", type=float, default=5.0, help="seconds between two looks; 0: look once")
    options = parser.parse_args()
    try:
        agent = Agent(Client(), options.folder, options.settle)
        while True:
            try:
                agent.scan()
            except (NoAnswer, OSError) as error:
                print(error, file=sys.stderr, flush=True)
            if not options.every:
                return 0
            time.sleep(options.every)
    except WrongSetup as error:
        print(error, file=sys.stderr)
        return 2


if __name__ == "__main__":
    sys.exit(main())
