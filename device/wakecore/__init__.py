"""wakecore: what a planter decides in one wake, and nothing else.

Values come in, commands go out. Nothing here touches a pin, a file, a clock or
a radio; nothing here uses a float.

To understand it, read in this order. Only the first six are needed:

    command    what a wake may ask of the board: read, pump, store, sleep
    wake       `wake()` is one wake from first to last; the rest of the file are its steps
    rules      permissives (must hold before the pump starts), lockouts and needs, as lists
    judge      which readings are believed, and the facts of this wake that the rules look at
    plan       how much water, and how long the next pulse is
    run        one pulse: the trips that stop it, watched sample by sample
    tank       what the level says with the pump off: refill, leak, a pump that moves no water
    state      what a pot remembers while it sleeps, and the last 24 hours' water
    fields     settings, hard limits and calibration: names, ranges, defaults
    flowmeter  what a flow meter adds to a pulse, where one is fitted
    table      a calibration table: counts to a quantity and back
    number     whole-number arithmetic, small and big
    line       one line of JSON with a CRC
    asserted   what must hold of a stored state; for tests, not on a chip

Where to look:

    what stops a running pump    run.TRIPS names it, run.rows_of says at which value
    what a trip leads to         run.TRIPS, last column; wake.end_pulse latches it
    what keeps it from starting  rules.judge_permissives
    whether a dose is due        plan.demand
    how long a pulse is          plan.pulse_ms cuts it before it starts, run.Run.step ends it
    what a press does            wake.look_at_button; how much it gives: plan.demand
    how a lockout ends           rules.LOCKOUTS says who ends it
      battery low, by itself     wake.look_at_battery
      by the owner's button      wake.clear_by_press
      by the maker's cable       wake.look_at_files
    what a person is asked for   rules.need_bits
      water by hand              wake.look_at_thirst counts, rules.THIRSTY is the bound
    when the radio is used       wake.is_to_report
    how long it sleeps           wake.sleep_time
    water of the last 24 hours   tank.book_pulse counts a pulse, state.deliver keeps it

A function called is_ asks and changes nothing. look_at_ books what a reading or the board
says, note_ and end_ change the state. A value called _before is from before this wake.

R1 to R18 are the requirements: see CORE.md. Each name has its type; those of readings,
records and rows are in typed.pyi.
"""

VERSION = 1
