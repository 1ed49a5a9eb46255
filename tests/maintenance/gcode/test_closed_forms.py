"""Jobs whose filament, way, time, flow and layers are known by geometry and mechanics."""

import math

import pytest

from maintenance.gcode import Motion, ReaderSettings

AREA = math.pi * 1.75**2 / 4
# One acceleration and no jumps, so that times are those of the schoolbook.
PLAIN = Motion(
    speed_mm_s=(1000,) * 4,
    axis_acceleration_mm_s2=(1e5,) * 4,
    print_acceleration_mm_s2=1000,
    travel_acceleration_mm_s2=1000,
    retract_acceleration_mm_s2=1000,
)


def exactly(number: float):
    return pytest.approx(number, rel=1e-9)


def cube(side: float = 20.0, height: float = 0.2, layers: int = 50, width: float = 0.45) -> tuple[str, float]:
    """Square walls, one line wide; the job and its filament in mm."""
    section = (width - height) * height + math.pi * height**2 / 4
    step = side * section / AREA
    rows, e = ["G21 G90", "M82", "G92 E0", "G1 F3000"], 0.0
    for layer in range(1, layers + 1):
        rows.append(f"G0 Z{layer * height:.3f}")
        rows.append("G0 X0 Y0")
        for x, y in ((side, 0), (side, side), (0, side), (0, 0)):
            e += step
            rows.append(f"G1 X{x} Y{y} E{e:.15g}")
    return "\n".join(rows) + "\n", layers * 4 * step


def test_a_cube(facts_of):
    job, filament_mm = cube()
    facts = facts_of(job)
    assert facts.filament_mm == exactly(filament_mm)
    (use,) = facts.uses
    assert use.cm3(1.75) == exactly(filament_mm * AREA / 1000)
    assert use.grams(1.24, 1.75) == exactly(filament_mm * AREA / 1000 * 1.24)
    assert facts.layers.levels == 50
    ((height, share),) = [(span.value, span.amount) for span in facts.layers.heights]
    assert (height, share) == (0.2, pytest.approx(1))
    assert facts.layers.top_mm == pytest.approx(10)
    assert facts.layers.widths_mm == [0.45] * 3
    assert facts.layers.rising_share == 0
    assert facts.remarks == [] and facts.unread == {}


def test_first_layer_and_thinner_ones_and_objects_one_after_another(facts_of):
    lines = "M83\n" + "".join(
        f"G0 Z{z}\nG1 X{x + 10} E1\nG1 X{x} E1\n" for x in (0, 50) for z in (0.3, 0.5, 0.6, 0.7)
    )
    layers = facts_of(lines).layers
    assert layers.levels == 4
    shares = {span.value: pytest.approx(span.amount) for span in layers.heights}
    assert shares == {0.3: 0.25, 0.2: 0.25, 0.1: 0.5}


def test_a_spiral_has_no_layers(facts_of):
    """A helix of 100 turns: radius 10, 0.2 mm a turn, in 36 straight pieces each."""
    rows, per_piece = ["M83", "G0 X10 Y0"], 0.05
    for k in range(1, 3601):
        a = 2 * math.pi * k / 36
        rows.append(f"G1 X{10 * math.cos(a):.4f} Y{10 * math.sin(a):.4f} Z{0.2 * k / 36:.5f} E{per_piece}")
    facts = facts_of("\n".join(rows))
    assert facts.filament_mm == exactly(3600 * per_piece)
    assert facts.layers.levels == 0
    assert facts.layers.rising_share == pytest.approx(1)


