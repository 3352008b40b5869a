"""Whose boot this is: the radio's, if the wake before it left a report to be made, or a wake's.

A boot of the radio loads nothing of the core that decides, so that TLS has the memory it needs.
Before a wake with nothing under way a staged version is put in force, and that wake is its first.
"""

import chip
import loader
from wakeboard.kept import NEXT_MS, ROOT, Kept

IN_FORCE, TAKEN_BACK = "version in force", "version taken back"  # as a record's `host` says it


def run(version: str, boots: int) -> None:
    """This boot, to its sleep. Never returns."""
    kept = Kept()
    if kept.due is not None:
        due, kept.due = kept.due, None
        kept.save()  # removed first, so that it is tried only once
        if chip.cause() == "timer":
            on_air(version, due)
    came, staged = "", loader.read(loader.STAGED)
    trial = loader.read(loader.TRIAL).partition(" ")[0]
    if trial and trial != staged:  # else the power failed before its last rename
        came = tried(version)
    elif not boots and chip.cause() == "timer" and staged:
        switch(version, kept)
    from wakeboard.board import Board

    Board(version, boots, came).wake()


def tried(version: str) -> str:
    """What the record of this wake says of a trial: of its first wake, or the first after it."""
    trial = loader.on_trial(version)
    if trial:
        return IN_FORCE if trial[1] < 0 else ""
    from wakeboard import staging

    staging.clean_up(ROOT)
    return TAKEN_BACK


def switch(version: str, kept: Kept) -> None:
    """Put the staged version in force, if nothing is under way: no dose, no look after it, no
    pulse left open. Then it never returns."""
    from wakeboard.store import PotFiles
    from wakecore.state import IDLE

    state, how = PotFiles(ROOT).load_state(kept.hint)
    if how != "good" or state.phase != IDLE or state.open_ms:
        return
    from wakeboard import ordered, staging
    from wakeboard.sent import Sent

    utc = ordered.utc_for(kept)
    try:
        place = staging.Staging(Sent())
        gone = place.put_in_force(version, utc, state.wakes, staging.trial_wakes(ROOT))
    except OSError as error:
        print("wakewell: not put in force: %r" % error)
        return
    if gone:
        loader.pump_off(True)
        chip.sleep(NEXT_MS)


def on_air(version: str, due: "tuple[int, int, int, int, int]") -> None:
    """The radio's boot. Where memory is short it sleeps all the same, for as long as it was to;
    the next wake knows of a report that nobody heard."""
    error = None
    try:
        from wakeboard.onair import OnAir

        OnAir(version, due).run()
    except MemoryError as why:
        error = why
    loader.twice(loader.finish_boot, version)
    loader.note(error)
    loader.twice(loader.twice(Kept).sleep_on, due[1], due[2])
