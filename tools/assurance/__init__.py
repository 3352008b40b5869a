"""Assurance: the protections are searched, interrupted, fuzzed and mutated, on the real core.

    letters    what one wake may bring: every class of reading, fault and person
    corners    the pots that are searched, each with its letters
    world      one wake of the real core, from a node of the search to the next
    monitor    what must hold (R1 to R18), judged from what really happened
    explore    breadth first from power-up until the frontier is empty; liveness after it
    tell       a path of the search as a sequence file
    nth        fail or cut at the n-th board call, file operation, block write, allocation
    adversary  whole lives of a pot, chosen against it; a failure shrinks to a sequence file
    rigged     the same with the rig as the pot: physics, weather, faults, an owner
    generated  a hundred thousand wakes for both interpreters
    fuzz       everything that reads bytes
    mutate     every line of the core changed, and whether anything notices
    mutate_host  the same for the host's modules that judge, advise, forecast or read
    damaged    what lies in flash, damaged or half written
    pairs      every two conditions over some weeks of a small pot, judged by what was promised
    breaks     behaviour of the device changed by hand, and what notices it from outside
    recorded   the last run of each part, kept for the note and for going on
    note       the safety note, made from the tables and the last run

`tools/assure.py` runs them.
"""
