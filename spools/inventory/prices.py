"""The price of a spool: an assumption of costs, without a time."""

from decimal import Decimal

from spools.models import Spool


def set_price(spool: Spool, price: Decimal | None) -> Spool:
    """Stores what was paid for a spool; None: not known. Raises ValidationError on a price that cannot be."""
    spool.price = price
    spool.clean_fields(exclude={field.name for field in Spool._meta.fields} - {"price"})
    Spool.objects.filter(pk=spool.pk).update(price=spool.price)
    return spool
