"""Each kind of fact that can be withdrawn says what follows, and has its page."""

from django.apps import apps

from pages.frame.withdrawals import KINDS
from spools import facts
from spools.models.facts import Withdrawable


def test_each_withdrawable_fact_has_a_consequence_and_a_page():
    kinds = {model for model in apps.get_models() if issubclass(model, Withdrawable)}
    assert kinds <= set(facts._hooks), "register what follows with follows_withdrawal"
    assert {kind.facts.model for kind in KINDS.values()} == kinds
