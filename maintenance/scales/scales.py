"""The scales of a shop: found by the name that they send, corrected by people."""

from django.db import transaction
from django.utils.translation import gettext as _

from maintenance.models import Scale
from spools.edits.versions import count_edit
from spools.refusals import refusal

MOST_SCALES = 100


def find_or_add_scale(name: str) -> Scale:
    """The scale of a name; a new one where none has it. Refused: more than MOST_SCALES."""
    scale = Scale.objects.select_related("place").filter(name=name).first()
    if scale is not None:
        return scale
    if Scale.objects.count() >= MOST_SCALES:
        raise refusal(
            "many_scales",
            _("No scale has this name, and there are {most} already. Look at the name.").format(
                most=MOST_SCALES
            ),
            "scale",
        )
    return Scale.objects.get_or_create(name=name)[0]


@transaction.atomic
def save_scale(scale: Scale) -> Scale:
    """Stores a new or corrected scale. Refused: impossible fields."""
    count_edit(scale)
    scale.full_clean()
    scale.save()
    return scale
