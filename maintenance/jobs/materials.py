"""The materials that a job file was made for, as a person or a script states them, tool by tool."""

from typing import Any

from django.db import transaction
from django.utils.translation import gettext as _

from maintenance.jobs.files import facts_of
from maintenance.models import JobFile, JobFileMaterial
from maintenance.readiness.inputs import IntendedMaterial
from spools.models import Feedstock, Polymer
from spools.refusals import refusal
from spools.wording import format_list


def describe_material(material: Feedstock | Polymer) -> IntendedMaterial:
    """As the rules of readiness read it. No query when the polymer is loaded with the feedstock."""
    if isinstance(material, Feedstock):
        return IntendedMaterial(material.polymer.name, str(material), material.pk)
    return IntendedMaterial(material.name, material.name)


@transaction.atomic
def state_materials(
    file: JobFile, materials: dict[int, Feedstock | Polymer | None], *, by: Any = None
) -> None:
    """Replaces what is stated for these tools of a file; None: not known. Refused: a tool that it does not use."""
    file = JobFile.objects.select_for_update(no_key=True, of=("self",)).get(pk=file.pk)
    tools = {use.tool for use in facts_of(file).uses}
    if unused := sorted(materials.keys() - tools):
        raise refusal(
            "unused_tool",
            _("The job does not use tool {tool}. Its tools: {tools}.").format(
                tool=unused[0], tools=format_list([str(tool) for tool in sorted(tools)]) or _("none")
            ),
            "tool",
        )
    file.materials.filter(tool__in=materials).delete()
    for tool, material in materials.items():
        if material is not None:
            kind = "feedstock" if isinstance(material, Feedstock) else "polymer"
            JobFileMaterial.objects.create(file=file, tool=tool, stated_by=by, **{kind: material})


def load_materials(file: JobFile) -> dict[int, IntendedMaterial]:
    """The stated material by tool. One query."""
    rows = file.materials.select_related("feedstock__maker", "feedstock__polymer", "polymer")
    return {row.tool: describe_material(row.material) for row in rows}
