"""The choice from columns is that of judging every pair."""

from datetime import UTC, datetime
from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from maintenance.board.choice import Pair, SpoolColumns, _pair, _states_in_air, choose_pairs, quantity_state
from maintenance.board.toolheads import MaterialState, ToolheadRow
from maintenance.readiness.builder import compute_tail_g
from maintenance.readiness.inputs import PrintSite, SpoolInputs, small_job
from maintenance.readiness.rules.material import quantity
from maintenance.readiness.verdict import CAUTION, CLEAR, HOLD, STATES
from spools.board.airs import AirClass
from spools.models.board import AirOutlook, encode_outlooks
from tests.maintenance.readiness.test_rules import GOOD

NOW = datetime(2026, 3, 2, tzinfo=UTC)
AIRS = [AirClass(21, 40, False), AirClass(24, 60, False), AirClass(45, 20, True)]
shares = st.sampled_from([0.0, 0.1, 0.3, 0.9])


@st.composite
def spools(draw, number: int) -> SpoolColumns:
    low_g = draw(st.sampled_from([0.0, 0.4, 1.2, 3.0, 80.0, 700.0]))
    outlooks = [
        AirOutlook(*air, 0.1, 0.2, 0.3, draw(shares), draw(shares), None, None)
        for air in draw(st.lists(st.sampled_from(AIRS), min_size=1, max_size=3, unique=True))
    ]
    return SpoolColumns(
        spool=number,
        feedstock=draw(st.sampled_from([1, 2])),
        mass_g=low_g + draw(st.sampled_from([0.0, 1.0, 5.0])),
        low_g=low_g,
        high_g=low_g + draw(st.sampled_from([0.5, 10.0])),
        over_clear=draw(shares),
        over_hold=draw(shares),
        run=draw(st.sampled_from([None, None, 7])),
        ready_at=None,
        outlooks_json=encode_outlooks(outlooks),
    )


@st.composite
def shops(draw):
    own = [draw(spools(number)) for number in range(1, draw(st.integers(1, 7)))]
    machines, airs, tails_mm = {}, {}, {}
    for pk in range(1, draw(st.integers(1, 6))):
        states = {
            feedstock: MaterialState("", draw(st.sampled_from(STATES)), draw(st.integers(0, 2)))
            for feedstock in (1, 2)
        }
        machines[pk], airs[pk] = ToolheadRow(pk, NOW, states, bytes), draw(st.sampled_from(AIRS))
        tails_mm[pk] = draw(st.sampled_from([50.0, 900.0]))
    # Several spools may be in the slots of one toolhead.
    on_toolheads = st.sampled_from([None, *machines])
    loaded = {spool.spool: pk for spool in own if (pk := draw(on_toolheads)) is not None}
    return own, machines, airs, loaded, tails_mm


@given(shops())
def test_the_best_pair_is_that_of_all_pairs(shop):
    own, machines, airs, loaded, tails_mm = shop
    materials = {1: GOOD.material, 2: GOOD.material}
    classes = sorted(set(airs.values()))
    in_air = _states_in_air(classes)
    best = {}
    for spool, pk in product(own, machines):
        state = machines[pk].materials[spool.feedstock]
        moisture = in_air(spool)[classes.index(airs[pk])]
        tail_g = compute_tail_g(tails_mm[pk], GOOD.material)
        pair = _pair(spool, moisture, state.state, state.reasons, tail_g, pk, loaded)
        if pair.state < STATES.index(HOLD):
            best[spool.feedstock] = min(pair, best.get(spool.feedstock, pair))
    assert choose_pairs(own, machines, airs, loaded, materials, tails_mm) == best


FULL = SpoolColumns(
    spool=5,
    feedstock=1,
    mass_g=700,
    low_g=650,
    high_g=750,
    over_clear=0,
    over_hold=0,
    run=None,
    ready_at=None,
    outlooks_json=encode_outlooks([AirOutlook(*AIRS[0], 0.1, 0.2, 0.3, 0, 0, None, None)]),
)
SCARCE = FULL._replace(low_g=2.0, high_g=2.5)
DRYING = FULL._replace(run=7)


