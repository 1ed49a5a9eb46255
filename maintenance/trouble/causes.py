"""The data of trouble: signs, consumable causes with the signs they are typical of, and other causes.

A new cause is an entry of CAUSES, a rule in ``rules.py`` and a value of ``TroubleOutcome.Cause``.
"""

from collections.abc import Mapping
from dataclasses import dataclass

# Log-odds (natural): how typical a sign is of a cause. Common practice, no source.
TELLING, OFTEN, SOMETIMES, HARDLY = 2.5, 1.5, 0.5, -1.5

# Signs that a person can see on a print.
SYMPTOMS = {
    "strings": "fine strings between parts",
    "pops": "popping, steam or bubbles",
    "gaps": "gaps, thin lines or weak layers",
    "skips": "the drive skips, clicks or grinds",
    "sudden": "a sudden change in the middle",
    "rough": "a rough or matt surface",
    "blobs": "blobs, dark specks or drops",
    "first_layer": "a poor first layer",
}


@dataclass(frozen=True)
class TroubleCause:
    """A consumable cause: its signs with their log-odds, the quickest test for it, and the remedy.

    act: where the remedy is recorded: "dry", "replace", "service", "other_spool" or "".
    role, work: of the part to replace, of the service to do.
    """

    signs: Mapping[str, float]
    test: str
    remedy: str
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
        },
        "Push 20 cm by hand or by the menu into the air: a foamy strand, hissing or steam means wet. "
        "A dry one comes out clear and smooth.",
        "Dry it, then print the same part again.",
        act="dry",
    ),
    "leftover": TroubleCause(
        {"sudden": SOMETIMES, "skips": SOMETIMES, "gaps": SOMETIMES, "rough": SOMETIMES, "blobs": OFTEN},
        "Push 20 cm into the air at the old material's temperature: streaks or lumps of another colour.",
        "Purge at the old material's temperature until the strand is of one colour.",
    ),
    "tangle": TroubleCause(
        {"sudden": OFTEN, "skips": SOMETIMES, "gaps": SOMETIMES},
        "Pull a metre off by hand where it stopped: it must run freely, without crossed or hooked turns.",
        "Unwind to the crossing and free it, or take another spool.",
        act="other_spool",
    ),
    "gears_dirty": TroubleCause(
        {"skips": OFTEN, "sudden": SOMETIMES, "gaps": SOMETIMES},
        "Look at the teeth with a lamp: plastic between them, dust below them.",
        "Brush the teeth clean with the machine off.",
        act="service",
        work="gears",
    ),
    "gears_worn": TroubleCause(
        {"skips": OFTEN, "sudden": OFTEN, "gaps": OFTEN, "rough": SOMETIMES},
        "Hold the filament back by hand while it feeds slowly: sound teeth pull on, worn ones slip and shave "
        "it. Rounded tips show under a lamp.",
        "Replace the drive gears by hardened ones and record the old ones as worn.",
        act="replace",
        role="gears",
    ),
    "residue": TroubleCause(
        {
            "skips": OFTEN,
            "sudden": OFTEN,
            "gaps": OFTEN,
            "blobs": SOMETIMES,
            "rough": SOMETIMES,
        },
        "Push slowly into the air: a strand that curls to one side or comes in pulses is half blocked. "
        "A cold pull shows the specks.",
        "Clean the hot end with a cold pull and record it.",
        act="service",
        work="hot_end",
    ),
    "nozzle_worn": TroubleCause(
        {
            "rough": OFTEN,
            "strings": SOMETIMES,
            "blobs": SOMETIMES,
            "first_layer": SOMETIMES,
            "gaps": SOMETIMES,
        },
        "Look at the tip through a lens: an oval or wide bore, a flat that is worn away. A drill shank or "
        "pin gauge of the next size must not enter it.",
        "Replace the nozzle and record the old one as worn.",
        act="replace",
        role="nozzle",
    ),
    "liner": TroubleCause(
        {"skips": SOMETIMES, "sudden": SOMETIMES, "gaps": OFTEN, "strings": SOMETIMES},
        "Take the cold hot end apart and look at the liner's lower end: brown, soft, or wide.",
        "Replace the liner.",
        act="replace",
        role="liner",
    ),
    "surface": TroubleCause(
        {"first_layer": TELLING},
        "Wash it with hot water and soap, dry it, and print one layer where it failed.",
        "Wash it; where that does not help, roughen or replace the surface.",
        act="service",
        work="surface",
    ),
    "nature": TroubleCause(
        {"strings": OFTEN, "blobs": OFTEN, "first_layer": SOMETIMES, "gaps": SOMETIMES, "rough": SOMETIMES},
        "Print the same part with a dry spool of another polymer and its own settings: the sign stays away.",
        "Nothing is broken: tune temperature, speed and retraction for it.",
    ),
}

# Causes outside the consumables, by sign: named so that nobody swaps parts for a settings fault.
# Common practice, no source.
OUTSIDE = {
    "strings": ["retraction too short or too slow", "nozzle too hot", "no z-lift or slow travel moves"],
    "pops": ["nozzle far too hot for this polymer"],
    "gaps": ["nozzle too cold for the speed", "too much cooling", "flow or filament diameter set too low"],
    "skips": [
        "faster than the hot end melts",
        "nozzle too cold",
        "first layer so low that nothing comes out",
    ],
    "sudden": ["a fan or heater that failed", "a cable or belt that came loose", "a draught"],
    "rough": ["nozzle too cold or too fast", "vibration, a loose belt or screw"],
    "blobs": ["seam, pressure or retraction settings", "nozzle too hot"],
    "first_layer": ["gap to the bed", "bed too cold or not level", "first layer too fast"],
}

# Habits of polymers even when dry and well set up, by the first letters of their name. Common practice,
# no source.
NATURE = {
    "PETG": {"strings": "pulls strings easily", "blobs": "clings to the nozzle and drops off as blobs"},
    "PCTG": {"strings": "pulls strings easily", "blobs": "clings to the nozzle and drops off as blobs"},
    "TPU": {"strings": "is soft and pulls strings"},
    "PVA": {"strings": "pulls strings easily", "blobs": "chars quickly when it stands in the heat"},
    "BVOH": {"strings": "pulls strings easily", "blobs": "chars quickly when it stands in the heat"},
    "PPA": {"first_layer": "shrinks and lifts at the corners"},
    "PP": {"first_layer": "sticks to little else than PP"},
    "PA": {"first_layer": "shrinks and lifts at the corners"},
    "ABS": {"gaps": "splits between layers in a draught", "first_layer": "shrinks and lifts at the corners"},
    "ASA": {"gaps": "splits between layers in a draught", "first_layer": "shrinks and lifts at the corners"},
    "PC": {"gaps": "splits between layers in a cold room", "first_layer": "shrinks and lifts at the corners"},
    "POM": {"first_layer": "sticks to very little and shrinks"},
}
