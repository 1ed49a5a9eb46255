"""From a file to its facts: chunks through the four kernels, in constant memory."""

from collections.abc import Callable
from pathlib import Path

import numpy as np

from . import layout
from .accounting import Totals, account, new_totals
from .errors import GcodeError
from .facts import JobFacts
from .layout import AT, COMMANDS_READ, EVENTS, LINE, LONGEST, LONGEST_AT, LOOK_AHEAD, MOVES, Array
from .motion import STATE, TOOL
from .planning import plan
from .running import run
from .scanning import scan
from .settings import ReaderSettings
from .source import LONGEST_LINE, JobSource, line_too_long, open_source
from .summary import summarize


def read_job(
    path: str | Path,
    reading: ReaderSettings | None = None,
    *,
    member: str = "",
    progress: Callable[[float], None] | None = None,
) -> JobFacts:
    """Reads the facts of a job file.

    Parameters
    ----------
    path: plain G-code, gzip, or a ZIP container (3MF) that holds G-code.
    reading: how the file is to be understood, and what the machine can do.
    member: which job of a container.
    progress: called now and then with the share that has been read, 0 to 1; what it raises ends the reading.

    Raises GcodeError, whose sentence says what to do, for what cannot be read or is no G-code.
    """
    reading = reading or ReaderSettings()
    with open_source(Path(path), member) as source:
        reader = _Reader(reading)
        for text, end, base in source.chunks():
            reader.read(text, end, base)
            if progress is not None:
                progress(source.share_read())
        return reader.finish(source)


class _Reader:
    """The kernels' buffers and what they carry from chunk to chunk."""

    def __init__(self, reading: ReaderSettings) -> None:
        self.reading = reading
        self.cursor = np.zeros(4, np.int64)
        self.commands, self.unread = layout.commands(), layout.unread()
        self.moves, self.events = layout.moves(), layout.events()
        self.tallies = np.zeros(layout.TALLIES, np.int64)
        self.tool_of_use = np.zeros(layout.MAX_USES, np.int64)
        self.states, self.tools = _state(reading), np.zeros(layout.MAX_TOOLS, TOOL)
        self.tools["flow"], self.tools["use"] = 1.0, -1
        self.slow2, self.carried2 = np.zeros(MOVES + 1), np.zeros(1)
        self.totals: Totals = new_totals()

    def read(self, text: Array, end: int, base: int) -> None:
        cursor, state = self.cursor, self.states[0]
        cursor[AT] = 0
        while cursor[AT] < end:
            count = scan(text, cursor, end, base, self.commands, self.unread, self.tallies)
            if self.tallies[LONGEST] > LONGEST_LINE:
                raise line_too_long(int(self.tallies[LONGEST_AT]))
            first = 0
            while first < count:
                first = run(
                    self.commands,
                    first,
                    count,
                    self.states,
                    self.tools,
                    self.moves,
                    self.events,
                    self.unread,
                    self.tallies,
                    self.tool_of_use,
                )
                if state["pending"] == MOVES:
                    self._pass_on(MOVES - LOOK_AHEAD)
                elif state["waiting"] >= EVENTS - 3:
                    self._pass_on(int(state["pending"]))

    def finish(self, source: JobSource) -> JobFacts:
        if self.tallies[COMMANDS_READ] == 0:
            raise GcodeError("no_command")
        self._pass_on(int(self.states[0]["pending"]), last=True)
        return summarize(
            source=source,
            lines=int(self.cursor[LINE]),
            reading=self.reading,
            totals=self.totals,
            tallies=self.tallies,
            unread=self.unread,
            tool_of_use=self.tool_of_use,
            uses=min(int(self.states[0]["uses"]), layout.MAX_USES),
        )

    def _pass_on(self, commit: int, last: bool = False) -> None:
        """Times the first moves, adds them to the totals and frees their room."""
        state = self.states[0]
        pending, waiting = int(state["pending"]), int(state["waiting"])
        plan(self.moves, pending, commit, self.slow2, self.carried2)
        passed = account(self.moves, commit, self.events, waiting, last, self.reading.area_mm2, self.totals)
        for column in self.moves:
            column[: pending - commit] = column[commit:pending]
        for column in self.events:
            column[: waiting - passed] = column[passed:waiting]
        state["pending"], state["waiting"] = pending - commit, waiting - passed


def _state(reading: ReaderSettings) -> Array:
    states = np.zeros(1, STATE)
    state, motion = states[0], reading.motion
    state["scale"] = state["speed_factor"] = 1.0
    state["motion"], state["plane"], state["feeding"], state["stopped"] = -1, 17, -1, 1
    state["e_follows"] = reading.e_follows_g90
    state["stride"] = state["next_mark"] = 1
    state["print_acceleration"] = motion.print_acceleration_mm_s2
    state["travel_acceleration"] = motion.travel_acceleration_mm_s2
    state["retract_acceleration"] = motion.retract_acceleration_mm_s2
    state["slowness"] = 1 / np.array(motion.speed_mm_s)
    state["laziness"] = 1 / np.array(motion.axis_acceleration_mm_s2)
    state["stiffness"] = 1 / np.array(motion.jump_mm_s)
    state["deviation"] = motion.junction_deviation_mm
    state["retract_mm"] = reading.retract_mm
    state["retract_speed"] = state["recover_speed"] = reading.retract_mm_s
    return states
