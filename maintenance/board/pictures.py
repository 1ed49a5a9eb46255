"""The machines as a person at a screen on the wall sees them: loaded spools, running jobs, what comes next."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from maintenance.board.shop import Board
from maintenance.models import Printer, Toolhead
from maintenance.readiness.occupation import Occupied
from spools.models import Spool
from spools.physics_inputs import geometry

# The rim of a common reel: a spool is drawn as full as its winding reaches towards it.
RIM_MM = 100.0


@dataclass(frozen=True)
class LoadedSpool:
    """A spool in a slot. state: of its verdict for a small job there; radius, core: shares of the reel's rim."""

    slot: int
    spool: Spool
    mass_g: float
    state: str
    radius: float
    core: float


@dataclass(frozen=True)
class ToolheadPicture:
    """A toolhead with its spools and the jobs on it, by their start."""

    toolhead: Toolhead
    spools: list[LoadedSpool]
    jobs: list[Occupied]


@dataclass(frozen=True)
class MachinePicture:
    """A printer with its toolheads. running: the job that prints on it; planned: the next one."""

    printer: Printer
    toolheads: list[ToolheadPicture]
    running: Occupied | None
    planned: Occupied | None
    at: datetime

    @property
    def state(self) -> str:
        """ "printing", "overdue" (its end is not recorded), "free" or "empty" (nothing is loaded)."""
        if self.running is not None:
            return "overdue" if self.running.end < self.at else "printing"
        return "free" if any(head.spools for head in self.toolheads) else "empty"


def picture_machines(board: Board, printers: Sequence[Printer]) -> list[MachinePicture]:
    """These printers with their toolheads in use. board: with the rows of the spools that are loaded there."""
    heads: dict[Printer, list[ToolheadPicture]] = {printer: [] for printer in printers}
    for pk, toolhead in board.toolheads.items():
        if toolhead.printer in heads:
            spools = [
                _load(board, toolhead, number, spool) for number, spool in _list_spools(board, toolhead)
            ]
            heads[toolhead.printer].append(
                ToolheadPicture(toolhead, spools, board.occupation.on_toolhead(pk))
            )
    return [_picture(printer, toolheads, board.at) for printer, toolheads in heads.items()]


def _list_spools(board: Board, toolhead: Toolhead) -> list[tuple[int, int]]:
    slots = board.list_slots(toolhead).items()
    return [(number, spool) for number, spool in slots if spool is not None and spool in board.rows]


def _load(board: Board, toolhead: Toolhead, slot: int, spool_id: int) -> LoadedSpool:
    spool, row = board.spools[spool_id], board.rows[spool_id]
    outer_mm = 1000 * geometry(spool, row.mass_g).outer_radius_m
    rim_mm = max(RIM_MM, outer_mm)
    state = board.verdict(toolhead.pk, spool_id).state
    return LoadedSpool(slot, spool, row.mass_g, state, outer_mm / rim_mm, spool.core_radius_mm / rim_mm)


def _picture(printer: Printer, toolheads: list[ToolheadPicture], at: datetime) -> MachinePicture:
    jobs = sorted({job for head in toolheads for job in head.jobs}, key=lambda job: (job.start, job.job))
    running = next((job for job in jobs if job.printing), None)
    planned = next((job for job in jobs if not job.printing), None)
    return MachinePicture(printer, toolheads, running, planned, at)