SAME = {
    "absolute": "G1 X10 E2\nG1 X20 E3.5\nG1 E2.5\nG1 E3.5\nG1 X30 E5",
    "relative": "M83\nG1 X10 E2\nG1 X20 E1.5\nG1 E-1\nG1 E1\nG1 X30 E1.5",
    "all relative": "G91\nM83\nG1 X10 E2\nG1 X10 E1.5\nG1 E-1\nG1 E1\nG1 X10 E1.5",
    "set to zero between": "G1 X10 E2\nG92 E0\nG1 X20 E1.5\nG92 E100\nG1 E99\nG1 E100\nG92\nG1 X10 E1.5",
    "inches": "G20\nM83\nG1 X{10/25.4} E{2/25.4}\nG1 X{20/25.4} E{1.5/25.4}\nG1 E{-1/25.4}\nG1 E{1/25.4}\n"
    "G21\nG1 X30 E1.5",
    "without spaces": "m83\ng1x10e2\ng1x20e1.5\ng1e-1\ng1e1\ng1x30e1.5",
    "numbered": "N1 M83*33\nN2 G1 X10 E2*80\nN3 G1 X20 E1.5 *5\nN4G1E-1*7\nN5G1E1\nN6 G1 X30 E1.5",
    "commented": "M83 ; E9\nG1 (E7) X10 E2\n(G1 X5 E5)\nG1 X20 ; to 20\nG1 E1.5\nG1 E-1;\nG1 E1\n"
    "G1 X30 E1.5 (no end",
    "odd numbers": "M83\nG1 X+10. E2.\nG1 X020 E1.50\nG1 E-01\nG1 E+1\nG1 X30 E1.5000000000000000000001",
    "one line": "M83 G1 X10 E2 G1 X20 E1.5 G1 E-1 G1 E1 G1 X30 E1.5",
    "going on": "M83\nG1 X10 E2\nX20 E1.5\nE-1\nE1\nX30 E1.5",
    "its own retraction": "M83\nM207 S1 F1500\nG1 X10 E2\nG1 X20 E1.5\nG10\nG10\nG11\nG11\nG1 X30 E1.5",
    "half the flow": "M83\nM221 S50\nG1 X10 E4\nG1 X20 E3\nG1 E-2\nG1 E2\nM221 S100\nG1 X30 E1.5",
    "a volume": "M83\nM200 D1.75\nG1 X10 E{2*A}\nG1 X20 E{1.5*A}\nG1 E{-A}\nG1 E{A}\nM200 D0\nG1 X30 E1.5",
    "a message": "M117 G1 E50\nM83\nG1 X10 E2\nM118 E5 G1\nG1 X20 E1.5\nG1 E-1\nG1 E1\nG1 X30 E1.5",
}  # fmt: skip


@pytest.mark.parametrize("dress", SAME)
@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
def test_the_same_job_in_many_dresses(facts_of, dress, ending):
    parts = SAME[dress].split("{")
    job = parts[0] + "".join(
        f"{eval(part.split('}')[0], {'A': AREA}):.15f}" + part.split("}")[1] for part in parts[1:]
    )
    facts = facts_of(job.replace("\n", ending))
    (use,) = facts.uses
    assert use.filament_mm == exactly(5)
    assert use.forward_mm == exactly(6)
    assert (use.retractions.count, use.retractions.longest_mm) == (1, pytest.approx(1))
    assert use.retractions.per_m == pytest.approx(200)
    assert use.melt_mm == exactly(5)


def test_exponents_are_not_numbers(facts_of):
    """X1E5 moves to X1 and feeds 5 mm."""
    facts = facts_of("G1 X1E5 F60")
    assert facts.filament_mm == 5
    assert facts.unread == {}


