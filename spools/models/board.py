"""The board of spools: one row of answers for each spool in use, rebuildable from the facts."""

from collections.abc import Sequence
from datetime import datetime
from functools import cached_property

import msgspec
from django.db import models

from background.prepared import Parameter

from .drying import DryingRun
from .places import Place
from .statements import StatementField
from .stock import Spool


class AirOutlook(msgspec.Struct, frozen=True, array_like=True):
    """The outer turns of a spool in constant air: as a small job there prints them, and how long they last there.

    printed_*: of a small job, % by mass and shares of the members over the clear and the print limit.
    well_h, printable_h: hours until they may be over the clear and the print limit; None: not within a year.
    """

    temperature_c: float
    rh_pct: float
    moving: bool
    printed_p10_pct: float
    printed_p50_pct: float
    printed_p90_pct: float
    printed_over_clear: float
    printed_over_hold: float
    well_h: float | None
    printable_h: float | None


_encoder, _decoder = msgspec.json.Encoder(), msgspec.json.Decoder(list[AirOutlook])
# Temperature in °C, relative humidity in %, whether a fan moves it.
Air = tuple[float, float, bool]


def encode_outlooks(outlooks: list[AirOutlook]) -> bytes:
    return _encoder.encode(outlooks)


def decode_outlooks(stored: bytes | memoryview) -> list[AirOutlook]:
    return _decoder.decode(bytes(stored))


def nearest_air(airs: Sequence[Air], to: Air) -> int:
    """The index of the nearest air; 2 % RH count as much as 1 K. ValueError without any."""

    def distance(number: int) -> tuple[bool, float]:
        temperature_c, rh_pct, moving = airs[number]
        return moving != to[2], abs(temperature_c - to[0]) + abs(rh_pct - to[1]) / 2

    return min(range(len(airs)), key=distance)


class SpoolBoard(models.Model):
    """The answers about a spool in use as of ``computed_at``; written by spools/board alone.

    A row is fresh while ``generation`` is that of its spool's caches and ``good_until`` lies ahead. Moisture is
    that of the outer turns of a small job.
    """

    class State(models.TextChoices):
        CLEAR = "clear", "clear"
        CAUTION = "caution", "caution"
        HOLD = "hold", "hold"

    spool = models.OneToOneField(Spool, models.CASCADE, primary_key=True, related_name="board")
    generation = models.PositiveIntegerField(help_text="of the spool's caches before its facts were read")
    computed_at = models.DateTimeField()
    good_until = models.DateTimeField(db_index=True, help_text="from then on time alone makes it stale")
    place = models.ForeignKey(Place, models.CASCADE, null=True, related_name="+")
    air_temperature_c = models.FloatField(
        null=True, help_text="the air that it was in; none where it breathes none"
    )
    air_rh_pct = models.FloatField(null=True)
    p10_pct = models.FloatField()
    p50_pct = models.FloatField()
    p90_pct = models.FloatField()
    over_clear = models.FloatField(help_text="share of the members above the limit for printing well")
    over_hold = models.FloatField(help_text="share of the members above the print limit")
    state = models.CharField(max_length=10, choices=State)
    low_g = models.FloatField()
    mass_g = models.FloatField()
    high_g = models.FloatField()
    run = models.ForeignKey(DryingRun, models.CASCADE, null=True, related_name="+")
    run_dry_at = models.DateTimeField(
        null=True, help_text="when all of it is likely dry; none: not in this run"
    )
    ready_at = models.DateTimeField(
        null=True,
        help_text="when its drying is done, by its run or its advice; none: not here, or not needed",
    )
    advice = StatementField(help_text="how it is to be dried: spools/drying/advice.py")
    advice_generation = models.PositiveIntegerField(
        null=True,
        help_text="of the shop's advice before it was computed; none where it rests on the spool alone",
    )
    advice_good_until = models.DateTimeField(
        null=True, help_text="from then on time alone makes it stale; none: as long as nothing is recorded"
    )
    decided_by = StatementField(
        default=list, help_text="unknowns that decide if it is over a limit: spools/moisture/deciding.py"
    )
    heat_share = models.FloatField(null=True, help_text="used of the heat budget for life; none without one")
    prints_well_until = models.DateTimeField(
        null=True,
        help_text="in its place, from then on possibly over the clear limit; none: not within a year",
    )
    printable_until = models.DateTimeField(null=True, help_text="likewise over the print limit")
    outlooks_json = models.BinaryField(help_text="an AirOutlook for each class of air of the shop")

    class Meta:
        verbose_name_plural = "board of spools"

    def __str__(self) -> str:
        return f"{self.spool_id} at {self.computed_at:%Y-%m-%d %H:%M}: {self.state}"

    @cached_property
    def outlooks(self) -> list[AirOutlook]:
        """For each class of air that the shop had then."""
        return decode_outlooks(self.outlooks_json)

    def outlook(self, temperature_c: float, rh_pct: float, moving: bool) -> AirOutlook | None:
        """That of the nearest class of air. None where the shop has no printer."""
        airs = [(end.temperature_c, end.rh_pct, end.moving) for end in self.outlooks]
        return self.outlooks[nearest_air(airs, (temperature_c, rh_pct, moving))] if airs else None


def is_fresh(now: datetime | Parameter) -> models.Q:
    """The condition that a row is valid at a time, apart from its advice. A wrong clock may store a row of the future."""
    return models.Q(generation=models.F("spool__cache_generation"), good_until__gt=now, computed_at__lte=now)
