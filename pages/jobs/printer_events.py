"""The events of a printer's host that wait, were refused or do not act, with what to do."""

from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.utils.translation import gettext_lazy

from maintenance.models import Printer, PrinterEvent

PER_PAGE = 30
State = PrinterEvent.State
_LOAD = gettext_lazy("Load the spool on the toolhead with the time from which it was there.")
# By the code of the reason. The host was told the details, in its own language.
ACTS = {
    "by_hand": gettext_lazy(
        "Nothing, where the step by hand is right. Else withdraw that on the page of the job."
    ),
    "file_not_read": gettext_lazy("Wait until the job file is read, or look at its page."),
    "in_the_future": gettext_lazy("Set the clock of the printer's host."),
    "next_spool_unknown": gettext_lazy("Load the spool that it went on with, with the time of the change."),
    "no_spool_then": _LOAD,
    "no_start": gettext_lazy("Wait for its start, or record the print by hand and withdraw this."),
    "not_enough_filament": gettext_lazy("Weigh the spool: it cannot hold what the print took."),
    "not_loaded_then": _LOAD,
    "numbers_missing": gettext_lazy(
        "The host gives no grams, hours and temperatures: record the print by hand."
    ),
    "other_material": gettext_lazy("The next spool has another filament: record the change by hand."),
    "too_long_ago": gettext_lazy("Set the clock of the printer's host."),
    "toolhead_busy": gettext_lazy("Record how the other print on this toolhead ended."),
    "unknown_file": gettext_lazy("Add the job file."),
    "unknown_spool": gettext_lazy("Receive the spool, or correct its code in the host."),
}
OTHERWISE = gettext_lazy("Correct it in the program of the printer's host, or record the step by hand.")


def printer_events(request: HttpRequest, pk: int) -> HttpResponse:
    """Those that need a person, the newest first."""
    printer = get_object_or_404(Printer, pk=pk)
    states = [State.WAITING, State.REFUSED, State.BY_HAND]
    events = (
        PrinterEvent.objects.valid().filter(printer=printer, state__in=states).select_related("job", "token")
    )
    page = Paginator(events, PER_PAGE).get_page(request.GET.get("page"))
    rows = [(event, ACTS.get(_first_code(event), OTHERWISE)) for event in page]
    return render(request, "jobs/printer_events.html", {"printer": printer, "page": page, "rows": rows})


def _first_code(event: PrinterEvent) -> str:
    return event.errors[0]["code"] if event.errors else ""