ARCS = {
    "quarter to the left": ("G0 X10 Y0\nG3 X0 Y10 I-10 J0", math.pi / 2 * 10),
    "three quarters to the right": ("G0 X10 Y0\nG2 X0 Y10 I-10 J0", 3 * math.pi / 2 * 10),
    "full circle": ("G0 X10 Y0\nG2 I-10", 2 * math.pi * 10),
    "half circle by radius": ("G0 X10 Y0\nG3 X-10 Y0 R10", math.pi * 10),
    "short way by radius": ("G0 X10 Y0\nG3 X0 Y10 R10", math.pi / 2 * 10),
    "long way by radius": ("G0 X10 Y0\nG3 X0 Y10 R-10", 3 * math.pi / 2 * 10),
    "short way by radius, right": ("G0 X0 Y10\nG2 X10 Y0 R10", math.pi / 2 * 10),
    "helix": ("G0 X10 Y0\nG3 X10 Y0 Z30 I-10", math.hypot(2 * math.pi * 10, 30)),
    "in ZX": ("G18\nG0 X0 Z10\nG3 X10 Z0 K-10", math.pi / 2 * 10),
    "in ZX, right": ("G18\nG0 X0 Z10\nG2 X10 Z0 K-10", 3 * math.pi / 2 * 10),
    "in YZ": ("G19\nG0 Y10 Z0\nG3 Y0 Z10 J-10", math.pi / 2 * 10),
    "relative": ("G91\nG0 X10\nG3 X-10 Y10 I-10", math.pi / 2 * 10),
    "in inches": ("G20\nG0 X1\nG3 X0 Y1 I-1", math.pi / 2 * 25.4),
}


@pytest.mark.parametrize("case", ARCS)
def test_arcs(facts_of, case):
    job, length = ARCS[case]
    there = facts_of("\n".join(job.splitlines()[:-1])).travel_mm
    assert facts_of(job).travel_mm - there == exactly(length)


# Time


def test_one_way_from_rest_to_rest(facts_of):
    """s / v + v / a where it gets up to its speed, else 2 sqrt(s / a)."""
    reading = ReaderSettings(motion=PLAIN)
    assert facts_of("G1 X200 F6000", reading).seconds == exactly(200 / 100 + 100 / 1000)
    assert facts_of("G1 X5 F6000", reading).seconds == exactly(2 * math.sqrt(5 / 1000))


def test_a_straight_way_in_pieces_takes_no_longer(facts_of):
    """Pieces of 0.01 mm: more than are looked ahead over, in several buffers."""
    reading = ReaderSettings(motion=PLAIN)
    pieces = "G91\nG1 F6000\n" + "G1 X0.01\n" * 20_000
    assert facts_of(pieces, reading).seconds == pytest.approx(200 / 100 + 100 / 1000, rel=0.03)
    pieces = "G91\nG1 F1200\n" + "G1 X0.01\n" * 20_000
    assert facts_of(pieces, reading).seconds == pytest.approx(200 / 20 + 20 / 1000, rel=1e-6)


def test_a_square_corner_is_taken_at_the_jump(facts_of):
    """Each axis may jump by 8 mm/s: both ways of 100 mm have one end at rest and one at 8 mm/s."""
    v, a, jump = 50, 1000, 8
    once = (v - 0) / a + (v - jump) / a + (100 - v**2 / 2 / a - (v**2 - jump**2) / 2 / a) / v
    facts = facts_of("G1 X100 F3000\nG1 Y100", ReaderSettings(motion=PLAIN))
    assert facts.seconds == exactly(2 * once)


def test_junction_deviation(facts_of):
    """At a right angle an arc that stays within d of the corner has radius d s / (1 - s), s = sin 45°."""
    v, a, d, s = 50, 1000, 0.05, math.sqrt(0.5)
    corner = math.sqrt(a * d * s / (1 - s))
    once = v / a + (v - corner) / a + (100 - v**2 / 2 / a - (v**2 - corner**2) / 2 / a) / v
    facts = facts_of("M205 J0.05\nG1 X100 F3000\nG1 Y100", ReaderSettings(motion=PLAIN))
    assert facts.seconds == exactly(2 * once)


def test_a_circle_is_no_faster_than_its_acceleration_allows(facts_of):
    """v² = a r."""
    facts = facts_of("G2 I10 F60000", ReaderSettings(motion=PLAIN))
    v = math.sqrt(1000 * 10)
    assert facts.seconds == exactly(2 * math.pi * 10 / v + v / 1000)


