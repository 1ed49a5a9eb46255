"""A print as its printer reports it: the shares of its job, and the spools that are meant where it names none."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from django.db.models import Q
from django.utils import timezone
from django.utils.translation import gettext as _

from maintenance.jobs.files import facts_of
from maintenance.jobs.from_file import build_file_shares
from maintenance.jobs.judging import PrintDetails, build_shares
from maintenance.jobs.records import NewJob
from maintenance.jobs.shares import Share, decode_shares
from maintenance.jobs.slots import Site, list_sites
from maintenance.models import Job, JobEvent, JobFile, Loading, Printer, Toolhead
from spools import codes
from spools.models import Place, Spool, Stay
from spools.refusals import refusal
from spools.wording import format_list, format_time

NUMBERS = ("mass_g", "hours", "nozzle_c", "bed_c")
SPOOLS = Spool.objects.select_related("feedstock__polymer", "feedstock__maker", "feedstock__filler")


def build_reported(
    printer: Printer, values: Mapping[str, Any], at: datetime | None, print_key: str
) -> NewJob:
    """A print by what its events say, that begins at a time; None: a plan. Refused: numbers or spools that lack."""
    given = values.get("start")
    start = at or (None if given is None else datetime.fromisoformat(given))
    stage = Job.Stage.PLANNED if at is None else Job.Stage.PRINTING
    moment = at or timezone.now()
    if values.get("file"):
        file = find_file(values["file"])
        shares = build_file_shares(file, printer, find_file_spools(file, printer, values, moment))
        return NewJob(shares, values.get("name") or file.name[:120], start, stage, file=file)
    lacking = [name for name in NUMBERS if values.get(name) is None]
    if lacking:
        raise refusal(
            "numbers_missing",
            _("Give {fields} with its plan or its start, or the file.").format(fields=format_list(lacking)),
            lacking[0],
        )
    toolhead = find_toolhead(printer, values.get("toolhead"))
    details = PrintDetails(**{name: values[name] for name in NUMBERS})  # type: ignore[typeddict-item]
    shares = build_shares(toolhead, find_spool(toolhead, values.get("spool"), moment), details)
    return NewJob(shares, values.get("name") or print_key, start, stage)


def find_file(digest: str) -> JobFile:
    """The newest job file with this content. Refused: one that was not added, or is not read."""
    file = JobFile.objects.filter(digest=digest).order_by("-pk").first()
    if file is None:
        raise refusal("unknown_file", _("No job file has this digest. Add the file first."), "file")
    if file.state != JobFile.State.READ:
        raise refusal(
            "file_not_read",
            _("The job file {file} {state}. Wait, or look at its page.").format(
                file=file, state=file.get_state_display()
            ),
            "file",
        )
    return file


def find_file_spools(file: JobFile, printer: Printer, values: Mapping[str, Any], at: datetime) -> list[Spool]:
    """The spools that a file is printed from, in its order: the named one, else those that are in its slots then."""
    uses = facts_of(file).uses
    if values.get("spool") and len(uses) == 1:
        return [read_spool(values["spool"])]
    sites = list_sites(printer.toolheads.in_use().select_related("printer").order_by("name"))
    return [_require_loaded_at(sites[use.tool], at) for use in uses if use.tool < len(sites)]


def find_toolhead(printer: Printer, given: int | None) -> Toolhead:
    """The toolhead that an event names, or the only one that the printer has. Refused: none where there are several."""
    heads = list(printer.toolheads.filter(retired_at=None).select_related("printer__place"))
    if given is not None:
        heads = [head for head in heads if head.pk == given]
    if len(heads) != 1:
        raise refusal("toolhead_needed", _("Give the toolhead: the printer has several."), "toolhead")
    return heads[0]


def find_spool(toolhead: Toolhead, code: str | None, at: datetime) -> Spool:
    """The named spool, or the one that is on the toolhead at a time. Refused: one that is not known, none, several."""
    return read_spool(code) if code else _find_loaded(toolhead, at)


def read_spool(code: str) -> Spool:
    spool = SPOOLS.filter(code=code).first()
    if spool is None:
        raise refusal(
            "unknown_spool",
            _("No spool has the code {code}. Receive it, or look at the label again.").format(
                code=codes.pretty(code)
            ),
            "spool",
        )
    return spool


def _find_loaded(toolhead: Toolhead, at: datetime) -> Spool:
    spools = list_loaded(Site(toolhead, 0), at)
    if len(spools) > 1:
        raise refusal(
            "several_spools",
            _("Several spools were on {name} then. Give the one.").format(name=toolhead),
            "spool",
        )
    if not spools:
        raise _no_spool(str(toolhead), at)
    return spools[0]


def _require_loaded_at(site: Site, at: datetime) -> Spool:
    spools = list_loaded(site, at)
    if not spools:
        raise _no_spool(site.name, at)
    return spools[0]


def _no_spool(name: str, at: datetime) -> Exception:
    return refusal(
        "no_spool_then",
        _("No spool was on {name} at {at}. Load it with that time, or give the spool.").format(
            name=name, at=format_time(at)
        ),
        "spool",
    )


def list_loaded(site: Site, at: datetime) -> Sequence[Spool]:
    """The spools that are on a toolhead at a time; slot 0: in any of its slots."""
    lasting = Loading.objects.filter(Q(end=None) | Q(end__gt=at), toolhead=site.toolhead, start__lte=at)
    if site.slot:
        lasting = lasting.filter(slot=site.slot)
    return list(SPOOLS.filter(pk__in=lasting.values("spool")))


def find_next_spool(job: Job, values: Mapping[str, Any], at: datetime) -> Spool:
    """The spool that a print goes on with: the named one, else another one that is on its toolhead then."""
    if values.get("spool"):
        return read_spool(values["spool"])
    used = {(share.toolhead, share.spool) for share in _list_printed(job)}
    heads = Toolhead.objects.filter(pk__in={toolhead for toolhead, _spool in used}).select_related("printer")
    found = [
        spool for head in heads for spool in list_loaded(Site(head, 0), at) if (head.pk, spool.pk) not in used
    ]
    if len(found) != 1:
        raise refusal(
            "next_spool_unknown",
            _("Give the spool that it goes on with, or load it with the time of the change."),
            "spool",
        )
    return found[0]


def _list_printed(job: Job) -> list[Share]:
    """What a print took, or takes, of each spool; its plan may have been for another one."""
    steps = job.events.valid().exclude(kind=JobEvent.Kind.PLANNED)
    return [share for step in steps for share in decode_shares(step.shares)]


def find_place_for_former(job: Job, spool: Spool, values: Mapping[str, Any], at: datetime) -> Place | None:
    """Where the spool goes that ran out: the named place, else where it was before it was loaded."""
    if values.get("unload_to"):
        return Place.objects.filter(pk=values["unload_to"]).first()
    used = {share.spool for share in _list_printed(job)}
    present = Loading.objects.present().filter(toolhead__printer=job.printer, spool__in=used, start__lte=at)
    loading = present.exclude(spool=spool).order_by("-start").first()
    if loading is None:
        return None
    stays = Stay.objects.filter(spool=loading.spool, start__lt=loading.start, place__retired_at=None)
    stay = stays.exclude(place__kind=Place.Kind.PRINTER).order_by("-start").first()
    return None if stay is None else stay.place
