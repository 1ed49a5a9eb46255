"""The bar of a part's life."""

from pages.machines.part_rows import draw_life_bar


def test_the_bar_has_a_scale_from_new_on_and_the_range_of_ends():
    bar = draw_life_bar(88, [12, 212, 312])
    assert [text for _, text, _ in bar.ticks] == ["0", "100", "200", "300", "400"]
    assert (bar.used, bar.first_end, bar.median, bar.end_width) == ("22.0", "25.0", "75.0", "75.0")


def test_a_part_that_is_used_up_fills_it():
    bar = draw_life_bar(400, [-300, -200, -100])
    assert (bar.used, bar.median, bar.end_width) == ("100.0", "100.0", "0.0")