def test_limits_in_the_file_count(facts_of):
    reading = ReaderSettings(motion=PLAIN)
    assert facts_of("M203 X50\nG1 X200 F6000", reading).seconds == exactly(200 / 50 + 50 / 1000)
    assert facts_of("M201 X500\nG1 X200 F6000", reading).seconds == exactly(200 / 100 + 100 / 500)
    assert facts_of("M204 S500\nG1 X200 F6000", reading).seconds == exactly(200 / 100 + 100 / 500)
    assert facts_of("M220 S50\nG1 X200 F6000", reading).seconds == exactly(200 / 50 + 50 / 1000)


def test_pauses_add(facts_of):
    reading = ReaderSettings(motion=PLAIN)
    way = facts_of("G1 X200 F6000", reading).seconds
    assert facts_of("G1 X200 F6000\nG4 P1500\nG4 S2", reading).seconds == exactly(way + 3.5)


# Flow


def test_even_flow(facts_of):
    """600 mm at 20 mm/s with 0.05 mm of filament a mm: 1 mm/s of filament."""
    facts = facts_of("G1 X600 E30 F1200", ReaderSettings(motion=Motion(print_acceleration_mm_s2=1e6)))
    (use,) = facts.uses
    assert use.peak_1s_mm3_s == pytest.approx(AREA, rel=0.01)
    assert use.peak_5s_mm3_s == pytest.approx(AREA, rel=0.01)
    assert use.flow_mm3_s["50"] == pytest.approx(AREA, abs=0.1)
    assert all(flow == pytest.approx(AREA, rel=0.02) for flow in facts.flow_mm3_s[1:-1])


def test_a_burst_counts_by_its_share_of_the_window(facts_of):
    """Half a second at 4 mm/s of filament between stretches of travel."""
    sharp = Motion((1e6,) * 4, (1e6,) * 4, (1e6,) * 4, 1e6, 1e6, 1e6)
    job = "M83\nG1 F6000\nG1 X600\nG1 X650 E2\nG1 X1250"
    (use,) = facts_of(job, ReaderSettings(motion=sharp)).uses
    assert use.fastest_mm3_s == pytest.approx(4 * AREA, rel=0.001)
    assert use.peak_1s_mm3_s == pytest.approx(2 * AREA, rel=0.001)
    assert use.peak_5s_mm3_s == pytest.approx(2 * AREA / 5, rel=0.001)


def test_flow_after_a_long_way_that_begins_at_a_near_corner(facts_of):
    """7 s of 1 mm/s, then 3 s of 5 mm/s of filament: corners 10 µs apart before it are made one."""
    sharp = Motion((1e6,) * 4, (1e6,) * 4, (1e6,) * 4, 1e6, 1e6, 1e6)
    job = "M83\nG91\nG1 E1 F6000\nG1 X0.001\nG1 X0.001\nG1 X700 E7\nG1 X300 E15"
    (use,) = facts_of(job, ReaderSettings(motion=sharp)).uses
    assert use.peak_1s_mm3_s == pytest.approx(5 * AREA, rel=0.001)
    assert use.peak_5s_mm3_s == pytest.approx((2 * 1 + 3 * 5) * AREA / 5, rel=0.001)


def test_filament_that_only_returns_is_no_flow(facts_of):
    """Filament that was pulled back comes to the nozzle again, and nothing melts."""
    (use,) = facts_of("M83\nG1 F3000\nG1 X60 E3\nG1 E-2 F2400\nG1 E2\nG1 X120 E3 F3000").uses
    assert use.melt_mm == exactly(6)
    assert use.fastest_mm3_s < 3 * AREA


# Several spools


def test_tools_and_colour_changes_in_order(facts_of):
    job = """M83
    T0
    M104 T0 S210
    M104 T1 S250
    G1 X10 E1 F600
    T1
    G1 X20 E2
    T0
    G1 X30 E4
    M600
    G1 X40 E8
    T1
    G1 X50 E16"""
    facts = facts_of(job)
    assert [(use.tool, use.filament_mm) for use in facts.uses] == [(0, 5), (1, 18), (0, 8)]
    assert [(change.line, change.use) for change in facts.changes] == [
        (5, 0),
        (7, 1),
        (9, 0),
        (11, 2),
        (13, 1),
    ]
    assert [use.nozzle_c for use in facts.uses] == [210, 250, 210]
    assert facts.remarks[-1].values == {"commands": {"tool_change": 3, "colour_change": 1}}


