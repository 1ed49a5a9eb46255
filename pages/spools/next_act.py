"""The main button of a spool: the next sensible act in words, and the address where it is done."""

from dataclasses import dataclass

from django.urls import reverse
from django.utils.translation import gettext as _

from maintenance.board.next_act import Act, NextAct
from spools.models import Spool


@dataclass(frozen=True)
class ActButton:
    """act: its key. page: the name of the address, which decides who may go there."""

    act: Act
    page: str
    address: str
    label: str


def build_act_button(act: NextAct, spool: Spool, loading_id: int | None = None) -> ActButton | None:
    """None: there is nothing to do but to wait. loading_id: of the loading of a spool that is on a toolhead."""
    toolhead = act.toolhead
    match act.act:
        case Act.TAKE_OUT:
            return _build(act, "drying-finish", _("Take out of the dryer"), act.dryer)
        case Act.FINISH_JOB:
            return _build(act, "job", _("Record how it ended"), act.job)
        case Act.RECORD_JOB:
            return _build(act, "job-new", _("Record a job"), query=f"?loading={loading_id}")
        case Act.DRY:
            query = f"?dryer={act.dryer}" if act.dryer else ""
            return _build(act, "spool-dry", _("Dry"), spool.code, query=query)
        case Act.LOAD if toolhead is not None:
            label = _("Load on {toolhead}").format(toolhead=toolhead)
            return _build(act, "spool-load", label, spool.code, query=f"?toolhead={toolhead.pk}")
        case Act.WEIGH:
            return _build(act, "spool-weigh", _("Weigh"), spool.code)
        case Act.END:
            return _build(act, "spool-end", _("Empty or gone"), spool.code)
        case Act.MEND if toolhead is not None:
            return _build(
                act, "machine", _("See to {toolhead}").format(toolhead=toolhead), toolhead.printer_id
            )
    return None


def _build(act: NextAct, page: str, label: str, *arguments: object, query: str = "") -> ActButton:
    return ActButton(act.act, page, reverse(page, args=arguments) + query, label)
