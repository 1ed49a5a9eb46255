"""Limits of the numbers that people enter about machines, parts and prints, as ``spools.limits`` for spools.

Most are no judgement: they are far beyond what a shop has and catch slips of the keyboard (from memory).
"""

from spools.limits import Limits

# Prints.
JOB_G = Limits(0.01, 20_000, "g")
JOB_HOURS = Limits(0.01, 1000, "h")
NOZZLE_C = Limits(0, 600, "°C")
BED_C = Limits(0, 300, "°C")
FLOW_MM3_S = Limits(0.01, 500, "mm³/s")
RETRACTED_M = Limits(0, 10_000, "m")
STOPPED_PCT = Limits(0, 100, "%")
# Filament that a job file was made for.
FILE_DIAMETER_MM = Limits(0.5, 10, "mm")

# Machines.
MACHINE_MAX_C = Limits(0, 600, "°C")
TAIL_MM = Limits(0, 5000, "mm")
CHANGES = Limits(0, 100_000, "")
SLOTS = Limits(1, 32, "")
PURGE_G = Limits(0, 100, "g")

# Parts. A life is in the unit of its kind.
LIFE = Limits(1e-6, 1e9, "")
PRIOR_USE = Limits(0, 1e9, "")
WORN_GROWTH_PCT = Limits(1, 100, "%")
PART_MAX_C = Limits(0, 600, "°C")
BORE_ERROR_MM = Limits(0.001, 0.2, "mm")
# A bore outside these shares of the nominal bore is a slip of the keyboard or another nozzle.
BORE_SHARE = Limits(0.5, 3.0, "")

# Money and power.
RATE = Limits(0, 100_000, "")
POWER_W = Limits(0, 20_000, "W")

# Services, in the unit of the kind.
INTERVAL = Limits(0.1, 1e6, "")

# Flow checks.
BLOB_MM = Limits(20, 2000, "mm")
BLOB_DIAMETER_MM = Limits(0.5, 5, "mm")
DIAMETER_TOLERANCE_MM = Limits(0, 0.3, "mm")
SCALE_STEP_G = Limits(0.0001, 1, "g")
