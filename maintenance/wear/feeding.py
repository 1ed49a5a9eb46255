"""Filament that a drive pushes through a tube."""

# Elastomers, by the first letters of their name: a long tube lets them spring and buckle. Common practice, no source.
SOFT = ("TPU", "TPE", "TPC", "PEBA")


def is_soft(polymer: str) -> bool:
    """Is it an elastomer, which buckles when it is pushed?"""
    return polymer.startswith(SOFT)
