from importlib import import_module
from typing import Any

from django.apps import AppConfig, apps
from django.db.models.signals import post_save

# Modules that register what follows from withdrawing a fact; a process may withdraw facts of any subject.
CONSEQUENCES = [
    "flow.records",
    "jobs.life",
    "jobs.projection",
    "machines.past_loadings",
    "parts.corrections",
    "service.records",
    "trouble.reports",
]
# Modules that register loaders with packages below.
LOADERS = ["machines.prints"]
# Modules that register the words of statements.
WORDING = [
    "flow.wording",
    "gcode.wording",
    "parts.wording",
    "readiness.busy_wording",
    "readiness.material_wording",
    "readiness.flow_wording",
    "readiness.wording",
    "reminders.delivery.failures",
    "reminders.wording",
    "service.wording",
    "trouble.wording",
    "wear.wording",
    "wording",
]
# Models whose changes are part of the audit trail.
AUDITED = ["CostRates", "PartKind", "Printer", "Scale", "ServiceKind", "Toolhead"]


class MaintenanceConfig(AppConfig):
    name = "maintenance"

    def ready(self) -> None:
        from access.audit import watch
        from background.lines import guard_lines
        from background.signals import before_fork
        from maintenance.changes import facts_committed, machine_saved, material_saved, spool_saved
        from maintenance.events.recording import watch_facts
        from maintenance.parts.consumables import take_for_charge
        from maintenance.parts.wear_entries import recount_material_wear, recount_spool_wear
        from spools.inventory.stays import moves_changed

        watch(self.get_model(name) for name in AUDITED)
        watch_facts()
        post_save.connect(send_event, self.get_model("ShopEvent"), dispatch_uid="maintenance.webhooks")
        guard_lines(self.get_models())
        watch([self.get_model("Channel")], secret=["address", "secret", "keys"])
        moves_changed.connect(follow_moves, dispatch_uid="maintenance.loadings")
        facts_committed.connect(sweep_reminders, dispatch_uid="maintenance.reminders")
        for name in ("Printer", "Toolhead"):
            post_save.connect(machine_saved, self.get_model(name), dispatch_uid=f"maintenance.board.{name}")
        for name in ("Polymer", "Filler", "Feedstock"):
            model = apps.get_model("spools", name)
            post_save.connect(material_saved, model, dispatch_uid=f"maintenance.board.{name}")
            post_save.connect(recount_material_wear, model, dispatch_uid=f"maintenance.wear.{name}")
        spool = apps.get_model("spools", "Spool")
        post_save.connect(recount_spool_wear, spool, dispatch_uid="maintenance.wear.Spool")
        post_save.connect(spool_saved, spool, dispatch_uid="maintenance.board.Spool")
        charges = apps.get_model("spools", "DesiccantCharge")
        post_save.connect(take_for_charge, charges, dispatch_uid="maintenance.desiccant")
        before_fork.connect(load_kernels, dispatch_uid="maintenance.kernels")
        for module in [*CONSEQUENCES, *LOADERS, *WORDING]:
            import_module(f"maintenance.{module}")


def sweep_reminders(subjects: frozenset[str], **_: Any) -> None:
    """Show at once what a fact makes due or done."""
    # Imported at the first use: a process that records no facts does without the physics.
    from maintenance.reminders.sweep import sweep_subjects

    sweep_subjects(subjects)


def send_event(**_: Any) -> None:
    """Have an event of the shop sent to the webhooks that carry its kind."""
    from maintenance.reminders.delivery.shop_events import queue_posting

    queue_posting()


def follow_moves(**change: Any) -> None:
    """Bring the loadings of a spool that moved up to date."""
    from maintenance.machines.stays import follow_spool

    follow_spool(**change)


def load_kernels(**_: Any) -> None:
    from maintenance import kernels

    kernels.load_kernels()
