"""The words of the first steps in a new shop, and of the acts that entries on spools and in the drawer came with."""

from django.utils.translation import gettext_lazy

from spools.sentences import register_sentences

FIRST_STEPS = {
    "first_step.place-new.title": gettext_lazy("Add your places"),
    "first_step.place-new": gettext_lazy(
        "Shelf, dry box, dryer: a spool's moisture follows the air where it is."
    ),
    "first_step.machine-new.title": gettext_lazy("Add a printer"),
    "first_step.machine-new": gettext_lazy("With its toolhead."),
    "first_step.machines.title": gettext_lazy("Record its parts"),
    "first_step.machines": gettext_lazy(
        "Nozzle, drive gears and liner wear; those that are on it count from now on."
    ),
    "first_step.feedstock-new.title": gettext_lazy("Add what you print with"),
    "first_step.feedstock-new": gettext_lazy("The maker's data sheet comes before the catalogue's numbers."),
    "first_step.spool-receive.title": gettext_lazy("Receive a spool"),
    "first_step.spool-receive": gettext_lazy("It gets a code and a label."),
}
CAUSES = {
    "cause.job": gettext_lazy("job {name}"),
    "cause.flow_check": gettext_lazy("flow check on {toolhead}"),
    "cause.spool_changed": gettext_lazy("to continue job {name}"),
    "cause.added_afterwards": gettext_lazy("added afterwards"),
    "cause.loaded": gettext_lazy("loaded on {toolhead}"),
    "cause.fitted": gettext_lazy("fitted to {site}"),
}
register_sentences(FIRST_STEPS | CAUSES)