@pytest.mark.parametrize(
    ("spool", "moisture", "state", "reasons", "worst", "all_reasons"),
    [
        (FULL, CLEAR, CLEAR, 0, CLEAR, 0),
        (FULL, CLEAR, CAUTION, 3, CAUTION, 3),
        (FULL, CAUTION, CAUTION, 2, CAUTION, 3),
        (FULL, HOLD, CAUTION, 1, HOLD, 2),
        (SCARCE, CLEAR, CLEAR, 3, HOLD, 4),
        (SCARCE, CAUTION, HOLD, 3, HOLD, 5),
        (DRYING, CLEAR, CLEAR, 2, HOLD, 3),
    ],
)
def test_a_pair_has_the_worst_state_and_counts_what_is_not_clear(
    spool, moisture, state, reasons, worst, all_reasons
):
    pair = _pair(spool, STATES.index(moisture), state, reasons, 2.0, 9, {5: 9})
    assert pair == Pair(STATES.index(worst), False, all_reasons, -700, 9, 5)


@pytest.mark.parametrize(("loaded_on", "other"), [(8, True), (9, False), (10, True)])
def test_a_pair_knows_whether_its_spool_is_loaded_there(loaded_on, other):
    assert _pair(FULL, 0, CLEAR, 0, 2.0, 9, {5: loaded_on}).other_is_loaded is other


def choose(*spools: SpoolColumns) -> Pair:
    """The best of them on one toolhead where nothing is loaded."""
    machines = {9: ToolheadRow(9, NOW, {1: MaterialState("", CLEAR, 0)}, bytes)}
    return choose_pairs(spools, machines, {9: AIRS[0]}, {}, {1: GOOD.material}, {9: 50.0})[1]


def test_of_spools_that_are_alike_the_fullest_is_chosen_and_of_equal_ones_the_first():
    less, more = FULL._replace(spool=4, mass_g=690), FULL._replace(spool=6)
    assert choose(less, FULL, more).spool == 5
    assert choose(more, less).spool == 6


def test_a_fuller_spool_that_may_be_empty_does_not_hide_one_that_holds_enough():
    tail_g = compute_tail_g(50.0, GOOD.material)
    vague = FULL._replace(low_g=tail_g + 0.9, high_g=800)
    sure = FULL._replace(spool=6, mass_g=3, low_g=tail_g + 1.5)
    assert choose(vague, sure).spool == 6


@pytest.mark.parametrize(
    ("low_g", "high_g", "state"),
    [(3, 9, CLEAR), (2.9, 3, CAUTION), (2.9, 9, CAUTION), (2.8, 2.9, HOLD)],
)
def test_the_quantity_turns_at_a_gram_over_the_tail(low_g, high_g, state):
    assert quantity_state(low_g, high_g, 2) == state


@given(low_g=st.floats(0, 60), more_g=st.floats(0, 5), tail_g=st.floats(0, 4))
def test_the_quantity_of_a_small_job_is_judged_as_by_the_rule(low_g, more_g, tail_g):
    job = small_job(GOOD.material, 300, 120)
    spool = SpoolInputs("346", low_g, low_g, low_g + more_g, None)
    check = quantity(spool, PrintSite("T0", None, tail_g), GOOD.material, job)
    assert quantity_state(low_g, low_g + more_g, tail_g) == check.state


def test_a_nearly_empty_spool_hides_no_full_one():
    states = {1: MaterialState("", CLEAR, 0)}
    shop = {1: ToolheadRow(1, NOW, states, bytes)}, {1: AIRS[0]}, {}, {1: GOOD.material}, {1: 50.0}
    empty = FULL._replace(spool=1, mass_g=800, low_g=0.0, high_g=0.5)
    assert choose_pairs([empty, FULL], *shop)[1].spool == FULL.spool
