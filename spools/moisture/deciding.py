"""The inputs that decide whether a spool is over a limit, and the measurements that would narrow its range."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from django.db.models import Exists, OuterRef, Q

from spools.air.hygrometer import dryer_errors, place_errors
from spools.air.salt_checks import load_hygrometers
from spools.catalogue.values import material_values
from spools.models import Place, Reading, Stay
from spools.moisture.history import History
from spools.physics.attribution import explained_shares
from spools.physics.chamber import AIR_EXCHANGE
from spools.physics.ensemble import probability
from spools.physics_inputs import SMALL_JOB_G, Array, Winding, is_undecided
from spools.statements import Statement

# A smaller share of the spread may be chance among so few members.
LEAST_SHARE = 0.2
# So many inputs are named: their measurements are independent.
MOST = 2
# The last places of a spool: of more, one would seem to decide by chance.
LAST_PLACES = 3
CODES = {
    "start_rh": "start_wetness",
    "w50_pct": "uptake",
    "gab_c": "isotherm",
    "d23_m2_s": "diffusion",
    "e_d_kj_mol": "diffusion",
    "pore_fraction": "pores",
    AIR_EXCHANGE: "dryer_air",
}


@dataclass(frozen=True)
class _Candidate:
    """A place whose air may be off. is_read: it has readings; is_checked: and a salt check corrects them."""

    place: Place
    is_read: bool
    is_checked: bool

    def describe(self, share: float) -> Statement:
        code = "hygrometer" if self.is_read else "unmeasured_air"
        remedy = "salt_check" if self.is_read else "hygrometer"
        if self.is_checked:
            code, remedy = "checked_hygrometer", "weigh"
        return _decided(code, share, remedy, place=self.place.name, place_id=self.place.pk)


def find_deciding(
    histories: Mapping[int, History], windings: Mapping[int, Winding]
) -> dict[int, list[Statement]]:
    """The inputs that explain most of the spread of each spool's outer turns, the greatest first, by spool id.

    None: they are surely over or under their limits, or no input stands out. Up to three queries.
    """
    undecided: dict[int, Array] = {}
    for pk, history in histories.items():
        values, outer_pct = material_values(history.spool.feedstock), windings[pk].outer_pct(SMALL_JOB_G)
        limits_pct = (values.limit_clear_pct, values.limit_hold_pct)
        if is_undecided(*(probability(outer_pct, limit_pct) for limit_pct in limits_pct)):
            undecided[pk] = outer_pct
    places = _load_places(undecided) if undecided else {}
    return {pk: [] for pk in histories} | {
        pk: _find(
            windings[pk], outer_pct, places[pk], {run.dryer_id: run.dryer for run in histories[pk].runs}
        )
        for pk, outer_pct in undecided.items()
    }


def _find(
    winding: Winding, contents_pct: Array, places: Sequence[_Candidate], dryers: Mapping[int, Place]
) -> list[Statement]:
    by_name: dict[str, _Candidate | Place | str] = {
        place_errors(candidate.place).hygrometer: candidate for candidate in places
    }
    by_name |= {dryer_errors(dryer, place_errors(dryer)).dryer: dryer for dryer in dryers.values()}
    by_name |= {name: code for name, code in CODES.items() if dryers or name != AIR_EXCHANGE}
    points = {name: winding.members.point(name) for name in by_name}
    shares = explained_shares(contents_pct, points)
    return [
        _describe(by_name[name], share) for name, share in list(shares.items())[:MOST] if share >= LEAST_SHARE
    ]


def _describe(decides: _Candidate | Place | str, share: float) -> Statement:
    if isinstance(decides, _Candidate):
        return decides.describe(share)
    if isinstance(decides, Place):
        return _decided("dryer_temperature", share, "measure_dryer", place=decides.name, place_id=decides.pk)
    return _decided(decides, share, "state_air_flow" if decides == CODES[AIR_EXCHANGE] else "weigh")


def _decided(code: str, share: float, remedy: str, **values: Any) -> Statement:
    """remedy: the measurement that would narrow the range, for scripts."""
    return Statement(f"decided_by.{code}", {"share_pct": 100 * share, "remedy": remedy} | values)


def _load_places(spool_ids: Iterable[int]) -> dict[int, list[_Candidate]]:
    """The last places of each spool, and the rooms whose air they have, by spool id. Three queries."""
    last: dict[int, list[int]] = {pk: [] for pk in spool_ids}
    stays = Stay.objects.filter(spool__in=last).order_by("-start", "-pk")
    for spool_id, place_id in stays.values_list("spool", "place"):
        if place_id not in last[spool_id] and len(last[spool_id]) < LAST_PLACES:
            last[spool_id].append(place_id)
    ids = {pk for row in last.values() for pk in row}
    rows = Place.objects.filter(Q(pk__in=ids) | Q(inside__in=ids)).select_related("room").distinct()
    places = {
        place.pk: place
        for place in rows.annotate(is_read=Exists(Reading.objects.filter(place=OuterRef("pk"))))
    }
    hygrometers = load_hygrometers(places)
    found = {}
    for spool_id, place_ids in last.items():
        airs = dict.fromkeys(
            pk for place_id in place_ids for pk in (place_id, places[place_id].air_source.pk)
        )
        found[spool_id] = [
            _Candidate(places[pk], places[pk].is_read, bool(hygrometers[pk].checks)) for pk in airs
        ]
    return found
