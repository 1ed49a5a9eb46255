import json
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from maintenance.gcode import GcodeError, JobFacts, ReaderSettings, Span, read_job


class Command(BaseCommand):
    help = (
        "Tell what a job file (G-code: plain, gzip, in a ZIP container) takes: filament, hours, flow, heat."
    )
    requires_system_checks = []

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", help="the job file")
        parser.add_argument("--member", default="", help="which job of a container that holds several")
        parser.add_argument("--diameter", type=float, default=1.75, help="of the filament, mm (1.75)")
        parser.add_argument("--density", type=float, help="of the filament, g/cm³; without it no grams")
        parser.add_argument(
            "--e-apart", action="store_true", help="the machine's G90 and G91 leave E as M82 or M83 set it"
        )
        parser.add_argument("--json", action="store_true", help="everything, as JSON")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            reading = ReaderSettings(diameter_mm=options["diameter"], e_follows_g90=not options["e_apart"])
            facts = read_job(options["file"], reading, member=options["member"])
        except (GcodeError, ValueError) as error:
            raise CommandError(str(error)) from None
        if options["json"]:
            self.stdout.write(json.dumps(facts.as_json(), indent=1))
        else:
            self.stdout.write("\n".join(_lines(facts, options["density"])))


def _lines(facts: JobFacts, density_g_cm3: float | None) -> list[str]:
    diameter_mm = facts.reading.diameter_mm
    inside = f", {facts.member}" if facts.member else ""
    lines = [
        f"{facts.bytes:,} bytes ({facts.packing}{inside}), {facts.lines:,} lines, "
        f"{facts.commands:,} commands",
        f"time      {_clock(facts.seconds)}, an estimate from accelerations",
        f"travel    {facts.travel_mm / 1000:.1f} m in {_clock(facts.travel_s)}",
    ]
    for number, use in enumerate(facts.uses, 1):
        grams = f", {use.grams(density_g_cm3, diameter_mm):.2f} g" if density_g_cm3 else ""
        flows = ", ".join(
            f"{share} % of the time below {'100 or more' if flow is None else f'{flow:.1f}'}"
            for share, flow in use.flow_mm3_s.items()
        )
        back = use.retractions
        lines += [
            f"spool {number}, tool {use.tool}",
            f"  filament    {use.filament_mm / 1000:.3f} m, {use.cm3(diameter_mm):.2f} cm³ "
            f"at {diameter_mm:g} mm{grams}; {use.in_place_mm / 1000:.3f} m of it in place",
            f"  flow        {flows} mm³/s; at most {use.peak_1s_mm3_s:.1f} over 1 s, "
            f"{use.peak_5s_mm3_s:.1f} over 5 s",
            f"  retractions {back.count:,}, {back.per_m:.0f} a metre, usually {back.usual_mm:.2f} mm, "
            f"longest {back.longest_mm:.2f} mm; the same filament up to {back.most_over_one} times",
            f"  hot end     {_heat(use.hot)}",
        ]
    lines.append(f"bed       {_heat(facts.bed)}")
    layers = facts.layers
    if layers.levels:
        heights = ", ".join(f"{span.value:g} mm ({100 * span.amount:.0f} %)" for span in layers.heights)
        lines.append(f"layers    {layers.levels:,} up to {layers.top_mm:g} mm; heights {heights}")
    if layers.widths_mm:
        low, middle, high = layers.widths_mm
        lines.append(f"widths    half of the way between {low:.2f} and {high:.2f} mm, median {middle:.2f} mm")
    if facts.unread:
        lines.append("no meaning here: " + ", ".join(f"{name} ({n:,})" for name, n in facts.unread.items()))
    return lines + [f"note      {remark.sentence}" for remark in facts.remarks]


def _clock(seconds: float) -> str:
    minutes = round(seconds / 60)
    return f"{minutes // 60} h {minutes % 60:02} min" if minutes else f"{seconds:.1f} s"


def _heat(spans: list[Span]) -> str:
    hot = [f"{span.value:.0f} °C for {_clock(span.amount)}" for span in spans if span.value > 0]
    return ", ".join(hot) or "not heated"
