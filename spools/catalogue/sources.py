"""Matches rows of the reference files with the numbers of polymers that they support."""

import csv
import re
from collections.abc import Iterator
from pathlib import Path

from spools.catalogue.values import LIMIT_BASIS

NO_SOURCE = "common practice, no source"

# The subjects of rows that count for a polymer, beside its own name; those of filled grades do.
POLYAMIDES = ["PA", "polyamides", "PA natural"]
ALIASES = {
    "PLA": ["PLA 4 % D", "2 % D", "PLA 4043-type", "PLA amorphous"],
    "PLA crystallised": ["PLA crystallised + talc", "PLA crystalline pellets", "crystalline grade"],
    "PETG": ["PETG family", "PETG-type copolyester", "PETG-CF"],
    "PET": ["PET amorphous", "amorphous PET", "PET bottle", "PET-CF", "PET-CF/GF"],
    "ABS": ["ABS high heat", "ABS high impact", "MABS"],
    "ASA": ["ASA-GF"],
    "HIPS": ["PS", "PPE/HIPS"],
    "PC-ABS": ["ABS/PC", "PC blends"],
    "PA6": [
        *POLYAMIDES,
        *["Nylon", "nylon", "Nylon filament", "PA6 filament", "PA6 GAB fit", "PA6/PA66", "PA-CF", "PA-CF/GF"],
        *["PA6-CF", "PA6-CF20", "PA6-CF30", "PA6-GF", "PA6-GF25"],
    ],
    "PA66": [*POLYAMIDES, "PA66 fibre", "PA66-GF", "PA6/PA66"],
    "PA6/66": [*POLYAMIDES, "PA6/66 copolymer", "PA66/6 copolymer"],
    "PA12": ["PA12-CF"],
    "PPA": ["PPA-CF", "PA-CF high-temp", "high-temperature PA", "high-temperature blend"],
    "TPU 85A": [
        *["TPU", "TPU soft", "TPU <=85A", "TPU shore A", "TPU 60A-80A"],
        *["TPU 60A-98A printed", "TPU 85A-98A", "85A-98A"],
    ],
    "TPU 95A": [
        *["TPU", "TPU 90A", "TPU 90A-95A", "TPU shore A"],
        *["TPU 60A-98A printed", "TPU 85A-98A", "85A-98A"],
    ],
    "TPU 55D": ["TPU", "TPU >=55D", "TPU 50D", "TPU shore D", "60D-71D"],
    "PP": ["PP homopolymer", "PP copolymer", "PP-CF"],
}
# Crystallinity makes no difference to the isotherm of PLA (sorption_values.csv), so it borrows these.
SORPTION_ALIASES = {"PLA crystallised": ["PLA"]}

# The fields that a quantity supports, by the first pattern that its beginning fits. () is background.
FIELDS: list[tuple[str, tuple[str, ...]]] = [
    (r"T_spool|term|standard", ()),
    (r"(recommended )?density", ("density_g_cm3",)),
    (r"Tg and Tm", ("tg_c", "tm_c")),
    (r"(water effect on Tg|Vicat|HDT|deflection temp|softening)", ("softening_c",)),
    (r"(recommended )?Tg", ("tg_c",)),
    (r"(recommended )?Tm", ("tm_c",)),
    (r"(recommended flow point|melting of hard segments)", ("flow_c",)),
    (
        r"(T_polymer cap|T_cap|margin justification|maximum hopper|storage limit|pellet sticking)",
        ("dry_cap_c",),
    ),
    (r"(over-drying|yellowing|oxidation|oxygen-sensitive|air heat budget|compression set)", ("dry_cap_c",)),
    (r"default drying set-point", ("dry_set_c",)),
    (r"default drying time", ("dry_hours",)),
    (r"(pellet|filament|flake) drying", ("dry_set_c", "dry_hours")),
    (
        r"(recommended moisture|equilibrium moisture|moisture 2[03]/|moisture swing|working moisture)",
        ("w50_pct",),
    ),
    (r"(isotherm slope|rule: matrix|moisture out of the bag)", ("w50_pct",)),
    (r"(recommended )?(isotherm|wm ; C ; k)", ("isotherm",)),
    (r"((recommended )?saturation|moisture at 9|water absorption|hydrophobic limit)", ("saturation_pct",)),
    (r"(recommended E_D|E_D)", ("e_d_kj_mol",)),
    (r"(D |D$|time to (80 %|saturation)|exposure time|drying kinetics)", ("d23_m2_s",)),
    (
        r"(max moisture|recommended melt limit|target dryness|supplied moisture ; limit)",
        ("moulding_limit_pct",),
    ),
    (r"(print-quality threshold|strength loss)", ("limit_clear_pct", "limit_hold_pct")),
    (r"nozzle / bed", ("nozzle_min_c", "bed_min_c")),
    (r"nozzle", ("nozzle_min_c",)),
]
# Numbers that need a source, in the order of the polymers' file; bands and ranges go with them.
SOURCED = [
    *["density_g_cm3", "tg_c", "tm_c", "flow_c", "softening_c", "dry_cap_c", "dry_set_c", "dry_hours"],
    *["w50_pct", "isotherm", "saturation_pct", "d23_m2_s", "e_d_kj_mol", "limit_clear_pct", "limit_hold_pct"],
    *["moulding_limit_pct", "nozzle_min_c", "bed_min_c"],
]
UNTIL = {"nozzle_min_c": "nozzle_max_c", "bed_min_c": "bed_max_c"}


