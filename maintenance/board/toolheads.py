"""The board of toolheads: their inputs, apart from spool and job, and the state of each material in use on them.

``compute`` builds a row from the facts, for the worker and for a reader that meets a stale row. Code that adds a
fact about a toolhead raises its generation in the same transaction (maintenance/changes.py). Lives learned from
the parts of other machines enter a row at its next regular computation.
"""

import hashlib
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import cached_property, partial
from typing import Any

import msgspec
from django.db import transaction
from django.db.models import DateTimeField, F, Q, QuerySet
from django.utils import timezone

from background.prepared import Ids, Parameter, PreparedRows
from maintenance.board.upkeep import Upkeep, load_upkeep
from maintenance.models import Toolhead, ToolheadBoard
from maintenance.readiness.builder import build_material_inputs, build_toolhead_inputs
from maintenance.readiness.inputs import MaterialInputs, ToolheadInputs, small_job
from maintenance.readiness.rules import judge_pair, judge_toolhead
from maintenance.readiness.states import load_machine_states
from maintenance.readiness.verdict import Verdict
from spools.models import Feedstock, Spool

# Without a new fact a row changes slowly: by the age of parts in days and the days since a service.
GOOD_FOR, TURN_AFTER = timedelta(hours=8), timedelta(hours=6)
# A reader computes at most so many stale rows itself.
AT_ONCE = 25


class MaterialState(msgspec.Struct, frozen=True, array_like=True):
    """A material on a toolhead, for a small job: the worst state of its checks and how many are not clear.

    digest: of the numbers of the feedstock at the time of the verdict.
    """

    digest: str
    state: str
    reasons: int


@dataclass(frozen=True)
class ToolheadRow:
    """A row of the board. materials: by feedstock id."""

    toolhead_id: int
    computed_at: datetime
    materials: Mapping[int, MaterialState]
    # Large, and most readers need the materials alone: loaded and decoded at the first use.
    _load_inputs: Callable[[], bytes]

    @cached_property
    def inputs(self) -> ToolheadInputs:
        return _decode_inputs(self._load_inputs())


_encode = msgspec.json.Encoder().encode
_decode_inputs = msgspec.json.Decoder(ToolheadInputs).decode
_decode_materials = msgspec.json.Decoder(dict[int, MaterialState]).decode
_decode_upkeep = msgspec.json.Decoder(Upkeep).decode


def load_materials() -> dict[int, MaterialInputs]:
    """The inputs of the feedstocks of all spools in use, by id. One query."""
    in_use = Feedstock.objects.filter(pk__in=Spool.objects.filter(ended_at=None).values("feedstock"))
    return {row.pk: build_material_inputs(row) for row in in_use.select_related("polymer", "filler")}


def digest(material: MaterialInputs) -> str:
    """A short name for the numbers of a material."""
    return hashlib.blake2b(_encode(material), digest_size=6).hexdigest()


def judge_material(material: MaterialInputs, toolhead: ToolheadInputs) -> Verdict:
    """The checks of a material on a toolhead for a small job, those of the toolhead with them."""
    job = small_job(material, toolhead.hot_end_max_c, toolhead.bed_limit_c)
    return Verdict([*judge_toolhead(toolhead, job), *judge_pair(material, toolhead, job)])


def read(
    toolhead_ids: Collection[int] | None = None,
    materials: Mapping[int, MaterialInputs] | None = None,
    now: datetime | None = None,
    *,
    inputs: bool = True,
) -> dict[int, ToolheadRow]:
    """The rows of these toolheads, or of all that are in use, by id. One query for these where all are
    fresh, two for all.

    Stale rows are computed here while they are at most AT_ONCE; of more, the stored ones are returned with their
    computed_at and the others are computed. materials: those that are needed; a state that was judged with other
    numbers of the material is judged again. inputs: False where only the states of materials are needed.
    """
    now = now or timezone.now()
    if toolhead_ids is None:
        toolhead_ids = Toolhead.objects.in_use().values_list("pk", flat=True)
    ids = set(toolhead_ids)
    loaded: list[Any] = (_STORED if inputs else _STATES).run(ids=ids, now=now)
    stored: dict[int, ToolheadBoard] = {row.pk: row for row in loaded}
    stale = ids - {row.pk for row in loaded if row.fresh}
    if len(stale) > AT_ONCE:
        stale -= stored.keys()
    by_id = dict(stored)
    if stale:
        computed = compute(stale, now)
        store(computed)
        by_id |= {row.pk: row for row in computed}
    _judge_new_materials(list(by_id.values()), materials or {}, inputs=inputs)
    return {pk: decode(by_id[pk]) for pk in sorted(by_id)}


def load_inputs(machines: Mapping[int, ToolheadRow], toolhead_ids: Collection[int]) -> dict[int, ToolheadRow]:
    """Those of these rows, by toolhead id, with their inputs. One query."""
    rows = ToolheadBoard.objects.filter(pk__in=toolhead_ids).values_list("pk", "inputs_json")
    return {pk: replace(machines[pk], _load_inputs=partial(bytes, stored)) for pk, stored in rows}


