"""The last act of a person can be taken back, by a button in the message that reports it.

While a page acts, the facts that it adds and the rows that it changes are noted on the request. Afterwards the session
stores how to reverse them: facts are withdrawn, rows get their former values. An edit is reversed by its own form, sent
with the former values.
"""

from collections.abc import Callable
from datetime import datetime
from typing import Any
from uuid import uuid4

from django import forms
from django.apps import apps
from django.contrib import messages
from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Model, ProtectedError
from django.db.models.signals import post_save, pre_save
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import ResolverMatch, reverse
from django.utils import timezone
from django.utils.functional import SimpleLazyObject
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST

from access.rules import is_allowed, required_role
from background.logs import current_request
from maintenance.machines.printers import retire, retire_toolhead
from maintenance.models import (
    Fitting,
    PartKind,
    Printer,
    Reminder,
    Scale,
    ScaleWeighing,
    ServiceKind,
    Toolhead,
    TroubleOutcome,
    TroubleReport,
)
from maintenance.parts.corrections import withdraw_removal
from maintenance.reminders.lifecycle import restore as restore_reminder
from maintenance.scales.weighings import hold_again
from maintenance.trouble.reports import record_outcome
from pages.frame.notices import notify_refused
from pages.frame.withdrawals import KINDS
from spools.air.mqtt.rules import retire_rule
from spools.drying.past_runs import resume_run
from spools.drying.week.changes import cancel_drying, restore_drying
from spools.drying.week.plans import restore_plan
from spools.facts import withdraw
from spools.inventory.endings import end_spool
from spools.inventory.retiring import retire_feedstock, retire_place
from spools.models import DryingRun, Ending, Feedstock, Place, PlannedDrying, Spool, TopicRule, WeekPlan
from spools.refusals import refusal

ACT = "last_act"
# Acts that their own address reverses, with the former inputs of the form.
EDITS = {
    "account-edit", "feedstock-edit", "machine-edit", "part-kind-edit", "place-edit", "rates",
    "scale-edit", "service-kind", "spool-price", "spool-receipt", "spool-reel", "toolhead-edit", "topic-rule-edit",
}  # fmt: skip
# The same, at the address of the fact that took the place of the wrong one.
CORRECTIONS = {
    "loading-correct": "loading", "move-correct": "move", "removal-correct": "fitting", "run-correct": "drying-run",
    "weighing-correct": "mass-entry",
}  # fmt: skip
# Acts that another address reverses.
OPPOSITES = {
    f"{name}-{act}": f"{name}-{other}"
    for name in ("feedstock", "machine", "place", "toolhead", "topic-rule")
    for act, other in (("retire", "bring-back"), ("bring-back", "retire"))
}
# Ways back themselves, and a whole shop, each part of which is corrected on its page.
FINAL = {"first-hour", "take-back", "withdraw"}
FACTS = {fact_kind.facts.model: name for name, fact_kind in KINDS.items()}
# Facts that others own are withdrawn with these, so these come first.
OWNERS = [
    "fitting",
    "removal",
    "run_end",
    "loading",
    "drying-run",
    "job",
    "flow-check",
    "joining",
    "respooling",
    "service",
    "charge",
]
# How a row of the catalogue goes out of use; the others are deleted.
RETIRE: dict[type[Model], Callable[[Any], Any]] = {
    Feedstock: retire_feedstock,
    Place: retire_place,
    Printer: retire,
    Toolhead: retire_toolhead,
    TopicRule: retire_rule,
}
ADDED: list[type[Model]] = [*RETIRE, PartKind, Scale, ServiceKind]
# Rows that are no facts, with the columns that their acts change.
RESTORED: dict[type[Model], list[str]] = {
    PlannedDrying: ["pinned"],
    Reminder: ["snoozed_until", "snoozed_until_amount"],
    ScaleWeighing: ["held"],
    WeekPlan: ["accepted_at", "ended_at"],
}
RESTORE: dict[type[Model], Callable[..., Any]] = {
    PlannedDrying: restore_drying,
    Reminder: restore_reminder,
    ScaleWeighing: hold_again,
    WeekPlan: restore_plan,
}
Step = list[Any]


