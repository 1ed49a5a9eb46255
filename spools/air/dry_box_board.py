"""The answers about dry boxes that a sweep of reminders needs, stored so that it computes few boxes anew.

A row is fresh while its generation is that of its box, its ``good_until`` lies ahead, and the hygrometer still
shows about the humidity that it was computed with. The next reading of the room leaves it fresh: a box follows
its room slowly.
"""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta

import msgspec

from spools.air.dry_box import BoxNow, boxes_now
from spools.air.dry_box_facts import complete_boxes
from spools.air.hourly import BELIEVED_FOR, HOUR, hour_of
from spools.air.hygrometer import COMPARED_OVER, disagreement
from spools.air.salt_checks import load_hygrometers
from spools.invalidation import SAME_AIR_PCT
from spools.models import BoxBoard, Place, Reading
from spools.statements import Statement

# A box whose hygrometer nobody reads is computed again every so many hours, an equal share of them in each hour.
ROUND_H = 6


class BoxAnswer(msgspec.Struct, array_like=True):
    """The answer about a dry box with desiccant, as of BoxNow. days: until its limit; None: not within two years.

    fresh_days: the same, right after regenerating. is_waiting: for the hour from which a new charge counts.
    """

    at: datetime
    limit_pct: float
    computed_rh_pct: float
    measured_rh_pct: float | None
    is_checked: bool
    held_g: float
    limit_g: float
    kind: str
    dry_mass_g: float
    days: float | None
    fresh_days: float | None
    is_waiting: bool
    findings: list[Statement]

    @property
    def rh_pct(self) -> float:
        """Measured, or else computed."""
        return self.computed_rh_pct if self.measured_rh_pct is None else self.measured_rh_pct

    @property
    def over_limit(self) -> bool:
        return self.rh_pct > self.limit_pct

    @property
    def deviation(self) -> float:
        """How far the reading is above the computed humidity, in units of the allowed difference; 0 without."""
        rh_pct = self.measured_rh_pct
        return 0.0 if rh_pct is None else disagreement(rh_pct, self.computed_rh_pct, self.is_checked)


_encode = msgspec.json.Encoder().encode
_decode = msgspec.json.Decoder(BoxAnswer | None).decode


def read(now: datetime) -> list[tuple[Place, BoxAnswer]]:
    """The answers about all dry boxes with desiccant; those that are stale are computed and stored."""
    # The generations of the boxes are read before all facts.
    boxes = complete_boxes()
    measured = _measure(boxes, now)
    rows = BoxBoard.objects.filter(place__in=boxes, good_until__gt=now, computed_at__lte=now).in_bulk()
    answers = {
        box.pk: answer
        for box in boxes
        if (row := rows.get(box.pk)) is not None and row.generation == box.cache_generation
        for answer in [_decode(bytes(row.answer_json))]
        if answer is None or _is_near(answer, box, measured.get(box.pk))
    }
    answers |= _refresh([box for box in boxes if box.pk not in answers], now)
    with_desiccant = [(box, answer) for box in boxes if (answer := answers[box.pk]) is not None]
    for box, answer in with_desiccant:
        answer.measured_rh_pct = measured.get(box.pk)
    return with_desiccant


def read_stored() -> dict[int, BoxAnswer]:
    """The answers about dry boxes with desiccant as they are stored, by place id: nothing is computed. One query."""
    rows = BoxBoard.objects.filter(place__retired_at=None).values_list("place", "answer_json")
    answers = {place: _decode(bytes(stored)) for place, stored in rows}
    return {place: answer for place, answer in answers.items() if answer is not None}


def _measure(boxes: Sequence[Place], now: datetime) -> dict[int, float]:
    """The last reading in each box as it counts, % RH, by place id."""
    readings = Reading.objects.filter(place__in=boxes, at__gt=now - BELIEVED_FOR, at__lte=now)
    rows = list(readings.order_by("at").values_list("place", "at", "rh_pct"))
    hygrometers = load_hygrometers(box_id for box_id, _, _ in rows)
    counted = [(box_id, hygrometers[box_id].corrected_rh_pct(at, read_pct)) for box_id, at, read_pct in rows]
    return {box_id: rh_pct for box_id, rh_pct in counted if rh_pct is not None}


def _is_near(answer: BoxAnswer, box: Place, rh_pct: float | None) -> bool:
    if answer.limit_pct != box.limit_rh_pct or (answer.measured_rh_pct is None) != (rh_pct is None):
        return False
    return rh_pct is None or abs(rh_pct - answer.rh_pct) <= SAME_AIR_PCT


def _refresh(boxes: Sequence[Place], now: datetime) -> Mapping[int, BoxAnswer | None]:
    computed = boxes_now(boxes, now, past=COMPARED_OVER)
    answers = {box.pk: _answer(computed.get(box.pk)) for box in boxes}
    rows = [
        BoxBoard(
            place=box,
            generation=box.cache_generation,
            computed_at=now,
            good_until=_good_until(box.pk, answers[box.pk], now),
            answer_json=_encode(answers[box.pk]),
        )
        for box in sorted(boxes, key=lambda box: box.pk)
    ]
    fields = [field.name for field in BoxBoard._meta.concrete_fields if not field.primary_key]
    BoxBoard.objects.bulk_create(rows, update_conflicts=True, unique_fields=["place"], update_fields=fields)
    return answers


def _answer(box: BoxNow | None) -> BoxAnswer | None:
    if box is None:
        return None
    return BoxAnswer(
        box.at,
        box.place.limit_rh_pct,
        box.computed_rh_pct,
        box.measured_rh_pct,
        box.is_checked,
        box.held_g,
        box.limit_g,
        box.charge.kind,
        box.charge.dry_mass_g,
        box.days_likely,
        box.regenerated[0].days,
        box.waiting is not None,
        box.findings,
    )


def _good_until(box_id: int, answer: BoxAnswer | None, now: datetime) -> datetime:
    """Until its turn; until the next full hour where a charge waits or the hygrometer is compared."""
    hour = hour_of(now.astimezone(UTC))
    if answer is None or answer.is_waiting or answer.measured_rh_pct is not None:
        return hour + HOUR
    return hour + timedelta(hours=1 + (box_id - hour.hour - 1) % ROUND_H)
