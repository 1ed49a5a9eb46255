"""The data of trouble: signs, consumable causes with the signs they are typical of, and other causes.

A new cause is an entry of CAUSES, a rule in ``rules.py``, its words in ``wording.py`` and a value of
``TroubleOutcome.Cause``.
"""

from collections.abc import Mapping
from dataclasses import dataclass

# Log-odds (natural): how typical a sign is of a cause. Common practice, no source.
TELLING, OFTEN, SOMETIMES, HARDLY = 2.5, 1.5, 0.5, -1.5

# Signs that a person can see on a print; their words are in wording.py.
SYMPTOMS = [
    "strings",
    "pops",
    "gaps",
    "skips",
    "sudden",
    "rough",
    "blobs",
    "first_layer",
    "corners",
    "snapped",
    "nothing",
]


@dataclass(frozen=True)
class TroubleCause:
    """A consumable cause: its signs with their log-odds, and the act that removes it.

    act: where the remedy is recorded: "dry", "replace", "service", "other_spool" or "".
    role, work: of the part to replace, of the service to do.
    """

    signs: Mapping[str, float]
    act: str = ""
    role: str = ""
    work: str = ""


# In the order in which causes of equal weight are shown: the quickest to try comes first.
CAUSES = {
    "wet": TroubleCause(
        {
            "pops": TELLING,
            "strings": OFTEN,
            "rough": OFTEN,
            "gaps": SOMETIMES,
            "blobs": SOMETIMES,
            "sudden": SOMETIMES,
            "snapped": SOMETIMES,
        },
        act="dry",
    ),
    "leftover": TroubleCause(
        {"sudden": SOMETIMES, "skips": SOMETIMES, "gaps": SOMETIMES, "rough": SOMETIMES, "blobs": OFTEN},
    ),
    "tangle": TroubleCause(
        {
            "sudden": OFTEN,
            "snapped": OFTEN,
            "nothing": SOMETIMES,
            "skips": SOMETIMES,
            "gaps": SOMETIMES,
        },
        act="other_spool",
    ),
    "soft_filament": TroubleCause(
        {
            "skips": OFTEN,
            "nothing": OFTEN,
            "gaps": SOMETIMES,
            "sudden": SOMETIMES,
        },
    ),
    "gears_dirty": TroubleCause(
        {"skips": OFTEN, "nothing": SOMETIMES, "sudden": SOMETIMES, "gaps": SOMETIMES},
        act="service",
        work="gears",
    ),
    "gears_worn": TroubleCause(
        {"skips": OFTEN, "sudden": OFTEN, "gaps": OFTEN, "nothing": OFTEN, "rough": SOMETIMES},
        act="replace",
        role="gears",
    ),
    "residue": TroubleCause(
        {
            "skips": OFTEN,
            "sudden": OFTEN,
            "gaps": OFTEN,
            "nothing": OFTEN,
            "blobs": SOMETIMES,
            "rough": SOMETIMES,
        },
        act="service",
        work="hot_end",
    ),
    "hot_end_fan": TroubleCause(
        {"nothing": OFTEN, "sudden": OFTEN, "skips": SOMETIMES},
        act="replace",
        role="hot_end_fan",
    ),
    "nozzle_worn": TroubleCause(
        {
            "rough": OFTEN,
            "strings": SOMETIMES,
            "blobs": SOMETIMES,
            "first_layer": SOMETIMES,
            "gaps": SOMETIMES,
        },
        act="replace",
        role="nozzle",
    ),
    "liner": TroubleCause(
        {
            "skips": SOMETIMES,
            "sudden": SOMETIMES,
            "gaps": OFTEN,
            "nothing": SOMETIMES,
            "strings": SOMETIMES,
        },
        act="replace",
        role="liner",
    ),
    "surface": TroubleCause(
        {"first_layer": TELLING, "corners": OFTEN},
        act="service",
        work="surface",
    ),
    "nature": TroubleCause(
        {
            "strings": OFTEN,
            "blobs": OFTEN,
            "corners": OFTEN,
            "first_layer": SOMETIMES,
            "gaps": SOMETIMES,
            "rough": SOMETIMES,
        },
    ),
}

# Causes outside the consumables, by sign: named so that nobody swaps parts for a settings fault.
# Common practice, no source.
OUTSIDE = {
    "strings": ["short_retraction", "hot_nozzle", "no_z_lift"],
    "pops": ["far_too_hot_nozzle"],
    "gaps": ["cold_for_speed", "much_cooling", "low_flow"],
    "skips": ["faster_than_melt", "cold_nozzle", "low_first_layer"],
    "sudden": ["failed_fan", "loose_cable", "draught"],
    "rough": ["cold_or_fast", "vibration"],
    "blobs": ["seam", "hot_nozzle"],
    "first_layer": ["bed_gap", "cold_bed", "fast_first_layer"],
    "corners": ["cold_bed", "draught", "no_enclosure", "much_cooling", "small_foot"],
    "snapped": ["sharp_bend", "old_filament", "idler_too_tight"],
    "nothing": ["nozzle_on_bed", "end_of_filament", "cold_nozzle", "idler_too_loose"],
}

# Habits of polymers even when dry and well set up, by the first letters of their name. Common practice,
# no source.
NATURE = {
    "PETG": {"strings": "strings", "blobs": "drops"},
    "PCTG": {"strings": "strings", "blobs": "drops"},
    "TPU": {"strings": "soft_strings"},
    "PVA": {"strings": "strings", "blobs": "chars"},
    "BVOH": {"strings": "strings", "blobs": "chars"},
    "PPA": {"first_layer": "lifts", "corners": "lifts"},
    "PP": {"first_layer": "sticks_to_pp", "corners": "lifts"},
    "PA": {"first_layer": "lifts", "corners": "lifts"},
    "ABS": {"gaps": "splits_in_draught", "first_layer": "lifts", "corners": "lifts"},
    "ASA": {"gaps": "splits_in_draught", "first_layer": "lifts", "corners": "lifts"},
    "PC": {"gaps": "splits_in_cold", "first_layer": "lifts", "corners": "lifts"},
    "POM": {"first_layer": "sticks_to_little", "corners": "sticks_to_little"},
}
