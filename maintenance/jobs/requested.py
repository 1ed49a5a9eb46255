"""Print requests judged as jobs: the spools and toolheads that can print the grams that are wanted."""

from collections.abc import Iterable
from dataclasses import replace
from typing import NamedTuple

from django.db.models import Q

from maintenance.board.shop import Board, load_board
from maintenance.limits import JOB_HOURS
from maintenance.models import Toolhead
from maintenance.readiness.builder import load_inputs_of_pairs
from maintenance.readiness.inputs import JobSpec
from maintenance.readiness.rules import judge
from maintenance.readiness.verdict import STATES, Verdict
from spools.board import board as spool_board
from spools.models import PrintRequest, Spool

# The driest ones that hold enough; each is judged from the facts on this many toolheads, the best for a small job.
MOST_SPOOLS, MOST_TOOLHEADS = 3, 2


class JudgedPair(NamedTuple):
    toolhead: Toolhead
    spool: Spool
    verdict: Verdict


def judge_request(request: PrintRequest) -> list[JudgedPair]:
    """The best spools for a request, each on its best toolhead, for all of its grams; the best first.

    Temperatures and the grams an hour are those of a small job. Empty without such a spool or without a toolhead.
    """
    board = load_board(_find_spools(request))
    pairs = [
        (board.toolheads[pk], spool)
        for spool in board.spools.values()
        for pk in _choose_toolheads(board, spool)
    ]
    specs = {(head.pk, spool.pk): _spec(request, board, head, spool) for head, spool in pairs}
    verdicts = (
        {key: judge(inputs) for key, inputs in load_inputs_of_pairs(pairs, specs).items()} if pairs else {}
    )
    best: dict[int, JudgedPair] = {}
    for head, spool in pairs:
        pair = JudgedPair(head, spool, verdicts[head.pk, spool.pk])
        best[spool.pk] = min(best.get(spool.pk, pair), pair, key=_rank)
    return sorted(best.values(), key=_rank)


def _find_spools(request: PrintRequest) -> list[int]:
    """The spools in use that it may take: those with enough first, then those in no dryer, then the driest."""
    spools = Spool.objects.filter(
        Q(pk=request.spool_id) | Q(feedstock=request.feedstock_id) | Q(feedstock__polymer=request.polymer_id),
        ended_at=None,
    )
    rows = spool_board.read(list(spools.values_list("pk", flat=True)))
    ranks = {
        pk: (row.high_g < request.mass_g, row.run_id is not None, row.over_clear, -row.mass_g, pk)
        for pk, row in rows.items()
    }
    return sorted(ranks, key=lambda pk: ranks[pk])[:MOST_SPOOLS]


def _choose_toolheads(board: Board, spool: Spool) -> Iterable[int]:
    ranks = {
        pk: (*_worst(board.verdict(pk, spool.pk)), board.loaded.get(pk) != spool.pk) for pk in board.toolheads
    }
    return sorted(ranks, key=lambda pk: (ranks[pk], pk))[:MOST_TOOLHEADS]


def _spec(request: PrintRequest, board: Board, head: Toolhead, spool: Spool) -> JobSpec:
    small = board.inputs(head.pk, spool.pk).job
    hours = min(small.hours * request.mass_g / small.mass_g, JOB_HOURS.high)
    return replace(small, mass_g=request.mass_g, hours=max(hours, JOB_HOURS.low), shrinks=False)


def _worst(verdict: Verdict) -> tuple[int, int]:
    return STATES.index(verdict.state), len(verdict.reasons)


def _rank(pair: JudgedPair) -> tuple[int, int, str]:
    return *_worst(pair.verdict), str(pair.toolhead)
