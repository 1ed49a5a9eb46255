"""What labels state: of spools, places and parts."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from django.db.models import Prefetch
from django.utils.safestring import SafeString
from django.utils.translation import gettext as _

from maintenance.models import Fitting, Part
from maintenance.parts.words import name_part
from spools import codes
from spools.drying.caps import compute_cap, suggested_set_point_c
from spools.models import DryingRun, Place, Spool
from spools.moisture.history import least_drying_hours
from spools.wording import format_day, format_number, format_temperature


@dataclass(frozen=True)
class Label:
    """One label: the code that people read and that of the camera, a name, and lines by importance.

    lines: (key, text); a small label leaves out the last ones.
    """

    code: str
    address: str
    qr: SafeString
    name: str
    lines: list[tuple[str, str]]


def build_labels(
    base: str, spools: Iterable[Spool], places: Iterable[Place], parts: Iterable[Part]
) -> list[Label]:
    """Labels in this order. base: scheme and host of the addresses."""

    def build(code: str, shown: str, name: Any, lines: list[tuple[str, str]]) -> Label:
        address = codes.label_address(code, base)
        return Label(shown, address, codes.qr_svg(address), str(name), lines)

    labels = [
        build(spool.code, codes.pretty(spool.code), spool.feedstock, _spool_lines(spool)) for spool in spools
    ]
    for place in places:
        code = codes.build_short(codes.PLACE, place.pk)
        labels.append(build(code, code, place.name, [("kind", place.get_kind_display())]))
    for part in parts:
        code = codes.build_short(codes.PART, part.pk)
        labels.append(build(code, code, name_part(part), _part_lines(part)))
    return labels


def load_spools(spool_codes: list[str]) -> list[Spool]:
    """Spools by codes, in their order, with what their labels state."""
    ended = DryingRun.objects.filter(end__isnull=False).order_by("end")
    spools = Spool.objects.select_related("feedstock__maker", "feedstock__polymer", "feedstock__filler")
    found = {
        spool.code: spool
        for spool in spools.filter(code__in=spool_codes).prefetch_related(
            Prefetch("drying_runs", ended, to_attr="ended_runs")
        )
    }
    return [found[code] for code in dict.fromkeys(spool_codes) if code in found]


def load_parts(numbers: list[int]) -> list[Part]:
    fitted = Fitting.objects.valid().filter(end=None).select_related("toolhead__printer", "printer")
    parts = Part.objects.filter(pk__in=numbers).select_related("kind")
    return list(parts.prefetch_related(Prefetch("fittings", fitted, to_attr="present_fittings")))


def _spool_lines(spool: Spool) -> list[tuple[str, str]]:
    # Of the spool itself: a place without a limit of its own stands for any dryer.
    cap, feedstock = compute_cap(spool, Place()), spool.feedstock
    dry = {
        "polymer": feedstock.polymer,
        "hours": format_number(least_drying_hours(spool)),
        # For a dryer that is not known yet: a usual error of its set point.
        "set_point": format_temperature(suggested_set_point_c(spool, Place()), 0),
        "cap": format_temperature(cap.start_c, 0),
    }
    if cap.two_stages:
        limits = _("{polymer}: dry {hours} h at {set_point}, never above {cap} before it has dried").format(
            **dry
        )
    else:
        limits = _("{polymer}: dry {hours} h at {set_point}, never above {cap}").format(**dry)
    received = _("Received {day}").format(day=format_day(spool.received_at))
    came = [received, *([] if spool.sealed else [_("came open")])]
    if spool.batch:
        came.append(_("batch {batch}").format(batch=spool.batch))
    lines = [("cap", limits), ("received", ", ".join(came))]
    runs: list[DryingRun] = spool.ended_runs if hasattr(spool, "ended_runs") else []
    if runs and (end := runs[-1].end) is not None:
        lines.append(
            (
                "dried",
                _("Dried {day}, {temperatures}").format(
                    day=format_day(end), temperatures=runs[-1].temperatures
                ),
            )
        )
    return [*lines, ("by_hand", _("Opened ______ Dried ______"))]


def _part_lines(part: Part) -> list[tuple[str, str]]:
    fittings: list[Fitting] = part.present_fittings if hasattr(part, "present_fittings") else []
    lines = [("role", part.kind.get_role_display())]
    if fittings:
        lines.append(
            (
                "site",
                _("{site}, since {day}").format(site=fittings[0].site, day=format_day(fittings[0].start)),
            )
        )
    return lines
