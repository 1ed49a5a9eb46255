"""The words of statements about job files: why one is not read, remarks on its facts, where a job stopped."""

from spools.sentences import register_sentences
from spools.statements import words_for

REFUSALS = {
    "job_file.content_deleted": "Its content was deleted. Upload the file again to read it.",
    "job_file.not_opened": "{name} cannot be read: {reason}.",
    "job_file.empty": "The file is empty. Export the job again.",
    "job_file.no_command": "There is no command of G-code in this file. Choose the exported job file.",
    "job_file.utf16": "The file is text in UTF-16. Save it as plain text (UTF-8 or ASCII).",
    "job_file.nul": "Byte {byte:,} of the job is NUL, so it is no plain text: UTF-16, a binary format, or damaged. "
    "Export the job as plain G-code, or copy it again.",
    "job_file.job_too_long": "The job is longer than {most_gib} GiB of text. Split it, or export it again.",
    "job_file.line_too_long": "The line that begins at byte {byte:,} is longer than {most_kib:,} KiB, which no line of "
    "G-code is. Check that this is a job file, with a line end after each command.",
    "job_file.no_gcode_inside": "The container holds no G-code (no file that ends in {endings}). Export the job with "
    "its G-code, not the model alone.",
    "job_file.no_such_member": "The container holds no {member}. Choose one of: {names}.",
    "job_file.several_inside": "The container holds {jobs} jobs. Choose one: {names}.",
    "job_file.long_listing": "The container's list of contents is too long. Put the job alone into a file.",
    "job_file.other_packing": "{member} is packed in a way that is not unpacked here. Pack the container with deflate, "
    "the usual way, or upload the job alone.",
    "job_file.given_up": "Reading it failed several times and was given up. Export the job again, or read it again.",
    "job_file.too_much_memory": "The file takes more memory than reading a job may. Export the job again.",
    "job_file.ended_reader": "The file ended the program that read it, as no job should. Export the job again.",
    "job_file.damaged": "The packed file is damaged or locked ({reason}). Copy it again, or pack it again.",
}
REMARKS = {
    "job_remark.feeds_nothing": "No move feeds filament: is this a job for another kind of machine?",
    "job_remark.unread_feeds": "{count:,} commands that were not understood carry an E word; what they feed is "
    "missing.",
    "job_remark.moves_without_feed": "{count:,} moves come before any speed was given; 25 mm/s are assumed.",
    "job_remark.misfit_arcs": "{count:,} arcs do not fit their centre or radius; their lengths are approximate.",
    "job_remark.g10_retractions": "{count:,} retractions are the machine's own (G10): {retract_mm:g} mm each, or what "
    "M207 says.",
    "job_remark.modal_commands": "{count:,} lines without a command go on with the last motion, as in ISO 6983.",
    "job_remark.many_spools": "The last of the {spools} spools may be several: more are not distinguished.",
}
STOPS = {
    "job_stop.before_line": "before line {line:,} of {lines:,}",
    "job_stop.at_share": "at {stopped_pct:g} % of its file",
    "job_stop.at_filament_share": "at {stopped_pct:g} % of its filament",
    "job_stop.after_metres": "after {metres:g} m of {whole_m:.1f} m of filament",
    "job_stop.by_time": "by its time at about {stopped_pct:.0f} %",
}
register_sentences(REFUSALS | REMARKS | STOPS)
UNTIMED = {"heat_wait": "waiting for heat", "tool_change": "tool change", "colour_change": "colour change"}


@words_for("job_remark.moves_of_doubtful_e")
def _moves_of_doubtful_e(count: int, e_follows_g90: bool) -> str:
    chosen = "they count for E too" if e_follows_g90 else "they leave E alone"
    return f"{count:,} moves feed otherwise on machines that differ on G90 and G91; here {chosen}."


@words_for("job_remark.untimed")
def _untimed(commands: dict[str, int]) -> str:
    listed = ", ".join(f"{UNTIMED.get(name, name)} ({count:,})" for name, count in commands.items())
    return f"Not in the time, as the file does not give their duration: {listed}."
