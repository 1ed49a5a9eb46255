"""Metrics of the shop, as its boards have them: nothing is computed when they are asked for.

There are no series of spools that have ended. estimate: low, likely and high, 10 %, 50 % and 90 %.
"""

from collections.abc import Iterable
from datetime import datetime

from django.db.models import Count
from prometheus_client.core import Metric
from prometheus_client.registry import Collector

from maintenance.board.toolheads import load_stored_upkeep
from maintenance.events.verdicts import load_states
from maintenance.metrics.families import make_family
from maintenance.models import Job
from maintenance.readiness.verdict import STATES
from spools.air import dry_box_board
from spools.air.climate import load_measured
from spools.board.board import rows_in_use
from spools.catalogue.values import material_values
from spools.models import Feedstock, Place

ESTIMATES = ("low", "likely", "high")
DAY_S = 86_400
SPOOL_COLUMNS = ("spool__code", "spool__feedstock", "place__name", "computed_at", "mass_g")


class ShopMetrics(Collector):
    """One query for each kind of row, however many there are."""

    def __init__(self, now: datetime) -> None:
        self.now = now

    def collect(self) -> Iterable[Metric]:
        yield from self._spools()
        yield from self._places()
        yield from self._parts()
        yield from self._toolheads()
        jobs = make_family("jobs", "Jobs on record, by stage.", "stage")
        counts = dict(Job.objects.valid().order_by().values_list("stage").annotate(Count("pk")))
        for stage in Job.Stage.values:
            jobs.add_metric([stage], counts.get(stage, 0))
        yield jobs

    def _spools(self) -> Iterable[Metric]:
        info = make_family(
            "spool_info", "Always 1; a spool in use.", "spool", "feedstock", "polymer", "place"
        )
        moisture = make_family(
            "spool_moisture_ratio", "Water in the outer turns, share of their mass.", "spool", "estimate"
        )
        share = make_family(
            "spool_moisture_limit_used_ratio", "The likely moisture over the print limit.", "spool"
        )
        grams = make_family("spool_filament_grams", "Likely filament on the spool.", "spool")
        computed = make_family("spool_computed_timestamp_seconds", "When its row was computed.", "spool")
        feedstocks = Feedstock.objects.filter(spools__ended_at=None).distinct()
        known = {}
        for feedstock in feedstocks.select_related("polymer", "filler", "maker"):
            limit_pct = material_values(feedstock).limit_hold_pct
            known[feedstock.pk] = str(feedstock), feedstock.polymer.name, limit_pct
        rows = rows_in_use().order_by("pk").values_list("p10_pct", "p50_pct", "p90_pct", *SPOOL_COLUMNS)
        for *pct, code, feedstock_id, place, computed_at, mass_g in rows:
            name, polymer, limit_pct = known[feedstock_id]
            info.add_metric([code, name, polymer, place or ""], 1)
            for estimate, value in zip(ESTIMATES, pct, strict=True):
                moisture.add_metric([code, estimate], value / 100)
            share.add_metric([code], pct[1] / limit_pct)
            grams.add_metric([code], mass_g)
            computed.add_metric([code], computed_at.timestamp())
        yield from (info, moisture, share, grams, computed)

    def _places(self) -> Iterable[Metric]:
        labels = ("place", "kind")
        humidity = make_family(
            "place_humidity_ratio", "Relative humidity, read or else computed.", *labels, "origin"
        )
        temperature = make_family("place_temperature_celsius", "Temperature, as it is read.", *labels)
        limit = make_family("box_humidity_limit_ratio", "Highest relative humidity of a dry box.", "place")
        due = make_family(
            "box_regeneration_due_seconds",
            "Until the desiccant is to be regenerated; +Inf: not within two years.",
            "place",
        )
        places = Place.objects.in_use().order_by("pk")
        read, answers = load_measured(places, self.now), dry_box_board.read_stored()
        for place in places:
            if place.kind == Place.Kind.DRY_BOX:
                limit.add_metric([place.name], place.limit_rh_pct / 100)
            temperature_c, rh_pct = read.get(place.pk, (None, None))
            if temperature_c is not None:
                temperature.add_metric([place.name, place.kind], temperature_c)
            answer = answers.get(place.pk)
            if rh_pct is not None:
                humidity.add_metric([place.name, place.kind, "reading"], rh_pct / 100)
            elif answer is not None:
                humidity.add_metric([place.name, place.kind, "computed"], answer.computed_rh_pct / 100)
            if answer is not None:
                since_s = (self.now - answer.at).total_seconds()
                left_s = float("inf") if answer.days is None else answer.days * DAY_S - since_s
                due.add_metric([place.name], max(0.0, left_s))
        yield from (humidity, temperature, limit, due)

    def _parts(self) -> Iterable[Metric]:
        used = make_family(
            "part_life_used_ratio", "Age over expected life.", "part", "kind", "machine", "estimate"
        )
        # A part of a printer stands in the row of each of its toolheads.
        parts = {part.part: part for upkeep in load_stored_upkeep() for part in upkeep.parts}
        for part in parts.values():
            shortest, likely, longest = part.life
            for estimate, life in zip(ESTIMATES, (longest, likely, shortest), strict=True):
                share = part.age / life if life else float("inf")
                used.add_metric([str(part.part), part.name, part.site, estimate], share)
        yield used

    def _toolheads(self) -> Iterable[Metric]:
        verdict = make_family(
            "toolhead_verdict",
            "1 for the state of the loaded spool for a small job, 0 for the others.",
            *("toolhead", "slot", "state"),
        )
        loaded = make_family(
            "toolhead_spool_info", "Always 1; the spool that is loaded.", "toolhead", "slot", "spool"
        )
        for loading, present in load_states():
            site = [str(loading.toolhead), str(loading.slot)]
            loaded.add_metric([*site, loading.spool.code], 1)
            for state in STATES:
                verdict.add_metric([*site, state], state == present)
        yield from (verdict, loaded)