def watch_acts() -> None:
    """Note the facts and rows that the pages add and change."""
    models: list[type[Model]] = [*FACTS, Spool, TroubleReport, *ADDED, *RESTORED]
    for model in models:
        pre_save.connect(_note_former, model, dispatch_uid=f"undo.former.{model._meta.label}")
        post_save.connect(_note_step, model, dispatch_uid=f"undo.step.{model._meta.label}")


def _find_steps() -> list[Step] | None:
    return getattr(current_request.get(), "act_steps", None)


def _note_former(sender: type[Model], instance: Any, raw: bool = False, **_: Any) -> None:
    if raw or sender not in RESTORED or instance._state.adding or _find_steps() is None:
        return
    instance._former = sender._base_manager.filter(pk=instance.pk).values(*RESTORED[sender]).first()


def _note_step(sender: type[Model], instance: Any, created: bool, raw: bool = False, **_: Any) -> None:
    steps = _find_steps()
    if raw or steps is None:
        return
    if created and sender is Spool:
        steps.append(["spool", instance.code])
    elif created and sender is TroubleReport:
        steps.append(["report", instance.pk])
    elif created and sender in FACTS:
        steps.append(["fact", FACTS[sender], instance.pk])
    elif created and (sender in ADDED or sender is PlannedDrying):
        steps.append(["added", sender._meta.label, instance.pk])
    elif not created and (former := instance.__dict__.pop("_former", None)) is not None:
        values = {
            name: value.isoformat() if isinstance(value, datetime) else value
            for name, value in former.items()
        }
        steps.append(["row", sender._meta.label, instance.pk, values])
    elif sender is Fitting and instance.end is not None and instance.withdrawn_at is None:
        steps.append(["removal", instance.pk])
    elif sender is DryingRun and instance.end is not None and ["run_end", instance.pk] not in steps:
        steps.append(["run_end", instance.pk])


