"""Spools of a feedstock that were weighed teach those that come later."""

import pytest
from django.utils import timezone

from spools.facts import withdraw
from spools.inventory.ledger import weigh
from spools.inventory.openings import record_opening
from spools.inventory.receipts import correct_receipt, require_nothing_rests_on
from spools.models import DryingRun, Feedstock, Prior, Spool, SpoolLesson
from spools.moisture import cache
from spools.moisture.state import moisture_of
from spools.moisture.taught import summarize_taught
from spools.physics.ensemble import interval
from tests.spools.conftest import hours_ago, receive

pytestmark = pytest.mark.django_db
TRUE_START_PCT, DRY_PCT = 0.9, 0.45


def dried_and_weighed(nylon, shelf, dryer, at_h: float, water_pct: float = TRUE_START_PCT):
    """A sealed spool that is weighed as it came, dried for 16 h at 80 °C, and weighed again."""
    spool = receive(nylon, shelf, at=hours_ago(at_h), sealed=True)
    dry_g = 1200.0
    weigh(spool, dry_g + 10 * water_pct, at=hours_ago(at_h - 1), resolution_g=0.1)
    DryingRun.objects.create(
        spool=spool,
        dryer=dryer,
        set_point_c=80,
        start_cap_c=90,
        cap_c=90,
        planned_hours=16,
        target_pct=0.3,
        start=hours_ago(at_h - 1.5),
        end=hours_ago(at_h - 17.5),
    )
    weigh(spool, dry_g + 10 * DRY_PCT, at=hours_ago(at_h - 18), resolution_g=0.1)
    return spool


def width_as_it_came(spool) -> float:
    """Of the 80 % range of its water."""
    low, _, high = interval(moisture_of([spool], spool.received_at)[spool.pk].winding.mean_pct())
    return high - low


def test_a_21st_spool_starts_with_half_the_range_of_the_first(nylon, shelf, dryer):
    def weigh_teacher(n: int):
        return dried_and_weighed(nylon, shelf, dryer, 1000 - 20 * n, TRUE_START_PCT + 0.02 * (n % 4 - 2))

    teachers = [weigh_teacher(n) for n in range(4)]
    first = receive(nylon, shelf, at=hours_ago(1100), sealed=True)
    new = receive(nylon, shelf, at=hours_ago(2), sealed=True)
    cache.advance([first, new])
    assert dict(Prior.objects.values_list("spool", "spools")) == {first.pk: 0, new.pk: 4}
    # The others are like these four, and so is what they teach.
    lessons = [SpoolLesson.objects.get(spool=teacher) for teacher in teachers]
    for n in range(4, 20):
        spool = weigh_teacher(n)
        SpoolLesson.objects.create(
            spool=spool,
            weighings=2,
            last_at=spool.mass_entries.latest("at").at,
            numbers=lessons[n % 4].numbers,
        )
    assert not Prior.objects.filter(spool=new).exists()
    assert width_as_it_came(new) <= 0.5 * width_as_it_came(first)
    taught = summarize_taught(nylon, timezone.now())
    assert taught.spools == 20 and taught.start_rh_pct.p90 < 40


def test_a_weighing_changes_only_spools_received_later(nylon, shelf, dryer):
    teacher = dried_and_weighed(nylon, shelf, dryer, 200)
    early, late = (receive(nylon, shelf, at=hours_ago(h), sealed=True) for h in (190, 100))
    spools = [teacher, early, late]
    cache.advance(spools)
    assert dict(Prior.objects.values_list("spool", "spools")) == {teacher.pk: 0, early.pk: 0, late.pk: 1}
    now = timezone.now()
    before = moisture_of(spools, now)[late.pk].winding.state.to_bytes()
    weigh(teacher, 1204.6)
    assert Prior.objects.count() == 3, "a weighing of today teaches spools that are still to come"
    assert moisture_of([late], now)[late.pk].winding.state.to_bytes() == before
    # A weighing before its receipt makes its knowledge stale, and withdrawing it brings the former back.
    mistake = weigh(teacher, 1204.5, at=hours_ago(150))
    assert set(Prior.objects.values_list("spool", flat=True)) == {teacher.pk, early.pk}
    cache.advance(spools)
    withdraw(mistake, reason="another spool")
    assert set(Prior.objects.values_list("spool", flat=True)) == {teacher.pk, early.pk}
    cache.advance(spools)
    assert moisture_of([late], now)[late.pk].winding.state.to_bytes() == before
    assert cache.rebuild(spools) == []


def test_a_spool_teaches_with_its_first_2_4_or_8_weighings(nylon, shelf, dryer):
    teacher = dried_and_weighed(nylon, shelf, dryer, 200)
    late = receive(nylon, shelf, at=hours_ago(100), sealed=True)
    cache.advance([teacher])
    assert list(teacher.lessons.values_list("weighings", flat=True)) == [2]
    lesson = teacher.lessons.get()
    assert lesson.last_at == teacher.mass_entries.latest("at").at
    # A third weighing leaves that as it is, and a spool that comes learns without computing anything of the teacher.
    weigh(teacher, 1204.5)
    cache.advance([late])
    assert (teacher.lessons.get().pk, Prior.objects.get(spool=late).spools) == (lesson.pk, 1)
    weigh(teacher, 1204.6)
    cache.advance([teacher])
    assert sorted(teacher.lessons.values_list("weighings", flat=True)) == [2, 4]


def test_another_card_or_feedstock_is_another_prior(nylon, shelf, dryer):
    dried_and_weighed(nylon, shelf, dryer, 200)
    late = receive(nylon, shelf, at=hours_ago(100), sealed=True, opened=False)
    other = Feedstock.objects.create(
        maker=nylon.maker, polymer=nylon.polymer, name="Other", diameter_mm=nylon.diameter_mm
    )
    cache.advance([late])
    unread = bytes(Prior.objects.get(spool=late).knowledge)
    record_opening(late, at=hours_ago(50), card=Spool.Card.WET)
    assert not Prior.objects.exists()
    cache.advance([late])
    assert bytes(Prior.objects.get(spool=late).knowledge) != unread
    correct_receipt(late, reason="another label", feedstock=other)
    cache.advance([late])
    assert Prior.objects.get(spool=late).spools == 0


def test_a_teacher_that_is_of_another_feedstock_teaches_no_more(nylon, shelf, dryer):
    teacher = dried_and_weighed(nylon, shelf, dryer, 200)
    late = receive(nylon, shelf, at=hours_ago(100), sealed=True)
    cache.advance([late])
    other = Feedstock.objects.create(
        maker=nylon.maker, polymer=nylon.polymer, name="Other", diameter_mm=nylon.diameter_mm
    )
    correct_receipt(teacher, reason="another label", feedstock=other)
    cache.advance([late])
    assert Prior.objects.get(spool=late).spools == 0


def test_a_spool_received_by_mistake_may_have_been_computed(nylon, shelf):
    spool = receive(nylon, shelf, at=hours_ago(2), sealed=True)
    cache.advance([spool])
    require_nothing_rests_on(spool)
