"""The physics of moisture in wound filament: numpy and scipy only, SI units, durations and never "now".

air         saturation pressure, vapour density, humidity after heating
isotherm    water content of a polymer at a relative humidity
surroundings  air over time, joined along straight lines
filament    one filament in air: the series for a long cylinder, and its short memory
geometry    radii and masses of a winding
winding     a spool: vapour in the pores between the turns, water in the turns, heat
transport   vapour, heat and the response of the filament in a winding, compiled
step        one step of a winding, compiled
stepping    the solver of a winding, compiled
forecasting the solver look by look, until a forecast is decided
state       the stored state of a winding
softening   the glass transition of a wet polymer
oxidation   the heat budget of polyamides
desiccant   loading of silica gel and its like, and the residual after regenerating
sorbers     spools in a dry box as a few relaxing contents
drybox      the balance of a box: leak, desiccant, spools; days until a limit
drying      hours to a target, the floor, how long a dried spool stays good
ensemble    uncertain numbers, drawn once per spool
evidence    weighings assimilated into the ensemble
scenario    the simulate command's input and output
kernels     compiling and its cache
"""
