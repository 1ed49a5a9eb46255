from importlib import import_module

from django.apps import AppConfig

# Modules that register what follows from withdrawing a fact; a process may withdraw facts of any subject.
CONSEQUENCES = [
    "air.dry_box",
    "air.salt_checks",
    "air.reading_corrections",
    "catalogue.coupons",
    "drying.past_runs",
    "drying.week.requests",
    "inventory.corrections",
    "inventory.endings",
    "inventory.joining",
    "inventory.openings",
    "inventory.respooling",
]
# Modules that register the words of statements.
WORDING = [
    "air.wording",
    "drying.advice_wording",
    "drying.cap_wording",
    "drying.plan_wording",
    "drying.week.wording",
    "inventory.wording",
    "moisture.wording",
]
# Models whose changes are part of the audit trail.
AUDITED = ["CoreKind", "Feedstock", "Filler", "Maker", "Place", "Polymer", "Source", "TopicRule"]


class SpoolsConfig(AppConfig):
    name = "spools"

    def ready(self) -> None:
        from access.audit import watch
        from background.lines import guard_lines

        watch(self.get_model(name) for name in AUDITED)
        guard_lines(model for model in self.get_models() if model.__name__ != "SentRequest")
        for module in [*CONSEQUENCES, *WORDING]:
            import_module(f"spools.{module}")
