"""The kernels say what the obvious reader says, whatever is in the file."""

import json
import math
import random
from collections import Counter

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from maintenance.gcode import GcodeError, JobFacts, Motion, ReaderSettings
from maintenance.gcode.accounting import LEAST_GAP_S
from maintenance.gcode.layout import MOVES

from . import oracle
from .invented import long_job

numbers = st.one_of(
    st.integers(-60, 60).map(str),
    st.floats(-60, 60).map(lambda x: f"{x:.3f}"),
    st.sampled_from([".5", "+1", "1.", "-.25", "007", "1e3", "0.1234567890123456789", "-", ""]),
)
ranges = {"F": (1, 9000), "E": (-3, 6), "S": (0, 300), "D": (0, 3), "T": (0, 3), "P": (0, 900)}
sensible = {letter: st.floats(*limits).map(lambda x: f"{x:.2f}") for letter, limits in ranges.items()}
words = (
    st.sampled_from("XYZXYZEEFIJKRSPTDQ")
    .flatmap(
        lambda letter: st.tuples(
            st.sampled_from([letter, " " + letter, letter.lower()]), sensible.get(letter, numbers)
        )
    )
    .map("".join)
)
HEADS = """G0 G1 G1 G1 g1 G2 G3 G4 G10 G11 G17 G18 G19 G20 G21 G28 G90 G91 G92 G92.1 M82 M83 M104 M109 M140
    M190 M200 M201 M203 M204 M205 M207 M208 M220 M221 M600 M106 M107 M400 M0 M84 T0 T1 T2 T99 T N12G1 G5 G1G91
    M117 CLEAN_NOZZLE (remark) ;remark % /"""
heads = st.sampled_from([*HEADS.split(), "", "M117 go to X10 E5", 'M999 "G1 X5"'])
lines = st.tuples(heads, st.lists(words, max_size=6), st.sampled_from(["", "*71", " ; E9", "(E9)"]))
endings = st.sampled_from(["\n", "\r\n", "\r"])
jobs = st.tuples(endings, st.lists(lines.map(lambda p: p[0] + "".join(p[1]) + p[2]), max_size=40)).map(
    lambda job: job[0].join(job[1])
)

# No ramps to speak of: moves take their length over their speed.
SHARP = Motion((1e6,) * 4, (1e6,) * 4, (1e6,) * 4, 1e6, 1e6, 1e6)


def near(one: float, other: float) -> bool:
    return math.isclose(one, other, rel_tol=1e-9, abs_tol=1e-7)


def most_in(window: float, moves: list[oracle.Move], use: int, area: float) -> float:
    """The most volume in any window, over each time that this spool is in use without a break."""
    best, at = 0.0, 0
    while at < len(moves):
        run = at
        while run < len(moves) and moves[run].use in (use, -1):
            run += 1
        if run > at:
            times = np.cumsum([0.0, *(move.seconds for move in moves[at:run])])
            volume = np.cumsum([0.0, *(move.melt * area for move in moves[at:run])])
            starts = np.concatenate([times, times - window])
            held = np.interp(starts + window, times, volume) - np.interp(starts, times, volume)
            best = max(best, held.max())
        at = run + 1
    return best


def melts(moves: list[oracle.Move]) -> None:
    fed, most = Counter(), Counter()
    for move in moves:
        fed[move.tool] += move.feed
        move.melt = max(0.0, fed[move.tool] - most[move.tool])
        most[move.tool] = max(most[move.tool], fed[move.tool])


def pulls(moves: list[oracle.Move], tool: int) -> list[tuple[int, float, float]]:
    """Retractions of a tool: the spool, and from where to where its filament went back."""
    found, at, started_at = [], 0.0, None
    for move in moves:
        if move.tool != tool or move.feed == 0:
            continue
        if move.feed < 0 and started_at is None:
            started_at = (move.use, at)
        if move.feed > 0 and started_at is not None:
            found.append((*started_at, at))
            started_at = None
        at += move.feed
    return found if started_at is None else [*found, (*started_at, at)]


def most_over_one(pulled: list[tuple[int, float, float]]) -> int:
    middles = {
        k
        for _, high, low in pulled
        for k in range(math.ceil(low * 10 - 0.5), math.floor(high * 10 - 0.5) + 1)
    }
    return max((sum(low <= (k + 0.5) / 10 <= high for _, high, low in pulled) for k in middles), default=0)


