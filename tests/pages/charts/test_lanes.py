"""Bars in lanes: each has its text, and none lies on another one."""

from hypothesis import example, given
from hypothesis import strategies as st

from pages.charts.chart import NOW, Frame, Mark
from pages.charts.lanes import LETTER_PCT, Bar, Lane, Piece, draw_lanes

SPAN = st.tuples(st.floats(0, 100), st.floats(0, 60)).map(lambda span: (span[0], span[0] + span[1]))


@given(st.lists(SPAN, min_size=1, max_size=8))
@example([(0, 60), (60, 61)])
@example([(99, 99), (0, 0)])
def test_no_bar_lies_on_the_text_of_another_one(spans):
    bars = [Bar("AB-CD", [Piece("planned", *span)], ["AB-CD"]) for span in spans]
    chart = draw_lanes(Frame("", 0, 160), [Lane("One", bars)], ["spool"], {"planned": "planned"})
    assert len(chart.stretches) == len(spans)
    for bar in chart.stretches:
        length = LETTER_PCT * len(bar.text)
        left, right = (
            (bar.text_x, bar.text_x + length) if bar.anchor == "start" else (bar.text_x - length, bar.text_x)
        )
        assert left > -1e-9 and right < 100 + 1e-9
        others = [other for other in chart.stretches if other is not bar and other.y == bar.y]
        assert all(other.right <= left + 1e-6 or right <= other.x + 1e-6 for other in others)


def test_lanes_lie_below_each_other_and_the_reading_is_what_comes_next():
    one = Bar("A", [Piece("running", 0, 5), Piece("over", 5, 7)], ["A", "7"])
    two = Bar("B", [Piece("planned", 6, 9)], ["B", "9"])
    due = Bar("C", [Piece("due", 8, 8)], ["C", ""])
    lanes = [Lane("One", [one, two]), Lane("Two", []), Lane("Prints", [due])]
    kinds = {"running": "drying", "planned": "planned", "due": "due", "other": "other"}
    chart = draw_lanes(Frame("", 0, 10, marks=[Mark(4, NOW)]), lanes, ["spool", "until"], kinds, ["due"])
    assert [name for _, name in chart.lanes] == ["One", "Two", "Prints"]
    assert [stretch.y for stretch in chart.stretches] == sorted(stretch.y for stretch in chart.stretches)
    assert chart.reading == "6: spool B; until 9" and chart.now == 40
    assert chart.legend == [
        ("stretch", "running", "drying"),
        ("stretch", "planned", "planned"),
        ("event", "due", "due"),
    ]
