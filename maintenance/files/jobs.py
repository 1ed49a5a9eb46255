"""Prints that are over as a file: a row for each spool that a print took from."""

from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC, timedelta
from typing import Any

from django.db.models import OuterRef, Q, Subquery
from django.utils.translation import gettext as _
from django.utils.translation import gettext_noop

from maintenance import limits
from maintenance.jobs.judging import JobShare
from maintenance.jobs.records import NewJob, Outcome, store_job
from maintenance.machines.past_loadings import record_past_loading
from maintenance.models import Job, JobEvent, JobUse, Loading, Printer, Toolhead
from maintenance.readiness.inputs import JobSpec
from spools.checks import require_within
from spools.codes import pretty
from spools.files.columns import Use, by_own_name, choice, find_named, moment, number, spool_code, text
from spools.files.kinds import (
    Added,
    FileKind,
    Line,
    Stored,
    Values,
    refuse_change,
    require_keys,
    require_whole,
)
from spools.models import Spool
from spools.refusals import refusal

OF_END = ("parts", "good_parts", "reason")
ENDS = [(stage.value, stage.label) for stage in Job.ENDED]


class Jobs(FileKind):
    name = "jobs"
    title = gettext_noop("Prints")
    about = gettext_noop(
        "Prints that are over; a row for each spool of a print. Where a spool is not known to have been loaded then, a past "
        "loading is added. A print is a fact: to change one, withdraw it on its page and record it anew."
    )
    most_changes = 300
    keys_are_found = True
    renamed = {"at": "start", "end": "hours"}
    columns = (
        text("printer", gettext_noop("name of the printer"), Use.KEY, 60),
        text("toolhead", gettext_noop("name of its toolhead"), Use.KEY, 40),
        spool_code("spool", gettext_noop("code of the spool"), Use.KEY),
        moment("start", gettext_noop("day and time at which the print began"), Use.KEY),
        text("name", gettext_noop("name of the print"), Use.NEEDED, 120),
        number("hours", gettext_noop("hours that it printed"), Use.NEEDED),
        number(
            "mass_g",
            gettext_noop("grams taken from the spool, with what changes of spool purged"),
            Use.NEEDED,
        ),
        number("nozzle_c", gettext_noop("nozzle temperature, °C"), Use.NEEDED),
        number("bed_c", gettext_noop("bed temperature, °C"), Use.NEEDED),
        number("max_flow_mm3_s", gettext_noop("fastest flow, mm³/s")),
        number("retracted_m", gettext_noop("filament pulled back by all retractions, m")),
        number("slot", gettext_noop("slot of the toolhead; empty: 1")),
        number("changes", gettext_noop("changes of spool to this one")),
        number("purge_g", gettext_noop("the part of its grams that these purged")),
        choice("stage", gettext_noop("how it ended; empty: finished"), ENDS),
        number("parts", gettext_noop("parts printed at once")),
        number("good_parts", gettext_noop("good ones of them")),
        text("reason", gettext_noop("why it failed or was stopped"), longest=300),
        text("project", gettext_noop("project or customer"), longest=80),
        text("override_reason", gettext_noop("why it was printed in spite of a hold"), longest=300),
    )

    def __init__(self, **options: Any) -> None:
        super().__init__(**options)
        self.toolheads: dict[int, dict[str, Toolhead]] | None = None
        self.printers: dict[str, Printer] = {}
        self.spools: dict[str, Spool | None] = {}

    def rows(self) -> Iterator[Stored]:
        return self._describe(JobUse.objects.filter(spool__ended_at=None))

    def _describe(self, uses: Any) -> Iterator[Stored]:
        ends = JobEvent.objects.valid().filter(job=OuterRef("job"), kind__in=Job.ENDED).order_by("-at", "-id")
        uses = uses.filter(job__withdrawn_at=None, job__stage__in=Job.ENDED)
        uses = uses.annotate(**{f"end_{name}": Subquery(ends.values(name)[:1]) for name in OF_END})
        uses = uses.select_related("job__printer", "toolhead", "spool").order_by("job__start", "job_id", "id")
        for use in uses.iterator(2000):
            yield Stored(use, _values_of(use))

    def find_stored(self, lines: Iterable[Values]) -> Iterable[Stored]:
        times = [values["start"] for values in lines]
        if not times:
            return []
        uses = JobUse.objects.filter(job__start__gte=min(times), job__start__lte=max(times))
        return self._describe(uses)

    def find_name(self, column: str, value: Any) -> Any:
        if column == "spool":
            return self._find_spool(value).code
        return require_whole(column, value) if column in ("slot", "parts", "good_parts") else value

    def resolve(self, values: Values) -> Values:
        require_keys(self, values)
        toolhead = self._find_toolhead(values)
        values |= {"printer": toolhead.printer.name, "toolhead": toolhead.name}
        return values

    def _find_toolhead(self, values: Values) -> Toolhead:
        if self.toolheads is None:
            self.printers = by_own_name(Printer.objects.all())
            heads = Toolhead.objects.select_related("printer")
            self.toolheads = {
                pk: by_own_name(head for head in heads if head.printer_id == pk)
                for pk in {head.printer_id for head in heads}
            }
        printer = find_named(self.printers, "printer", values["printer"], own_names=True)
        own = self.toolheads.get(printer.pk, {})
        return find_named(own, "toolhead", values["toolhead"], own_names=True)

    def _find_spool(self, code: str) -> Spool:
        if code not in self.spools:
            self.spools[code] = Spool.objects.filter(code=code).first()
        spool = self.spools[code]
        if spool is None:
            sentence = _("No spool here has the code {code}. Add the spool first.")
            raise refusal("unknown_spool", sentence.format(code=pretty(code)), "spool")
        return spool

    def sort(self, lines: list[tuple[Line, Values]]) -> list[tuple[Line, Values]]:
        return sorted(lines, key=lambda line: line[1]["start"])

    def group_of(self, values: Values) -> Any:
        return values["printer"], values["start"]

    def add_together(self, rows: Sequence[Values]) -> list[Added]:
        """One print, with a share of each row."""
        first = rows[0]
        notes = [self._load_then(values) for values in rows]
        before = JobEvent.objects.filter(job__printer=self._find_toolhead(first).printer).count()
        job = store_job(
            NewJob(
                [self._share(values) for values in rows],
                first["name"],
                first["start"],
                first.get("stage", Job.Stage.FINISHED),
                first.get("override_reason", ""),
                outcome=Outcome(first.get("parts"), first.get("good_parts"), first.get("reason", "")),
                project=first.get("project", ""),
            ),
            by=self.by,
        )
        if not job.known_before:
            return [Added(job, note=note) for note in notes]
        if {use.spool.code for use in job.uses.select_related("spool")} != {row["spool"] for row in rows}:
            sentence = _(
                "“{job}” is recorded at that time with other spools. Withdraw it, or take the line out."
            )
            raise refusal("other_spools", sentence.format(job=job), "spool")
        after = JobEvent.objects.filter(job__printer=job.printer).count()
        note = _("It is recorded as “{job}”.").format(job=job)
        return [Added(job, note=note, is_new=after > before) for _row in rows]

    def _load_then(self, values: Values) -> str:
        """Adds the loading that the print needs, where none is recorded. Returns that as a sentence."""
        toolhead, spool = self._find_toolhead(values), self._find_spool(values["spool"])
        start, slot = values["start"], values.get("slot")
        lasting = Q(end=None) | Q(end__gt=start)
        if Loading.objects.filter(lasting, toolhead=toolhead, spool=spool, start__lte=start).exists():
            return ""
        end = start + timedelta(hours=require_within("hours", values["hours"], *limits.JOB_HOURS))
        record_past_loading(toolhead, spool, start, end, slot=slot, by=self.by)
        return _("Adds that the spool was loaded then.")

    def _share(self, values: Values) -> JobShare:
        spec = JobSpec(
            require_within("mass_g", values["mass_g"], *limits.JOB_G),
            require_within("hours", values["hours"], *limits.JOB_HOURS),
            require_within("nozzle_c", values["nozzle_c"], *limits.NOZZLE_C),
            require_within("bed_c", values["bed_c"], *limits.BED_C),
            None
            if values.get("max_flow_mm3_s") is None
            else require_within("max_flow_mm3_s", values["max_flow_mm3_s"], *limits.FLOW_MM3_S),
            changes=require_within("changes", values.get("changes", 0.0), *limits.CHANGES),
            purge_g=require_within("purge_g", values.get("purge_g", 0.0), 0.0, values["mass_g"], "g"),
        )
        return JobShare(
            self._find_toolhead(values),
            self._find_spool(values["spool"]),
            spec,
            retracted_m=values.get("retracted_m"),
            slot=values.get("slot", 1),
        )

    def change(self, stored: Stored, values: Values) -> None:
        sentence = _("A print is a fact. Withdraw it on its page, then record it as it was.")
        raise refuse_change(next(iter(values)), sentence)

    def label(self, values: Values) -> str:
        return (
            f"{values['name']}, {values['start'].astimezone(UTC):%Y-%m-%d %H:%M}, {pretty(values['spool'])}"
        )


def _values_of(use: Any) -> Values:
    job = use.job
    return {
        "printer": job.printer.name,
        "toolhead": use.toolhead.name,
        "spool": use.spool.code,
        "start": job.start,
        "name": job.name,
        "hours": job.hours,
        "mass_g": use.mass_g,
        "nozzle_c": job.nozzle_c,
        "bed_c": job.bed_c,
        "max_flow_mm3_s": job.max_flow_mm3_s,
        "retracted_m": use.retracted_m,
        "slot": use.slot,
        "changes": use.changes,
        "purge_g": use.purge_g,
        "stage": job.stage,
        "parts": use.end_parts,
        "good_parts": use.end_good_parts,
        "reason": use.end_reason,
        "project": job.project,
        "override_reason": job.override_reason,
    }
