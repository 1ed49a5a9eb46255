"""Acts on a spool in one step: move, open its bag, weigh, add a past stay, take out of use."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _

from pages.frame.forms import apply, post_data
from pages.spools.forms import (
    AwayForm,
    CorrectWeighingForm,
    CutForm,
    EndForm,
    JoinForm,
    MoveSpoolForm,
    OpenForm,
    PriceForm,
    ReceiptForm,
    ReelForm,
    RespoolForm,
    WeighForm,
)
from pages.spools.lookup import with_spool, with_spool_in_use
from pages.spools.past_fact_forms import CorrectMoveForm
from spools.codes import pretty
from spools.inventory import endings, ledger, moves
from spools.inventory.assumptions import correct_reel
from spools.inventory.corrections import correct_weighing
from spools.inventory.openings import record_opening
from spools.inventory.prices import set_price
from spools.inventory.receipts import correct_receipt, find_receipt
from spools.inventory.respooling import respool
from spools.models import Spool
from spools.moisture.joining import join_leftover
from spools.wording import format_mass


@with_spool_in_use
def spool_move(request: HttpRequest, spool: Spool) -> HttpResponse:
    stay = moves.current_stay(spool)
    form = MoveSpoolForm(post_data(request), current_place=stay.place if stay else None)
    if apply(
        form,
        lambda data: moves.move_spool(
            spool, data["place"], at=data["when"], from_place=data["from_place"], by=request.user
        ),
    ):
        messages.success(
            request,
            _("{spool} is in {place}.").format(spool=pretty(spool.code), place=form.cleaned_data["place"]),
        )
        return redirect("spool", spool.code)
    form.rest_on_present()
    return render(request, "spools/move.html", {"spool": spool, "form": form, "stay": stay})


@with_spool_in_use
def spool_away(request: HttpRequest, spool: Spool) -> HttpResponse:
    """The spool was somewhere else for a while and is back, which nobody recorded then."""
    stay = moves.current_stay(spool)
    form = AwayForm(post_data(request))
    if apply(
        form,
        lambda data: moves.record_excursion(
            spool, data["place"], data["start"], data["end"], by=request.user
        ),
    ):
        messages.success(
            request,
            _("{spool} was in {place} then.").format(
                spool=pretty(spool.code), place=form.cleaned_data["place"]
            ),
        )
        return redirect("spool", spool.code)
    return render(request, "spools/away.html", {"spool": spool, "form": form, "stay": stay})


@with_spool
def move_correct(request: HttpRequest, spool: Spool, pk: int) -> HttpResponse:
    """Give the right place and time of a wrong move, which is withdrawn."""
    move = get_object_or_404(spool.moves.select_related("place"), pk=pk)
    form = CorrectMoveForm(post_data(request), move=move)
    if apply(
        form,
        lambda data: moves.correct_move(
            move, place=data["place"], at=data["when"], until=data.get("until"), by=request.user
        ),
    ):
        messages.success(request, _("The right move counts. Moisture is computed again."))
        return redirect("spool", spool.code)
    return render(request, "spools/correct_move.html", {"spool": spool, "form": form, "move": move})


@with_spool_in_use
def spool_open(request: HttpRequest, spool: Spool) -> HttpResponse:
    """Somebody opened the bag in which it came."""
    form = OpenForm(post_data(request), initial={"card": spool.card})
    if apply(form, lambda data: record_opening(spool, at=data["when"], card=data["card"], by=request.user)):
        messages.success(request, _("The bag of {spool} is opened.").format(spool=pretty(spool.code)))
        return redirect("spool", spool.code)
    return render(request, "spools/open.html", {"spool": spool, "form": form})


@with_spool_in_use
def spool_weigh(request: HttpRequest, spool: Spool) -> HttpResponse:
    form = WeighForm(post_data(request))
    if apply(
        form,
        lambda data: ledger.weigh(
            spool,
            data["gross_g"],
            resolution_g=data["resolution_g"],
            at=data["when"],
            note=data["note"],
            by=request.user,
        ),
    ):
        messages.success(
            request,
            _("Saved: {gross} with its reel.").format(gross=format_mass(form.cleaned_data["gross_g"], -2)),
        )
        return redirect("spool", spool.code)
    context = {"spool": spool, "form": form, "amount": ledger.remaining(spool)}
    return render(request, "spools/weigh.html", context)


@with_spool
def weighing_correct(request: HttpRequest, spool: Spool, pk: int) -> HttpResponse:
    """Give the right number for a wrong weighing, which is withdrawn."""
    entry = get_object_or_404(spool.mass_entries.filter(kind=ledger.Kind.WEIGHED), pk=pk)
    form = CorrectWeighingForm(
        post_data(request), initial={"gross_g": entry.gross_g, "resolution_g": entry.resolution_g}
    )
    if apply(form, lambda data: correct_weighing(entry, **data, by=request.user)):
        messages.success(
            request,
            _("{right} counts in place of {wrong}.").format(
                right=format_mass(form.cleaned_data["gross_g"], -2), wrong=format_mass(entry.gross_g or 0, -2)
            ),
        )
        return redirect("spool", spool.code)
    return render(request, "spools/correct_weighing.html", {"spool": spool, "form": form, "entry": entry})


@with_spool
def spool_price(request: HttpRequest, spool: Spool) -> HttpResponse:
    form = PriceForm(post_data(request), initial={"price": spool.price})
    if apply(form, lambda data: set_price(spool, data["price"])):
        messages.success(request, _("The price is saved. Costs of its prints are computed with it."))
        return redirect("spool", spool.code)
    return render(request, "spools/price.html", {"spool": spool, "form": form})


@with_spool_in_use
def spool_reel(request: HttpRequest, spool: Spool) -> HttpResponse:
    """The reel is another one than was entered, or was weighed since."""
    form = ReelForm(post_data(request), instance=Spool.objects.get(pk=spool.pk))
    if apply(form, lambda data: correct_reel(spool, **data, by=request.user)):
        messages.success(request, _("The reel is corrected. Amount and moisture are computed again."))
        return redirect("spool", spool.code)
    return render(request, "spools/reel.html", {"spool": spool, "form": form})


@with_spool
def spool_receipt(request: HttpRequest, spool: Spool) -> HttpResponse:
    """It was another feedstock, or its masses were entered wrong as it came."""
    form = ReceiptForm(post_data(request), initial=find_receipt(spool))
    if apply(form, lambda data: correct_receipt(spool, **data, by=request.user)):
        messages.success(request, _("The receipt is corrected. All that rests on it is computed again."))
        return redirect("spool", spool.code)
    return render(request, "spools/receipt.html", {"spool": spool, "form": form})


@with_spool_in_use
def spool_respool(request: HttpRequest, spool: Spool) -> HttpResponse:
    """All of it was wound onto another reel."""
    form = RespoolForm(post_data(request))
    if apply(form, lambda data: respool(spool, at=data.pop("when"), **data, by=request.user)):
        messages.success(
            request, _("It is on its new reel. Weighings from then on have the new reel in them.")
        )
        return redirect("spool", spool.code)
    return render(request, "spools/respool.html", {"spool": spool, "form": form})


@with_spool_in_use
def spool_join(request: HttpRequest, spool: Spool) -> HttpResponse:
    """The leftover of another spool was joined onto it."""
    form = JoinForm(post_data(request), target=spool)
    if apply(
        form,
        lambda data: join_leftover(
            data["source"],
            spool,
            mass_g=data["mass_g"],
            at=data["when"],
            note=data["note"],
            by=request.user,
        ),
    ):
        source = form.cleaned_data["source"]
        messages.success(
            request,
            _("Filament of {source} is on it. Take {source} out of use if it is empty.").format(
                source=pretty(source.code)
            ),
        )
        return redirect("spool", spool.code)
    return render(request, "spools/join.html", {"spool": spool, "form": form})


@with_spool_in_use
def spool_cut(request: HttpRequest, spool: Spool) -> HttpResponse:
    """Filament that left the spool without being printed."""
    form = CutForm(post_data(request))
    if apply(
        form,
        lambda data: ledger.take(
            spool,
            data["mass_g"],
            at=data["when"],
            kind=ledger.Kind.REMOVED,
            note=data["note"],
            by=request.user,
        ),
    ):
        messages.success(
            request, _("Saved: {mass} cut off.").format(mass=format_mass(form.cleaned_data["mass_g"], -2))
        )
        return redirect("spool", spool.code)
    context = {"spool": spool, "form": form, "amount": ledger.remaining(spool)}
    return render(request, "spools/cut.html", context)


@with_spool_in_use
def spool_end(request: HttpRequest, spool: Spool) -> HttpResponse:
    form = EndForm(post_data(request))
    if apply(
        form,
        lambda data: endings.end_spool(
            spool, kind=data["kind"], at=data["when"], note=data["note"], by=request.user
        ),
    ):
        messages.success(
            request,
            _("{spool} is out of use. If that was a slip, take it back here.").format(
                spool=pretty(spool.code)
            ),
        )
        return redirect("spool", spool.code)
    context = {"spool": spool, "form": form, "amount": ledger.remaining(spool)}
    return render(request, "spools/end.html", context)
