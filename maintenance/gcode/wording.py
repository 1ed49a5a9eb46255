"""The words of statements about job files: why one is not read, remarks on its facts, where a job stopped."""

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from spools.sentences import register_sentences
from spools.statements import words_for
from spools.wording import format_count, format_list

REFUSALS = {
    "job_file.content_deleted": gettext_lazy("Its content was deleted. Upload the file again to read it."),
    "job_file.not_opened": gettext_lazy("{name} cannot be read: {reason}."),
    "job_file.empty": gettext_lazy("The file is empty. Export the job again."),
    "job_file.no_command": gettext_lazy(
        "There is no command of G-code in this file. Choose the exported job file."
    ),
    "job_file.utf16": gettext_lazy("The file is text in UTF-16. Save it as plain text (UTF-8 or ASCII)."),
    "job_file.nul": gettext_lazy(
        "Byte {byte:,} of the job is NUL, so it is no plain text: UTF-16, a binary format, or damaged. "
        "Export the job as plain G-code, or copy it again."
    ),
    "job_file.job_too_long": gettext_lazy(
        "The job is longer than {most_gib} GiB of text. Split it, or export it again."
    ),
    "job_file.line_too_long": gettext_lazy(
        "The line that begins at byte {byte:,} is longer than {most_kib:,} KiB, which no line of "
        "G-code is. Check that this is a job file, with a line end after each command."
    ),
    "job_file.no_gcode_inside": gettext_lazy(
        "The container holds no G-code (no file that ends in {endings}). Export the job with "
        "its G-code, not the model alone."
    ),
    "job_file.no_such_member": gettext_lazy("The container holds no {member}. Choose one of: {names}."),
    "job_file.several_inside": gettext_lazy("The container holds {jobs} jobs. Choose one: {names}."),
    "job_file.long_listing": gettext_lazy(
        "The container's list of contents is too long. Put the job alone into a file."
    ),
    "job_file.other_packing": gettext_lazy(
        "{member} is packed in a way that is not unpacked here. Pack the container with deflate, "
        "the usual way, or upload the job alone."
    ),
    "job_file.given_up": gettext_lazy(
        "Reading it failed several times and was given up. Export the job again, or read it again."
    ),
    "job_file.too_much_memory": gettext_lazy(
        "The file takes more memory than reading a job may. Export the job again."
    ),
    "job_file.ended_reader": gettext_lazy(
        "The file ended the program that read it, as no job should. Export the job again."
    ),
    "job_file.damaged": gettext_lazy(
        "The packed file is damaged or locked ({reason}). Copy it again, or pack it again."
    ),
}
REMARKS = {
    "job_remark.feeds_nothing": gettext_lazy(
        "No move feeds filament: is this a job for another kind of machine?"
    ),
    "job_remark.unread_feeds": gettext_lazy(
        "{count:,} commands that were not understood carry an E word; what they feed is missing."
    ),
    "job_remark.moves_without_feed": gettext_lazy(
        "{count:,} moves come before any speed was given; 25 mm/s are assumed."
    ),
    "job_remark.misfit_arcs": gettext_lazy(
        "{count:,} arcs do not fit their centre or radius; their lengths are approximate."
    ),
    "job_remark.g10_retractions": gettext_lazy(
        "{count:,} retractions are the machine's own (G10): {retract_mm:g} mm each, or what M207 says."
    ),
    "job_remark.modal_commands": gettext_lazy(
        "{count:,} lines without a command go on with the last motion, as in ISO 6983."
    ),
    "job_remark.many_spools": gettext_lazy(
        "The last of the {spools} spools may be several: more are not distinguished."
    ),
}
STOPS = {
    "job_stop.before_line": gettext_lazy("before line {line:,} of {lines:,}"),
    "job_stop.at_share": gettext_lazy("at {stopped_pct:g} % of its file"),
    "job_stop.at_filament_share": gettext_lazy("at {stopped_pct:g} % of its filament"),
    "job_stop.after_metres": gettext_lazy("after {metres:g} m of {whole_m:.1f} m of filament"),
    "job_stop.by_time": gettext_lazy("by its time at about {stopped_pct:.0f} %"),
}
register_sentences(REFUSALS | REMARKS | STOPS)
UNTIMED = {
    "heat_wait": gettext_lazy("waiting for heat"),
    "tool_change": gettext_lazy("tool change"),
    "colour_change": gettext_lazy("colour change"),
}


@words_for("job_remark.moves_of_doubtful_e")
def _moves_of_doubtful_e(count: int, e_follows_g90: bool) -> str:
    sentence = (
        _("{count} moves feed otherwise on machines that differ on G90 and G91; here they count for E too.")
        if e_follows_g90
        else _(
            "{count} moves feed otherwise on machines that differ on G90 and G91; here they leave E alone."
        )
    )
    return sentence.format(count=format_count(count))


@words_for("job_remark.untimed")
def _untimed(commands: dict[str, int]) -> str:
    listed = format_list(
        [f"{UNTIMED.get(name, name)} ({format_count(count)})" for name, count in commands.items()]
    )
    return _("Not in the time, as the file does not give their duration: {commands}.").format(commands=listed)