def read_upkeep(now: datetime, toolhead_ids: Collection[int] | None = None) -> dict[int, Upkeep]:
    """The upkeep of these toolheads, or of all in use, by id, as current as read() has it.

    Two queries for these where all are fresh, three for all.
    """
    ids = list(read(toolhead_ids, now=now, inputs=False))
    rows = ToolheadBoard.objects.filter(pk__in=ids).order_by("pk")
    return {pk: _decode_upkeep(bytes(stored)) for pk, stored in rows.values_list("pk", "upkeep_json")}


def load_stored_upkeep() -> list[Upkeep]:
    """The upkeep of the toolheads in use, as it is stored: nothing is computed. One query."""
    rows = ToolheadBoard.objects.filter(toolhead__in=Toolhead.objects.in_use()).order_by("pk")
    return [_decode_upkeep(bytes(stored)) for stored in rows.values_list("upkeep_json", flat=True)]


def _judge_new_materials(
    rows: Collection[ToolheadBoard], materials: Mapping[int, MaterialInputs], *, inputs: bool
) -> None:
    """Judge these materials on the rows whose state is missing or of other numbers, and store the states."""
    digests = {pk: digest(material) for pk, material in materials.items()}
    changed: dict[int, dict[int, MaterialState]] = {}
    for row in rows:
        states_by_feedstock = _decode_materials(bytes(row.materials_json))
        if any(
            pk not in states_by_feedstock or states_by_feedstock[pk].digest != name
            for pk, name in digests.items()
        ):
            changed[row.pk] = states_by_feedstock
    if not changed:
        return
    loaded = {row.pk: row for row in rows} if inputs else ToolheadBoard.objects.in_bulk(list(changed))
    for row in rows:
        if row.pk in changed:
            toolhead = _decode_inputs(bytes(loaded[row.pk].inputs_json))
            states = {pk: _state_of(materials[pk], toolhead, name) for pk, name in digests.items()}
            row.materials_json = _encode(changed[row.pk] | states)
            # Not into a row that the worker has stored meanwhile: its toolhead may stand otherwise.
            same = ToolheadBoard.objects.filter(pk=row.pk, computed_at=row.computed_at)
            same.update(materials_json=row.materials_json)


def _is_fresh(now: datetime | Parameter) -> Q:
    """The condition that a row is valid at a time. A wrong clock may store a row of the future."""
    return Q(generation=F("toolhead__board_generation"), good_until__gt=now, computed_at__lte=now)


def _select_stored() -> QuerySet[ToolheadBoard]:
    """fresh: whether a row is valid."""
    rows = ToolheadBoard.objects.filter(pk__in=Ids("ids"))
    return rows.annotate(fresh=_is_fresh(Parameter("now", DateTimeField())))


_STORED = PreparedRows(_select_stored, without={"upkeep_json"})
_STATES = PreparedRows(_select_stored, without={"upkeep_json", "inputs_json"})


def find_due(now: datetime) -> list[int]:
    """The ids of the toolheads in use that are stale or due, in order. One query."""
    recent = ToolheadBoard.objects.filter(_is_fresh(now), computed_at__gt=now - TURN_AFTER)
    toolheads = Toolhead.objects.in_use().exclude(pk__in=recent.values("pk"))
    return list(toolheads.order_by("pk").values_list("pk", flat=True))


def compute(toolhead_ids: Collection[int], now: datetime) -> list[ToolheadBoard]:
    """The rows of these toolheads from the facts; stores nothing."""
    # Read before all facts: a fact that is added meanwhile raises the generation.
    generations = dict(Toolhead.objects.filter(pk__in=toolhead_ids).values_list("pk", "board_generation"))
    materials = load_materials()
    digests = {pk: digest(material) for pk, material in materials.items()}
    rows, machines = [], load_machine_states(Toolhead.objects.filter(pk__in=generations), now)
    upkeep = load_upkeep(machines, now)
    for pk, machine in machines.items():
        inputs = build_toolhead_inputs(machine)
        states = {
            feedstock: _state_of(material, inputs, digests[feedstock])
            for feedstock, material in materials.items()
        }
        rows.append(
            ToolheadBoard(
                toolhead_id=pk,
                generation=generations[pk],
                computed_at=now,
                good_until=now + GOOD_FOR,
                inputs_json=_encode(inputs),
                materials_json=_encode(states),
                upkeep_json=_encode(upkeep[pk]),
            )
        )
    return rows


def _state_of(material: MaterialInputs, toolhead: ToolheadInputs, digest_: str) -> MaterialState:
    verdict = judge_material(material, toolhead)
    return MaterialState(digest_, verdict.state, len(verdict.reasons))


def rebuild(now: datetime | None = None) -> int:
    """Drop the rows and compute them again from the facts. Returns how many there are."""
    rows = compute(list(Toolhead.objects.values_list("pk", flat=True)), now or timezone.now())
    with transaction.atomic():
        ToolheadBoard.objects.all().delete()
        store(rows)
    return len(rows)


@transaction.atomic
def store(rows: Collection[ToolheadBoard]) -> None:
    """Store computed rows. A row of an older generation than its toolhead's is stale when it is read."""
    fields = [field.name for field in ToolheadBoard._meta.concrete_fields if not field.primary_key]
    ToolheadBoard.objects.bulk_create(
        rows, update_conflicts=True, unique_fields=["toolhead"], update_fields=fields
    )


def decode(row: ToolheadBoard) -> ToolheadRow:
    materials = _decode_materials(bytes(row.materials_json))
    return ToolheadRow(row.pk, row.computed_at, materials, lambda: bytes(row.inputs_json))
