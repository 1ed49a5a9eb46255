"""Withdrawing recorded facts: one function for every kind of fact; each subject adds what follows from it."""

from collections.abc import Callable
from typing import Any, NamedTuple, TypeVar, cast

from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext as _

from spools.checks import lock_spool_facts
from spools.models.facts import Withdrawable
from spools.refusals import refusal
from spools.wording import format_time

MAX_REASON_LENGTH = 300

FactT = TypeVar("FactT", bound=Withdrawable)
Hook = Callable[[FactT], Any]


class Hooks(NamedTuple):
    """prepare: takes the locks of whoever writes such facts. follow: what follows from a withdrawal."""

    prepare: Callable[[Any], Any]
    follow: Callable[[Any], Any]


_hooks: dict[type[Withdrawable], Hooks] = {}


def _lock_writers(fact: Withdrawable) -> None:
    lock_spool_facts()


def follows_withdrawal(
    model: type[FactT], *, prepare: Hook[FactT] = _lock_writers
) -> Callable[[Hook[FactT]], Hook[FactT]]:
    """Decorates the function that is called with each withdrawn fact of a model, in its transaction.

    The function brings everything that was derived from the fact up to date. prepare is called before the
    fact is looked at. Both may refuse the withdrawal with a ValidationError; nothing is changed then.
    """

    def register(follow: Hook[FactT]) -> Hook[FactT]:
        _hooks[model] = Hooks(prepare, follow)
        return follow

    return register


def require_reason(reason: str) -> str:
    """Returns the reason for a withdrawal. Refused: none, and one that is too long."""
    reason = reason.strip()
    if not 0 < len(reason) <= MAX_REASON_LENGTH:
        raise refusal(
            "text_length",
            _("Give between 1 and {most} characters.").format(most=MAX_REASON_LENGTH),
            "reason",
        )
    return reason


@transaction.atomic
def withdraw(fact: FactT, *, reason: str | None, by: Any = None) -> FactT:
    """Withdraw a fact that was recorded by mistake: it stays on record and no longer counts.

    by: the account that withdraws it, or None. reason: 1 to 300 characters; None where the right one replaces it.
    Returns the fact as stored.
    Raises ValidationError without a reason, for a fact that is withdrawn already, and where its subject
    refuses.
    """
    reason = None if reason is None else require_reason(reason)
    model = type(fact)
    hooks = _hooks[model]
    hooks.prepare(fact)
    # The lock comes first: whoever withdrew it meanwhile is seen.
    fact = cast(FactT, model._base_manager.select_for_update(no_key=True, of=("self",)).get(pk=fact.pk))
    if fact.withdrawn_at is not None:
        raise refusal(
            "withdrawn_already",
            _("This was {withdrawn} already.").format(withdrawn=describe_withdrawal(fact)),
        )
    mark_withdrawn(fact, by=by, reason=reason)
    hooks.follow(fact)
    return fact


def mark_withdrawn(fact: Withdrawable, *, by: Any, reason: str | None) -> None:
    """Store that a fact is withdrawn, without what follows: for rows that go with a withdrawn fact."""
    fact.withdrawn_at, fact.withdrawn_by, fact.withdrawn_reason = timezone.now(), by, reason or ""
    fact.save(update_fields=["withdrawn_at", "withdrawn_by", "withdrawn_reason"])


def describe_withdrawal(fact: Withdrawable) -> str:
    """When and by whom a fact was withdrawn, such as "withdrawn on 3 Mar 2026, 10:15 by ada"."""
    assert fact.withdrawn_at is not None
    at = format_time(fact.withdrawn_at)
    if fact.withdrawn_by:
        return _("withdrawn on {at} by {account}").format(at=at, account=fact.withdrawn_by)
    return _("withdrawn on {at}").format(at=at)
