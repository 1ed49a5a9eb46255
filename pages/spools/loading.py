"""Loading a spool on a toolhead, with the verdict before it is confirmed, and taking it off."""

from collections.abc import Collection, Mapping

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _

from maintenance.board.shop import Board, load_board
from maintenance.jobs.planned import PlannedJob, find_planned_job, list_verdicts
from maintenance.machines.loading import find_free_slot, judge_loading, load_spool, unload_spool
from maintenance.models import Loading, Toolhead
from maintenance.readiness.builder import load_inputs_of_pairs
from maintenance.readiness.inputs import ReadinessInputs
from maintenance.readiness.rules import judge
from maintenance.readiness.rules.service import material_change
from maintenance.readiness.verdict import HOLD
from pages.frame.forms import apply, post_data
from pages.spools.detail import SHOWN_TOOLHEADS
from pages.spools.forms import LoadForm, UnloadForm
from pages.spools.lasting import format_lasts
from pages.spools.lookup import with_spool, with_spool_in_use
from spools.codes import pretty
from spools.inventory.moves import find_last_storage
from spools.inventory.queries import cut_search
from spools.models import Spool

# In the address: judge a small job, though another one is planned.
SMALL_JOB = "small"


@with_spool_in_use
def spool_load(request: HttpRequest, spool: Spool) -> HttpResponse:
    """Without a toolhead the choice, each with its verdict; with one its verdict and the confirmation."""
    toolhead_id = request.POST.get("toolhead") or request.GET.get("toolhead")
    if toolhead_id is None:
        return _choose_toolhead(request, spool)
    in_use = Toolhead.objects.in_use().select_related("printer__place")
    is_number = toolhead_id.isdecimal() and len(toolhead_id) < 10
    toolhead = in_use.filter(pk=int(toolhead_id) if is_number else 0).first()
    if toolhead is None:
        raise Http404("There is no such toolhead in use.")
    board = load_board([spool.pk], [toolhead.pk])
    fed_from = _find_feed_place(request, board, spool)
    slot = _find_slot(request, board, toolhead)
    planned = None if request.GET.get("job") == SMALL_JOB else find_planned_job(toolhead, spool, slot)
    inputs = _load_inputs(board, toolhead, spool, planned, fed_from)
    verdict = judge_loading(toolhead, spool, judge(inputs))
    current = board.loaded.get(spool.pk)
    if current and (current_toolhead := in_use.filter(pk=current.toolhead).first()):
        return _redirect_loaded(request, spool, toolhead, current_toolhead)
    current_spool = _load_spools_on(board, [toolhead]).get(board.list_slots(toolhead)[slot] or 0)
    form = LoadForm(
        post_data(request),
        hold=verdict.state == HOLD,
        current_spool=current_spool,
        initial={"fed_from": fed_from, "unload_to": current_spool and find_last_storage(current_spool)},
    )
    if apply(
        form,
        lambda data: load_spool(
            toolhead,
            spool,
            slot=slot,
            at=data["when"],
            override_reason=data.get("override_reason", ""),
            unload_to=data.get("unload_to"),
            fed_from=data.get("fed_from"),
            job=planned.spec if planned else None,
            by=request.user,
        ),
    ):
        messages.success(
            request,
            _("{spool} is loaded on {slot}.").format(spool=pretty(spool.code), slot=toolhead.name_slot(slot)),
        )
        return redirect("spool", spool.code)
    change = material_change(inputs.material, inputs.toolhead, inputs.job.nozzle_c)
    context = {"spool": spool, "toolhead": toolhead, "verdict": verdict, "form": form, "change": change}
    context |= {
        "current_spool": current_spool,
        "planned": planned,
        "slot": slot,
        "site": toolhead.name_slot(slot),
    }
    row = board.rows[spool.pk]
    if fed_from is not None and fed_from == row.place_id and row.run is None:
        # It stays where it is.
        context["lasts"] = format_lasts(row, timezone.now())
    return render(request, "spools/load.html", context)


def _list_slots(
    board: Board, toolhead: Toolhead, spools_on: Mapping[int, Spool]
) -> list[tuple[int, Spool | None]]:
    """The slots of a toolhead with their spools, the free ones first."""
    slots = [(number, spools_on.get(pk or 0)) for number, pk in board.list_slots(toolhead).items()]
    return sorted(slots, key=lambda slot: slot[1] is not None)