class UndoMiddleware:
    """Stores in the session how the act of a form is reversed, when the form led on to another page."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        if request.method != "POST":
            return self.get_response(request)
        steps: list[Step] = []
        request.act_steps = steps  # type: ignore[attr-defined]
        response = self.get_response(request)
        match = request.resolver_match
        if response.status_code == 302 and match is not None and request.user.is_authenticated:
            act = _find_way_back(request, match, _list_outer(steps[::-1]))
            if act is not None:
                common = {"key": str(uuid4()), "page": response["Location"], "name": match.view_name}
                request.session[ACT] = common | act | {"is_new": True}
            elif ACT in request.session:
                # The next message is of another act.
                request.session[ACT] |= {"is_new": False}
                request.session.modified = True
        return response


def _list_outer(steps: list[Step]) -> list[Step]:
    """The newest first, without what goes with another: facts of a new spool, toolheads of a new printer, steps of a new job."""
    kinds = {step[0] for step in steps} | {step[1] for step in steps if step[0] == "added"}
    if "spool" in kinds:
        return [step for step in steps if step[0] in ("spool", "added")]
    if Printer._meta.label in kinds:
        return [step for step in steps if step[1] == Printer._meta.label]
    if "job" in {step[1] for step in steps if step[0] == "fact"}:
        return [step for step in steps if step[1] != "job-event"]
    return steps


def _find_way_back(request: HttpRequest, match: ResolverMatch, steps: list[Step]) -> dict[str, Any] | None:
    """The address and inputs that reverse an act, or its steps; None for an act that is not reversed."""
    name, form = match.view_name, getattr(request, "applied_form", None)
    if name in OPPOSITES and hasattr(request, "applied_form"):
        return {"address": reverse(OPPOSITES[name], kwargs=match.kwargs), "inputs": []}
    if name in EDITS and match.kwargs.get("pk", True) and form is not None:
        return {"address": request.path, "inputs": _list_former_inputs(form)}
    if name in CORRECTIONS and form is not None:
        right = next(step[2] for step in steps if step[:2] == ["fact", CORRECTIONS[name]])
        address = reverse(name, kwargs=match.kwargs | {"pk": right})
        return {"address": address, "inputs": _list_former_inputs(form)}
    return {"steps": steps} if steps and name not in FINAL else None


def _list_former_inputs(form: forms.BaseForm) -> list[tuple[str, str]]:
    """The values that a form showed before they were edited, as a browser would send them."""
    inputs: list[tuple[str, str]] = []
    for name, field in form.fields.items():
        if name == "read_version":
            row = form.instance  # type: ignore[attr-defined]
            values = [str(type(row)._default_manager.values_list("version", flat=True).get(pk=row.pk))]
        elif name == "reason":
            values = [_("Taken back at once.")]
        else:
            values = _as_sent(field, field.prepare_value(form.get_initial_for_field(field, name)))
        inputs += [(form.add_prefix(name), value) for value in values]
    return inputs


def _as_sent(field: forms.Field, value: Any) -> list[str]:
    if isinstance(field.widget, forms.CheckboxInput):
        return ["on"] if value else []
    if value is None:
        return [""]
    if isinstance(value, datetime):
        local = timezone.localtime(value) if timezone.is_aware(value) else value
        return [local.replace(tzinfo=None).isoformat()]
    shown = field.widget.format_value(value)
    if isinstance(shown, (list, tuple)):
        return [str(item) for item in shown]
    return ["" if shown is None else str(shown)]


def undo(request: HttpRequest) -> dict[str, Any]:
    """Context: the way back from the last act, for the first page that shows its message; else None."""

    def load() -> dict[str, Any] | None:
        act = request.session.get(ACT)
        if act is None or not act["is_new"]:
            return None
        request.session[ACT] = act | {"is_new": False}
        if "steps" in act:
            return {"address": reverse("take-back"), "inputs": [("key", act["key"])]}
        return {"address": act["address"], "inputs": act["inputs"]}

    return {"undo": SimpleLazyObject(load)}


@require_POST
def take_back(request: HttpRequest) -> HttpResponse:
    """Reverse the steps of the last act, all of them or none."""
    act = request.session.get(ACT)
    if act is None or "steps" not in act or act["key"] != request.POST.get("key"):
        later = _("Something else was recorded since. Withdraw the fact in the history of its page instead.")
        notify_refused(request, refusal("not_the_last_act", later))
        return redirect("today")
    if not is_allowed(request.user, required_role(act["name"], "POST")):
        notify_refused(
            request, refusal("role", _("Your account may not do this any more. Ask whoever set it up."))
        )
        return redirect("today")
    try:
        with transaction.atomic():
            for step in sorted(act["steps"], key=_rank):
                _reverse(request, *step)
    except ValidationError as error:
        notify_refused(request, error)
        return redirect(act["page"])
    del request.session[ACT]
    messages.success(request, _("Taken back. All counts as if it had not been recorded."))
    return redirect("today" if any(step[0] == "added" for step in act["steps"]) else act["page"])


def _rank(step: Step) -> int:
    kind = step[1] if step[0] == "fact" else step[0]
    return OWNERS.index(kind) if kind in OWNERS else len(OWNERS)


def _reverse(request: HttpRequest, step: str, *values: Any) -> None:
    reason = _("Taken back at once.")
    by = request.user
    if step == "fact":
        kind, pk = values
        fact = KINDS[kind].facts.model._base_manager.get(pk=pk)
        if fact.withdrawn_at is None:
            withdraw(fact, reason=reason, by=by)
    elif step == "removal":
        withdraw_removal(Fitting.objects.get(pk=values[0]), reason=reason, by=by)
    elif step == "run_end":
        resume_run(DryingRun.objects.get(pk=values[0]), by=by)
    elif step == "spool":
        end_spool(Spool.objects.get(code=values[0]), kind=Ending.Kind.MISTAKE, note=reason, by=by)
    elif step == "report":
        report = TroubleReport.objects.get(pk=values[0])
        record_outcome(report, TroubleOutcome.Cause.MISTAKE, by=by)
    elif step == "added":
        _take_out(*values)
    else:
        label, pk, former = values
        model = apps.get_model(label)
        columns = {name: model._meta.get_field(name).to_python(value) for name, value in former.items()}
        RESTORE[model](model._base_manager.get(pk=pk), **columns, **({} if model is WeekPlan else {"by": by}))


def _take_out(label: str, pk: int) -> None:
    """A row of the catalogue that was added: out of use, or deleted where it can be nothing else."""
    row = apps.get_model(label)._base_manager.get(pk=pk)
    if isinstance(row, PlannedDrying):
        cancel_drying(row)
        return
    try:
        RETIRE.get(type(row), type(row).delete)(row)
    except ProtectedError:
        raise refusal("used_since", _("{row} is used already, so it stays.").format(row=row)) from None
