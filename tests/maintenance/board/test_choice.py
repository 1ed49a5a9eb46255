"""The choice from columns is that of judging every pair."""

from datetime import UTC, datetime
from itertools import product

from hypothesis import given
from hypothesis import strategies as st

from maintenance.board.choice import SpoolColumns, _pair, _states_in_air, choose_pairs, quantity_state
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
        computed_at=NOW,
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
    free = list(machines)
    loaded = {}
    for spool in own:
        if free and draw(st.booleans()):
            loaded[free.pop()] = spool.spool
    return own, machines, airs, loaded, tails_mm


@given(shops())
def test_the_best_pair_is_that_of_all_pairs(shop):
    own, machines, airs, loaded, tails_mm = shop
    materials = {1: GOOD.material, 2: GOOD.material}
    on_toolhead = {spool: toolhead for toolhead, spool in loaded.items()}
    classes = sorted(set(airs.values()))
    in_air = _states_in_air(classes)
    best = {}
    for spool, pk in product(own, machines):
        state = machines[pk].materials[spool.feedstock]
        moisture = in_air(spool)[classes.index(airs[pk])]
        tail_g = compute_tail_g(tails_mm[pk], GOOD.material)
        pair = _pair(spool, moisture, state.state, state.reasons, tail_g, pk, on_toolhead)
        if pair.state < STATES.index(HOLD):
            best[spool.feedstock] = min(pair, best.get(spool.feedstock, pair))
    assert choose_pairs(own, machines, airs, loaded, materials, tails_mm) == best


@given(low_g=st.floats(0, 60), more_g=st.floats(0, 5), tail_g=st.floats(0, 4))
def test_the_quantity_of_a_small_job_is_judged_as_by_the_rule(low_g, more_g, tail_g):
    job = small_job(GOOD.material, 300, 120)
    spool = SpoolInputs("346", low_g, low_g, low_g + more_g, None)
    check = quantity(spool, PrintSite("T0", None, tail_g), GOOD.material, job)
    # At the very limit rounding decides.
    if min(abs(low_g - tail_g - 1), abs(low_g + more_g - tail_g - 1)) > 1e-6:
        assert quantity_state(low_g, low_g + more_g, tail_g) == check.state
    assert check.state in (CLEAR, CAUTION, HOLD)
