"""The role that each address needs, by the name of its URL. Pages, API and admin ask here and nowhere else.

An address needs the role to work when it changes something and the role to look when it does not; the lists name
those that differ. docs/access.md is the whole table, written by `./run manage access_table`.
"""

from typing import TYPE_CHECKING

from django.utils.translation import gettext as _

from access.models import Role

if TYPE_CHECKING:
    from django.contrib.auth.models import AnonymousUser

    from access.models import User

ANYBODY, SUPERUSER = "anybody", "superuser"
SAFE = ("GET", "HEAD", "OPTIONS")

# They need no account, or check a secret of their own.
OPEN = {
    "api-docs",
    "api-nothing",
    "api-schema",
    "calendar-feed",
    "channel-confirm",
    "display",
    "healthz",
    "invitation",
    "manifest",
    "metrics",
    "password-reset",
    "password-reset-confirm",
    "readyz",
    "sign-in",
    "sign-in-code",
    "sign-out",
    "v1:token",
    "worker",
}
# What a person changes about nobody else, and questions that need a body.
OWN = {
    "account",
    "channel-again",
    "channel-end",
    "channel-events",
    "channel-secret",
    "channel-test",
    "message-retry",
    "notifications",
    "notifications-calendar",
    "notifications-email",
    "notifications-kinds",
    "notifications-push",
    "notifications-webhook",
    "password",
    "password-changed",
    "second-factor",
    "second-factor-end",
    "sessions-end",
    "token-end",
    "tokens",
    "v1:dryingruns-plan",
    "v1:maystart",
    "v1:readiness",
}
# Pages of the catalogue, machines, places and accounts: their forms are not shown to others either.
SET_UP = {
    "account-edit",
    "accounts",
    "audit",
    "feedstock-bring-back",
    "feedstock-edit",
    "feedstock-new",
    "feedstock-retire",
    "file-feedstocks",
    "file-parts",
    "file-places",
    "file-spools",
    "first-hour",
    "invitation-end",
    "machine-bring-back",
    "machine-edit",
    "machine-new",
    "machine-retire",
    "part-kind-edit",
    "part-kind-new",
    "place-bring-back",
    "place-edit",
    "place-new",
    "place-retire",
    "rates",
    "scale-edit",
    "scale-new",
    "service-kind",
    "service-kind-new",
    "status-again",
    "toolhead-bring-back",
    "toolhead-edit",
    "toolhead-new",
    "toolhead-retire",
    "topic-rule-bring-back",
    "topic-rule-edit",
    "topic-rule-new",
    "topic-rule-retire",
    "v1:auditentries-list",
}
# Pages that are one form: an account that only looks is shown who may fill it in, not a heading without its form.
FORMS = {
    "bore-new",
    "coupon-test",
    "drying-finish",
    "file-jobs",
    "file-readings",
    "job-new",
    "loading-correct",
    "move-correct",
    "part-fit",
    "part-fit-used",
    "part-remove",
    "part-replace",
    "place-desiccant",
    "planned-move",
    "print-request-new",
    "printer-part-fit",
    "printer-part-fit-used",
    "reading-correct",
    "readings-withdraw",
    "reminder-complete",
    "reminder-snooze",
    "removal-correct",
    "removal-withdraw",
    "run-correct",
    "service-done",
    "spool-away",
    "spool-cut",
    "spool-end",
    "spool-join",
    "spool-move",
    "spool-open",
    "spool-past-drying",
    "spool-past-loading",
    "spool-price",
    "spool-receipt",
    "spool-receive",
    "spool-reel",
    "spool-respool",
    "spool-unload",
    "spool-weigh",
    "spools-move",
    "stock-add",
    "trouble-new",
    "weighing-correct",
    "withdraw",
}
# Endpoints of the same, which everybody may read.
SET_UP_ENDPOINTS = (
    "feedstocks",
    "filesfeedstocks",
    "filesparts",
    "filesplaces",
    "filesspools",
    "makers",
    "partkinds",
    "places",
    "printers",
    "scales",
    "servicekinds",
    "toolheads",
    "topicrules",
)


def required_role(name: str | None, method: str) -> str:
    """ANYBODY, a role, or SUPERUSER. name: of the URL, with its namespace."""
    name = name or ""
    if name in OPEN:
        return ANYBODY
    if name.startswith("admin:"):
        return SUPERUSER
    if name in SET_UP:
        return Role.SET_UP
    if name in OWN or (method in SAFE and name not in FORMS):
        return Role.VIEW
    endpoint = name.removeprefix("v1:").partition("-")[0]
    return Role.SET_UP if name.startswith("v1:") and endpoint in SET_UP_ENDPOINTS else Role.WORK


def is_allowed(user: "User | AnonymousUser", role: str) -> bool:
    """Whether an account has a role that required_role gave."""
    if role == ANYBODY or not user.is_authenticated:
        return role == ANYBODY
    return user.is_superuser if role == SUPERUSER else user.has_role(role)


def explain(role: str) -> str:
    """A sentence for a person whose account lacks the role: it names those who have it."""
    from access.models import User

    able = User.objects.filter(is_active=True).order_by("username")
    needed = _("manage the whole service") if role == SUPERUSER else Role(role).label
    names = [user.username for user in able if is_allowed(user, role)]
    return _("This takes an account with the role to {role}. Ask one of: {names}.").format(
        role=needed, names=", ".join(names[:5])
    )
