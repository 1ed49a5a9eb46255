"""The physics of moisture in wound filament: numpy and scipy only, SI units, durations and never "now".

air         saturation pressure, vapour density, what heating does to the humidity
isotherm    how much water a polymer holds at a relative humidity
filament    one filament in air: the series for a long cylinder, and its short memory
winding     a spool: vapour in the pores between the turns, water in the turns, heat
desiccant   what silica gel and its like hold, and what regenerating leaves
drybox      the balance of a box: leak, desiccant, spools; days until a limit
drying      hours to a target, the floor, and how long a dried spool stays good
ensemble    what is not known, drawn once per spool
scenario    the simulate command's input and output
"""
