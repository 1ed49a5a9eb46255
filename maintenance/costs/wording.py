"""The words of costs."""

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from spools.sentences import register_sentences
from spools.wording import format_fixed

CENT = 0.01

register_sentences(
    {
        "cost.no_spool_price": gettext_lazy("No spool of {name} has a price."),
        "cost.no_part_price": gettext_lazy("No price is recorded for {name}."),
    }
)


def format_money(amount: float, currency: str) -> str:
    """Such as "12.40 EUR"; "under 0.01 EUR" of less than a cent."""
    if 0 < amount < CENT / 2:
        return _("under {amount}").format(amount=f"{format_fixed(CENT, 2)} {currency}".strip())
    return f"{format_fixed(amount, 2)} {currency}".strip()
