"""The words of costs."""

from spools.sentences import register_sentences

register_sentences(
    {
        "cost.no_spool_price": "No spool of {name} has a price.",
        "cost.no_part_price": "No price is recorded for {name}.",
    }
)


def format_money(amount: float, currency: str) -> str:
    """Such as "12.40 EUR"; "under 0.01 EUR" of less than a cent."""
    text = "under 0.01" if 0 < amount < 0.005 else f"{amount:.2f}"
    return f"{text} {currency}".strip()