def _find_slot(request: HttpRequest, board: Board, toolhead: Toolhead) -> int:
    """The slot that was chosen, else the first free one."""
    sent = request.POST.get("slot") or request.GET.get("slot") or ""
    slots = board.list_slots(toolhead)
    chosen = next((number for number in slots if str(number) == sent), None)
    if sent and chosen is None:
        raise Http404("There is no such slot.")
    return chosen or find_free_slot(toolhead, [number for number, pk in slots.items() if pk]) or 1


def _choose_toolhead(request: HttpRequest, spool: Spool) -> HttpResponse:
    """The toolheads, each with its verdict; ?q= narrows them by name."""
    board, search = load_board([spool.pk], inputs=False), cut_search(request.GET.get("q", ""))
    page = Paginator(board.rank_toolheads(spool.pk, search), SHOWN_TOOLHEADS).get_page(
        request.GET.get("page")
    )
    query = request.GET.copy()
    query.pop("page", None)
    spools_on = _load_spools_on(board, [board.toolheads[pk] for pk in page])
    rows = [
        (toolhead, verdict, _list_slots(board, toolhead, spools_on), planned)
        for toolhead, verdict, planned in list_verdicts(board, spool, list(page))
    ]
    context = {"spool": spool, "rows": rows, "page": page, "wanted": search}
    context |= {"query": query, "searchable": search or page.has_other_pages()}
    context["current"] = board.find_toolhead(spool.pk)
    return render(request, "spools/choose_toolhead.html", context)


def _load_spools_on(board: Board, toolheads: Collection[Toolhead]) -> dict[int, Spool]:
    """The spools on these toolheads, by id."""
    loaded = [pk for toolhead in toolheads for pk in board.list_slots(toolhead).values() if pk]
    return Spool.objects.select_related("feedstock__maker").in_bulk(loaded)


def _redirect_loaded(
    request: HttpRequest, spool: Spool, toolhead: Toolhead, current: Toolhead
) -> HttpResponse:
    """Of a spool that is on a toolhead already: on the one that it is to be loaded on, or on another."""
    if current == toolhead:
        messages.error(
            request,
            _("{spool} is on {current} already.").format(spool=pretty(spool.code), current=current),
            extra_tags="on_it_already",
        )
        return redirect("spool", spool.code)
    messages.error(
        request,
        _("{spool} is on {current}. Take it off there first.").format(
            spool=pretty(spool.code), current=current
        ),
        extra_tags="on_another",
    )
    return redirect("spool-unload", spool.code)


def _load_inputs(
    board: Board, toolhead: Toolhead, spool: Spool, planned: PlannedJob | None, fed_from: int | None
) -> ReadinessInputs:
    """For the planned job, or for a small one from the board."""
    if planned is None:
        return board.inputs(toolhead.pk, spool.pk, fed_from)
    pair = toolhead.pk, spool.pk
    fed = {} if fed_from is None else {pair: fed_from}
    return load_inputs_of_pairs([(toolhead, spool)], planned.spec, fed=fed)[pair]


def _find_feed_place(request: HttpRequest, board: Board, spool: Spool) -> int | None:
    """The id of the place from which it is to be fed: as sent, else where it lies if that feeds."""
    if request.method == "POST":
        sent = request.POST.get("fed_from", "")
    else:
        sent = request.GET.get("fed_from", str(board.rows[spool.pk].place_id))
    return next(
        (pk for pk, place in board.feed_places.places.items() if place.feeds and str(pk) == sent), None
    )


@with_spool
def spool_unload(request: HttpRequest, spool: Spool) -> HttpResponse:
    loading = Loading.objects.present().filter(spool=spool).select_related("toolhead__printer__place").first()
    if loading is None:
        messages.error(
            request,
            _("{spool} is on no toolhead.").format(spool=pretty(spool.code)),
            extra_tags="on_no_toolhead",
        )
        return redirect("spool", spool.code)
    form = UnloadForm(
        post_data(request),
        current_place=None if loading.fed_from_id else loading.toolhead.printer.place,
        initial={"place": find_last_storage(spool)},
    )
    if apply(form, lambda data: unload_spool(loading, data["place"], at=data["when"], by=request.user)):
        messages.success(
            request,
            _("{spool} is off {site} and in {place}.").format(
                spool=pretty(spool.code), site=loading.site, place=form.cleaned_data["place"]
            ),
        )
        return redirect("spool", spool.code)
    return render(request, "spools/unload.html", {"spool": spool, "loading": loading, "form": form})