def read_rows(path: Path) -> list[dict[str, str]]:
    """The rows of a CSV file with a header, as text."""
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def match_sources(polymers: list[dict[str, str]], reference: Path) -> Iterator[dict[str, str]]:
    """The values of all Source rows of polymers, given as rows of polymers.csv; "polymer" is its name."""
    backed = set()
    for file in ("sorption_values.csv", "thermal_values.csv"):
        aliases = {row["polymer"]: _aliases(row["polymer"], file) for row in polymers}
        for row in read_rows(reference / file):
            fields, names = _fields(row["quantity"]), _names(row["polymer"])
            if "all" in names and fields != ("",):
                names.update(aliases)
            for polymer in (
                name for name, names_of_polymer in aliases.items() if not names.isdisjoint(names_of_polymer)
            ):
                for field in fields:
                    backed.add((polymer, field))
                    values = {key: row[key] for key in row if key != "doi_or_number"}
                    yield values | {
                        "polymer": polymer,
                        "subject": row["polymer"],
                        "field": field,
                        "number": row["doi_or_number"],
                    }
    for row in polymers:
        for field in SOURCED:
            limit = field in ("limit_clear_pct", "limit_hold_pct") and row["limit_basis"] != "measured"
            if row[field] and (limit or (row["polymer"], field) not in backed):
                yield _no_source_row(row, field)


def _aliases(polymer: str, file: str) -> set[str]:
    borrowed = SORPTION_ALIASES.get(polymer, ()) if file == "sorption_values.csv" else ()
    return {polymer, *ALIASES.get(polymer, ()), *borrowed}


def _names(subject: str) -> set[str]:
    """The materials that a row is about: without what is in brackets, parted at slashes and commas."""
    return set(re.split(r" / |, | or | and ", re.sub(r"\s*\(.*?\)", "", subject)))


def _fields(quantity: str) -> tuple[str, ...]:
    for pattern, fields in FIELDS:
        if re.match(pattern, quantity):
            return fields or ("",)
    return ("",)


def _no_source_row(polymer: dict[str, str], field: str) -> dict[str, str]:
    """A row which states that no published source supports a number."""
    analogy = "analogy" in polymer["limit_basis"] and field.startswith("limit")
    grade = polymer["grade_rate"] if field in ("d23_m2_s", "e_d_kj_mol") else ""
    grade = polymer["grade_uptake"] if field in ("w50_pct", "isotherm", "saturation_pct") else grade
    if field.startswith("limit"):
        grade = LIMIT_BASIS[polymer["limit_basis"]][0]
    until = UNTIL.get(field)
    return {
        "polymer": polymer["polymer"],
        "subject": polymer["polymer"],
        "field": field,
        "quantity": "default of the catalogue",
        "value": polymer[field] + (f" to {polymer[until]}" if until else ""),
        "source": LIMIT_BASIS["analogy PA6"][1] if analogy else NO_SOURCE,
        "how": "analogy" if analogy or grade == "C" else "memory",
        "notes": f"Grade {grade or 'D'}. Your own data sheet or experience comes first.",
    }
