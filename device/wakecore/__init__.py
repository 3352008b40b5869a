"""wakecore: what a planter decides in one wake, and nothing else.

Values come in, commands go out. Nothing here touches a pin, a file, a clock or
a radio; nothing here uses a float. Read it in this order:

    number   whole-number arithmetic, small and big
    table    a calibration table: counts to a quantity and back
    fields   settings, hard limits and calibration: names, ranges, defaults
    state    what a pot remembers while it sleeps, and the last 24 hours' water
    judge    which readings may be believed, and the facts of this wake
    rules    permissives, lockouts and needs, as lists
    plan     how much water, and what the pot taught us
    run      one pulse: the trips, watched sample by sample
    flowmeter  what a flow meter adds to it, where one is fitted
    line     one line of JSON with a CRC
    command  what a wake asks of the board
    wake     the story of one wake, from first to last

Each name has its type; those of readings, records and rows are in typed.pyi.
"""

VERSION = 1
