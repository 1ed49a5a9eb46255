"""Reads a job file, G-code, and tells what it takes: filament, hours, flow, heat. It never writes one.

    facts = read_job("bracket.gcode", Reading(diameter_mm=1.75))
    facts.uses[0].grams(density_g_cm3=1.24)

Facts come from moves, never from comments. Memory does not grow with the file.
"""

from .errors import GcodeError
from .facts import Change, JobFacts, Layers, Retractions, Span, Use
from .reading import read_job
from .settings import Motion, Reading

__all__ = [
    "Change",
    "GcodeError",
    "JobFacts",
    "Layers",
    "Motion",
    "Reading",
    "Retractions",
    "Span",
    "Use",
    "read_job",
]