def test_heat(facts_of):
    job = "M140 S60\nM104 S210\nG4 S100\nM104 S200\nG1 E1 F60\nG4 S200\nM104 S0\nM140 S0\nG4 S50"
    facts = facts_of(job, ReaderSettings(motion=PLAIN))
    (use,) = facts.uses
    assert use.nozzle_c == 200
    feeding = 1 + 1 / 1000
    assert {span.value: span.amount for span in use.hot} == {200: exactly(200 + feeding), 0: 50}
    hot = {span.value: span.amount for span in facts.hot_by_tool[0]}
    assert hot == {210: 100, 200: exactly(200 + feeding), 0: 50}
    assert {span.value: span.amount for span in facts.bed} == {60: exactly(300 + feeding), 0: 50}
    assert facts.bed_c == 60


# A job that stopped early


def test_up_to_a_line_a_byte_and_a_time(facts_of):
    rows = ["M83", "G1 F600", *(f"G1 X{k % 2} E1" for k in range(10_000))]
    facts = facts_of("\n".join(rows) + "\n")
    assert facts.up_to(line=5003).filament_mm == [pytest.approx(5000, rel=0.002)]
    half = facts.up_to(byte=facts.bytes // 2)
    assert half.filament_mm == [pytest.approx(5000, rel=0.002)]
    assert half.seconds == pytest.approx(facts.seconds / 2, rel=0.002)
    assert facts.up_to(seconds=facts.seconds / 4).filament_mm == [pytest.approx(2500, rel=0.002)]
    assert facts.up_to(line=1).filament_mm == [0]
    assert facts.up_to(line=10**9).filament_mm == [10_000]
    assert len(facts.marks) <= 1026


def test_a_short_job_is_summarised_line_by_line(facts_of):
    facts = facts_of("M83\nG1 X1 E1\nG1 X2 E2\nG1 X3 E4\n")
    assert [facts.up_to(line=n).filament_mm[0] for n in range(1, 6)] == [0, 0, 1, 3, 7]


def test_up_to_wants_one_place(facts_of):
    with pytest.raises(ValueError, match="one of"):
        facts_of("G1 X1 E1").up_to(line=1, byte=1)


# Uncertain facts have remarks


@pytest.mark.parametrize(
    ("job", "remark"),
    [
        ("G1 X5 F60", "No move feeds"),
        ("M83\nG90\nG1 E1 F60", "1 moves feed otherwise on machines that differ"),
        ("G5 X1 Y1 E1\nG1 E1 F60", "1 commands that were not understood carry an E"),
        ("G1 E1", "1 moves come before any speed"),
        ("G1 E1 F60\nG2 X50 R1", "1 arcs do not fit"),
        ("G1 E1 F60\nG10", "1 retractions are the machine's own (G10): 1 mm"),
        ("G1 E1 F60\nX5", "1 lines without a command go on"),
        ("G28\nM109 S200\nG1 E1 F60", "Not in the time"),
    ],
)  # fmt: skip
def test_remarks(facts_of, job, remark):
    assert any(found.sentence.startswith(remark) for found in facts_of(job).remarks)


def test_machines_that_differ_on_g90(facts_of):
    job = "M83\nG1 E5 F60\nG91\nG0 Z1\nG90\nG1 E6\nG1 E8"
    follows, apart = (facts_of(job, ReaderSettings(e_follows_g90=choice)) for choice in (True, False))
    assert follows.filament_mm == 8
    assert apart.filament_mm == 19


def test_ignored_commands_are_counted(facts_of):
    facts = facts_of("G1 E1 F60 A3\nM84\nM84\nG29\nstart_print BED=60\nSTART_PRINT\nG92.1\n#")
    assert facts.unread == {
        "M84": 2, "START_PRINT": 2, "G29": 1, "G92.1": 1, "stray characters": 1, "word A": 1
    }  # fmt: skip
