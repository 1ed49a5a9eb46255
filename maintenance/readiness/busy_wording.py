"""Words for the check whether toolhead and spool are free."""

from django.utils.translation import gettext_lazy as _

from spools.sentences import register_sentences

SENTENCES = {
    "free_until": _("{name} is planned on {toolhead} with {spool} for {start!t}, after this job."),
    "prints_until": _("{name} prints on {toolhead} with {spool} until {end!t}."),
    "end_not_recorded": _(
        "{name} on {toolhead} with {spool} was to end at {end!t}; its end is not recorded."
    ),
    "reserved_now": _("Reserved for {name} on {toolhead} with {spool}, {start!t} to {end!t}."),
    "reserved_soon": _(
        "{name} is planned on {toolhead} with {spool} for {start!t}, before this job would end."
    ),
    "plan_not_begun": _("{name} was planned on {toolhead} with {spool} for {start!t} and did not start."),
    "wait_or_take_other": _("Wait until {until!t}, or take another toolhead or spool."),
    "print_shorter_or_elsewhere": _("Print a shorter job, or take another toolhead or spool."),
    "record_end_of_print": _("Record on the job's page how it ended."),
    "start_or_withdraw_plan": _("Start it on the job's page, or withdraw it."),
}
register_sentences({f"readiness.{code}": sentence for code, sentence in SENTENCES.items()})
