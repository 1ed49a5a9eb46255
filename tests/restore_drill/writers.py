"""Scripts that write to a running shop over HTTP, and the journal of each."""

import json
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from http.client import HTTPConnection, HTTPException
from itertools import cycle

from tests.restore_drill.journals import CREATED, Act

# A script waits so long for an answer; one that does not come is neither an acknowledgement nor a refusal.
ANSWER_WITHIN_S = 60.0
PAUSE_S = 0.02


@dataclass
class Writer(threading.Thread):
    """Reads the air of its place, weighs its spools and moves them, one act after the other, until it is to stop.

    spools: the code of each, and the ids of the place to which it goes next and of the one after that.
    """

    port: int
    token: str
    place: int
    spools: dict[str, tuple[int, int]]
    stopped: threading.Event
    journal: list[Act] = field(default_factory=list)
    trouble: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        super().__init__(daemon=True)

    __hash__ = threading.Thread.__hash__

    def run(self) -> None:
        self.connection = HTTPConnection("127.0.0.1", self.port, timeout=ANSWER_WITHIN_S)
        acts: list[Callable[[str], None]] = [self.read_air, self.weigh, self.move]
        for code in cycle(self.spools):
            for act in acts:
                if self.stopped.wait(PAUSE_S):
                    self.connection.close()
                    return
                act(code)

    def read_air(self, _code: str) -> None:
        body = {"temperature_c": 21.5, "rh_pct": 40 + len(self.journal) % 10}
        self._post("reading", str(self.place), f"places/{self.place}/readings", body)

    def weigh(self, code: str) -> None:
        body = {"gross_g": 1190 + len(self.journal) % 3, "resolution_g": 1}
        self._post("weighing", code, f"spools/{code}/weigh", body)

    def move(self, code: str) -> None:
        here, there = self.spools[code]
        if self._post("move", code, f"spools/{code}/move", {"place": here}):
            self.spools[code] = there, here

    def _post(self, kind: str, subject: str, path: str, body: dict) -> bool:
        at = datetime.now(UTC)
        text = json.dumps(body | {"at": at.isoformat()})
        headers = {"Content-Type": "application/json", "Authorization": f"Token {self.token}"}
        began, status = time.time(), 0
        try:
            self.connection.request("POST", f"/api/v1/{path}", text, headers)
            answer = self.connection.getresponse()
            content = answer.read()
            status = answer.status
            if status != CREATED:
                self.trouble.append(f"{path}: {status} {content.decode()[:300]}")
        except (OSError, HTTPException) as error:
            self.trouble.append(f"{path}: {error!r}")
            self.connection.close()
        act = Act((kind, subject, at), began, time.time(), status)
        self.journal.append(act)
        return act.is_acknowledged