@settings(max_examples=60)
@given(jobs, st.booleans())
def test_moves_have_the_expected_totals(facts_of, job, e_follows_g90):
    reading = ReaderSettings(e_follows_g90=e_follows_g90)
    expected = oracle.read(job, reading)
    if expected.commands == 0:
        with pytest.raises(GcodeError):
            facts_of(job, reading)
        return
    facts, moves = facts_of(job, reading), expected.moves
    melts(moves)
    assert (facts.commands, facts.lines) == (expected.commands, expected.lines)
    assert facts.unread == dict(expected.unread)
    assert [use.tool for use in facts.uses] == expected.tool_of_use
    assert near(facts.seconds, math.fsum(move.seconds for move in moves))
    travel = [move for move in moves if move.feed <= 0 and move.span > 0]
    assert near(facts.travel_mm, math.fsum(move.span for move in travel))
    assert near(facts.travel_s, math.fsum(move.seconds for move in travel))
    for n, use in enumerate(facts.uses):
        own_row = [move for move in moves if move.use == n]
        assert near(use.filament_mm, math.fsum(move.feed for move in own_row))
        assert near(use.forward_mm, math.fsum(max(0.0, move.feed) for move in own_row))
        assert near(use.melt_mm, math.fsum(move.melt for move in own_row))
        assert near(use.in_place_mm, math.fsum(move.melt for move in own_row if move.span == 0))
        assert near(use.seconds, math.fsum(move.seconds for move in own_row))
        assert near(use.peak_1s_mm3_s, most_in(1, moves, n, reading.area_mm2))
        assert near(use.peak_5s_mm3_s, most_in(5, moves, n, reading.area_mm2) / 5)
        back = [(high, low) for user, high, low in pulls(moves, use.tool) if user == n]
        assert use.retractions.count == len(back)
        assert near(use.retractions.longest_mm, max((high - low for high, low in back), default=0))
        assert near(use.retractions.length_mm, -math.fsum(min(0.0, move.feed) for move in own_row))
    assert near(math.fsum(facts.flow_mm3_s) * facts.flow_bin_s,
                math.fsum(move.melt for move in moves if move.seconds > 0) * reading.area_mm2)  # fmt: skip


@pytest.mark.parametrize("seed", range(10))
def test_peaks_with_corners_too_near_to_keep(facts_of, seed):
    """Runs of moves of 10 and 100 µs between long ones: near corners are made one, by 0.6 ms at most."""
    chance = random.Random(seed)
    rows = ["M83", "G91", "G1 E1 F6000"]
    for _ in range(30):
        length, most = chance.choice([(0.001, 100), (0.01, 100), (5, 10), (700, 2)])
        rows += [f"G1 X{length} E{chance.uniform(0, length / 10):.6f}"] * chance.randint(1, most)
    reading = ReaderSettings(motion=SHARP)
    moves = oracle.read("\n".join(rows), reading).moves
    melts(moves)
    (use,) = facts_of("\n".join(rows), reading).uses
    slack = 2 * LEAST_GAP_S * use.fastest_mm3_s
    assert abs(use.peak_1s_mm3_s - most_in(1, moves, 0, reading.area_mm2)) <= slack
    assert abs(use.peak_5s_mm3_s - most_in(5, moves, 0, reading.area_mm2) / 5) <= slack / 5


@settings(max_examples=60)
@given(st.lists(st.tuples(st.floats(0.01, 3), st.floats(0.01, 3)), max_size=40))
def test_how_often_the_same_filament_is_pulled_back(facts_of, pairs):
    steps = "".join(f"G1 E-{back:.3f}\nG1 E{forward:.3f}\n" for back, forward in pairs)
    job = f"M83\nG1 F600\nG1 E20\n{steps}"
    (use,) = facts_of(job).uses
    assert use.retractions.most_over_one == most_over_one(pulls(oracle.read(job).moves, 0))


@settings(max_examples=40)
@given(jobs)
def test_temperatures_last_until_the_next(facts_of, job):
    expected = oracle.read(job)
    if expected.commands == 0:
        return
    facts = facts_of(job)
    clock = np.cumsum([0.0, *(move.seconds for move in expected.moves)])
    for what, tools in (("bed", {0: facts.bed}), ("hot", facts.hot_by_tool)):
        for tool, spans in tools.items():
            steps = [(clock[k], c) for k, kind, t, c in expected.heat if (kind, t) == (what, tool)]
            held: Counter = Counter()
            for (start, c), (end, _) in zip([(0.0, 0), *steps], [*steps, (clock[-1], 0)], strict=True):
                held[math.floor(c + 0.5)] += end - start
            result = {span.value: span.amount for span in spans}
            assert all(near(result.get(c, 0.0), seconds) for c, seconds in held.items())


@settings(max_examples=100)
@given(
    st.one_of(
        st.binary(max_size=300), st.text('GMTXYZEF0123456789.-+ \n\r;(*"N', max_size=300).map(str.encode)
    )
)
def test_any_bytes_are_read_or_refused_in_words(facts_of, job):
    try:
        facts = facts_of(job)
    except GcodeError as error:
        assert str(error).endswith(".")
        return
    assert JobFacts.from_json(json.loads(json.dumps(facts.as_json(), allow_nan=False))) == facts
    assert facts.seconds >= 0


@settings(max_examples=30)
@given(jobs, st.integers(1, 60))
def test_the_size_of_chunks_changes_nothing(facts_of, job, chunk):
    with pytest.MonkeyPatch.context() as patch:
        try:
            whole = facts_of(job)
        except GcodeError:
            return
        patch.setattr("maintenance.gcode.source.CHUNK", chunk)
        assert facts_of(job) == whole


@pytest.mark.parametrize("seed", [1, 2])
def test_the_time_of_a_long_job(facts_of, seed):
    """Several buffers long, against the reference planner, which sees the whole job at once."""
    job = long_job(seed)
    moves = oracle.read(job).moves
    assert len(moves) > 2 * MOVES
    assert facts_of(job).seconds == pytest.approx(math.fsum(move.seconds for move in moves), rel=1e-6)
