"""Labels of spools, places and parts: chosen, laid out on sheets or a roll, and printed by the browser."""

from collections.abc import Iterable
from typing import Any
from urllib.parse import urlencode

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import Http404, HttpRequest, HttpResponse, QueryDict
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.translation import gettext as _

from maintenance.models import Fitting, Part
from maintenance.parts.words import name_part
from pages.labels.addresses import find_label_address
from pages.labels.forms import PaperForm
from pages.labels.ndef import build_tag_address, count_tag_bytes, list_fitting_tags, pack_files, write_ndef
from pages.labels.papers import USUAL, Paper, read_paper, write_styles
from pages.labels.subjects import Label, build_labels, load_parts, load_spools
from pages.spools.lookup import not_found_page, with_spool
from spools import codes
from spools.models import Place, Spool
from spools.refusals import refusal
from spools.wording import format_list

MOST_LABELS = 500
SHOWN_SPOOLS = 60
# Where a session stores the paper that was used last.
LAST_PAPER = "label_paper"


def labels(request: HttpRequest) -> HttpResponse:
    """?spools= codes, ?places= and ?parts= ids, each several or with commas between. Without any: what to choose from."""
    spool_codes, wrong = _read_codes(_split(request.GET.getlist("spools")))
    places = Place.objects.filter(pk__in=_numbers(request.GET.getlist("places")))
    parts = load_parts(_numbers(request.GET.getlist("parts")))
    spools = load_spools(spool_codes[:MOST_LABELS])
    if wrong:
        messages.error(request, " ".join(wrong[:3]))
    if wrong or not (spools or places or parts):
        return _choose(request)
    return _show(request, spools, list(places), parts)


def label_tags(request: HttpRequest) -> HttpResponse:
    """The same choice as files for NFC tags: one .ndef file, or a ZIP archive of several."""
    spool_codes, wrong = _read_codes(_split(request.GET.getlist("spools"))[:MOST_LABELS])
    places = Place.objects.filter(pk__in=_numbers(request.GET.getlist("places")))
    parts = load_parts(_numbers(request.GET.getlist("parts")))
    built = build_labels(find_label_address(request).base, load_spools(spool_codes), places, parts)
    if wrong or not built:
        raise Http404
    files = [(f"{label.code}.ndef", write_ndef(build_tag_address(label.address))) for label in built]
    name, content = files[0] if len(files) == 1 else ("tags.zip", pack_files(files))
    response = HttpResponse(content, content_type="application/octet-stream")
    response["Content-Disposition"] = f'attachment; filename="{name}"'
    return response


@with_spool
def spool_label(request: HttpRequest, spool: Spool) -> HttpResponse:
    """The label of one spool."""
    return _show(request, load_spools([spool.code]), [], [])


def label_paper(request: HttpRequest, key: str) -> HttpResponse:
    """The style sheet of a paper."""
    paper = read_paper(key)
    if paper is None:
        raise Http404
    response = HttpResponse(write_styles(paper), content_type="text/css; charset=utf-8")
    response["Cache-Control"] = "max-age=3600, private"
    return response


def short_code(request: HttpRequest, code: str) -> HttpResponse:
    """The page of the place or part that carries a code."""
    try:
        read = codes.read_short(code)
        if read is None:
            raise refusal("unknown_code", _("This is no code of a place or a part. Look at the label again."))
    except ValidationError as error:
        return not_found_page(request, code, error)
    kind, number = read
    return redirect("place" if kind == codes.PLACE else "part", number)


def _choose(request: HttpRequest) -> HttpResponse:
    in_use = Spool.objects.filter(ended_at=None).select_related("feedstock__maker", "feedstock__polymer")
    fitted = (
        Fitting.objects.valid().filter(end=None).select_related("part__kind", "toolhead__printer", "printer")
    )
    context = {
        "spools": in_use[:SHOWN_SPOOLS],
        "more": max(0, in_use.count() - SHOWN_SPOOLS),
        "places": Place.objects.in_use(),
        "fittings": [(fitting, name_part(fitting.part)) for fitting in fitted[:SHOWN_SPOOLS]],
        "typed": request.GET.get("spools", "")[:200],
    }
    return render(request, "labels/choose.html", context)


def _show(request: HttpRequest, spools: list[Spool], places: list[Place], parts: list[Part]) -> HttpResponse:
    last = read_paper(request.session.get(LAST_PAPER, "")) or USUAL
    chosen = _selection(spools, places, parts)
    asked = "paper" in request.GET
    query = request.GET.copy()
    query.setdefault("start", "1")
    form = PaperForm(query if asked else None, paper=_named(request) or last)
    paper, start = last, 1
    if asked and form.is_valid():
        paper, start = form.cleaned_data["paper"], form.cleaned_data["start"] or 1
        request.session[LAST_PAPER] = paper.key
        if request.GET["paper"] != paper.key:
            chosen["paper"], chosen["start"] = paper.key, str(start)
            return redirect(f"{reverse('labels')}?{chosen.urlencode()}")
    address = find_label_address(request)
    built = build_labels(address.base, spools, places, parts)
    # All addresses of one shop are about as long.
    tag = max((write_ndef(build_tag_address(label.address)) for label in built), key=len)
    context = {
        "form": form,
        "chosen": [(name, value) for name, values in chosen.lists() for value in values],
        "count": len(built),
        "label": built[0],
        "spool": spools[0] if len(built) == len(spools) == 1 else None,
        "address": address,
        "tags": f"{reverse('label-tags')}?{_name_base(request, chosen)}",
        "tag_address": build_tag_address(built[0].address),
        "tag_bytes": count_tag_bytes(tag),
        "fitting_tags": format_list(list_fitting_tags(tag)),
        "paper": paper,
        "pages": _lay_out(built, paper, min(start, paper.count)),
    }
    return render(request, "labels/sheet.html", context)


def _named(request: HttpRequest) -> Paper | None:
    return read_paper(request.GET.get("paper", ""))


def _selection(spools: list[Spool], places: list[Place], parts: list[Part]) -> QueryDict:
    """What is shown, as the query of the page."""
    query = QueryDict(mutable=True)
    rows: dict[str, list[Any]] = {
        "spools": [spool.code for spool in spools],
        "places": [place.pk for place in places],
        "parts": [part.pk for part in parts],
    }
    for name, values in rows.items():
        if values:
            query[name] = ",".join(map(str, values))
    return query


def _name_base(request: HttpRequest, chosen: QueryDict) -> str:
    """A selection with the base of addresses that was chosen on the page."""
    named = {name: chosen.get(name) for name in ("spools", "places", "parts")}
    named["base"] = request.GET.get("base")
    return urlencode({name: value for name, value in named.items() if value})


def _lay_out(built: list[Label], paper: Paper, start: int) -> list[list[Label | None]]:
    """The labels of each page; None for those that are used already."""
    cells: list[Label | None] = [None] * (start - 1) + list(built)
    return [cells[n : n + paper.count] for n in range(0, len(cells), paper.count)]


def _split(texts: Iterable[str]) -> list[str]:
    return [part for text in texts for part in text.replace(",", " ").split()]


def _read_codes(texts: list[str]) -> tuple[list[str], list[str]]:
    """The codes, and what is wrong with the others."""
    found, wrong = [], []
    for text in texts:
        try:
            found.append(codes.normalise(text))
        except ValidationError as error:
            wrong.extend(error.messages)
    return found, wrong


def _numbers(texts: Iterable[str]) -> list[int]:
    return [int(text) for text in _split(texts) if text.isascii() and text.isdecimal() and len(text) < 15][
        :MOST_LABELS
    ]
