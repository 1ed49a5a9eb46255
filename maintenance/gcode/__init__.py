"""Reads a job file, G-code, and computes its filament, hours, flow and heat. It never writes one.

    facts = read_job("bracket.gcode", Reading(diameter_mm=1.75))
    facts.uses[0].grams(density_g_cm3=1.24)

Facts come from moves, never from comments. Memory does not grow with the file.
"""

from .apart import load_reader, read_job_apart
from .errors import GcodeError
from .facts import JobFacts, Layers, Retractions, Span, ToolChange, ToolUse
from .reading import read_job
from .settings import Motion, ReaderSettings

__all__ = [
    "GcodeError",
    "JobFacts",
    "Layers",
    "Motion",
    "ReaderSettings",
    "Retractions",
    "Span",
    "ToolChange",
    "ToolUse",
    "load_reader",
    "read_job",
    "read_job_apart",
]
