"""The words of the first steps in a new shop, and of the acts that entries on spools and in the drawer came with."""

from spools.sentences import register_sentences

FIRST_STEPS = {
    "first_step.place-new.title": "Add your places",
    "first_step.place-new": "Shelf, dry box, dryer: a spool's moisture follows the air where it is.",
    "first_step.machine-new.title": "Add a printer",
    "first_step.machine-new": "With its toolhead.",
    "first_step.stock-add.title": "Receive and fit its parts",
    "first_step.stock-add": "Nozzle, drive gears and liner wear; their count starts when they are fitted.",
    "first_step.feedstock-new.title": "Add what you print with",
    "first_step.feedstock-new": "The maker's data sheet comes before the catalogue's numbers.",
    "first_step.spool-receive.title": "Receive a spool",
    "first_step.spool-receive": "It gets a code and a label.",
}
CAUSES = {
    "cause.job": "job {name}",
    "cause.flow_check": "flow check on {toolhead}",
    "cause.spool_changed": "to continue job {name}",
    "cause.added_afterwards": "added afterwards",
    "cause.loaded": "loaded on {toolhead}",
    "cause.fitted": "fitted to {site}",
}
register_sentences(FIRST_STEPS | CAUSES)
