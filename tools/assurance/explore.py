"""Breadth first over the real core, from power-up, until no state is new.

A transition is one wake of the real `wakecore` under the project's driver. Two nodes are
one if their projections (see `projection`) are. Safety is judged by `monitor` at each
transition; liveness afterwards, over every state found.
"""

from __future__ import annotations

import time
from array import array
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

from assurance.corners import Corner
from assurance.letters import Letter
from assurance.monitor import Memory, Monitor, Owed, Violation
from assurance.projection import Projection
from assurance.world import AT, CornerPot, Happened, Node, Numbers, start
from wakecore import rules
from wakecore.state import State
from wakecore.wake import MOST_TRIES

TELL_S = 300.0  # of the processor, between two words of a long search
MOST_CURE = 400  # wakes in which a cured pot must be watered, whatever the settings
# A healthy pot: dry soil, a full tank, a full cell, no charger; and what a person does to a lockout
HEALTHY = Letter(level="filled")
WOKEN = replace(HEALTHY, begin="cold")
PRESSED = replace(HEALTHY, begin="held through")
CABLED = replace(HEALTHY, begin="cable")
WATERED = replace(HEALTHY, soil="wet")  # by hand, so that the probe shows it


def unsure(kept: Owed, numbers: Numbers) -> Owed:
    """What is owed where the end of a pulse may be lost: the tank may hold anything below the
    level that the pot compares with, so that one high reading shows no refill (R8)."""
    known = numbers[AT["look_ml"]] >= 0
    return kept._replace(seen_ml=0 if known else -1, falls=0, high_ml=-1, looks=2)


@dataclass
class BrokenPath:
    """A violation and the letters that lead to it, from power-up."""

    corner: Corner
    rule: str
    why: str
    expected: dict[str, Any]
    path: list[Letter]


@dataclass
class Result:
    """What one search came to."""

    corner: Corner
    letters: int = 0
    states: int = 0
    transitions: int = 0
    pulses: int = 0
    depth: int = 0
    frontier: int = 0  # states not yet left when the search stopped; 0: explored to its end
    seconds: float = 0.0
    longest_cure: int = 0  # wakes until a cured pot was watered
    cures: int = 0  # wakes played for it
    found: list[BrokenPath] = field(default_factory=list)
    lockouts: Counter[str] = field(default_factory=Counter)

    @property
    def line(self) -> str:
        """In one line."""
        end = "frontier empty" if not self.frontier else f"frontier {self.frontier}, not at its end"
        return (
            f"{self.corner.name:12} {self.letters:5} letters {self.states:8} states "
            f"{self.transitions:9} transitions {self.pulses:8} pulses  depth {self.depth:3}  "
            f"cured within {self.longest_cure} wakes  {len(self.found)} violations  {end}"
        )


class Search:
    """One corner's search."""

    def __init__(self, corner: Corner, quick: bool = False) -> None:
        self.corner = corner
        self.bench = CornerPot(corner)
        self.monitor = Monitor(self.bench)
        self.project = Projection(self.bench)
        self.alphabet = corner.letters(quick)
        places = {letter: place for place, letter in enumerate(self.alphabet)}
        # Where the letter stands that differs only in what happens in a run
        self.calm = [places.get(replace(letter, run="flows"), -1) for letter in self.alphabet]

    def root(self) -> Node:
        """Power-up."""
        return self.normal(start(self.corner)._replace(memory=Memory()))

    def normal(self, node: Node) -> Node:
        """The node that stands for this one."""
        numbers, status, asleep, slept_s, tank_ml, memory = node
        project = self.project
        numbers = project(numbers, tank_ml)
        memory = project.memory(memory, numbers)
        return Node(numbers, status, asleep, project.sleep(slept_s), tank_ml, memory)

    def step(self, node: Node, letter: Letter) -> tuple[Happened, Node] | None:
        """One wake and where it ends, not yet projected; None if it cannot be. Raises Violation."""
        happened = self.bench.wake(node, letter)
        if happened is None:
            return None
        before = self.monitor.before(node, letter, happened)
        after = self.monitor.after(node, letter, happened, before)
        return happened, self.next(node, letter, happened, before, after)

    def next(
        self, node: Node, letter: Letter, happened: Happened, before: Memory, after: Memory
    ) -> Node:
        """Where a wake ends: what storage will give back, and what is remembered with it."""
        truth = after.truth
        slept_s = happened.sleep[0] if happened.sleep else 0
        asleep = happened.sleep is not None
        how = letter.store
        # The states in storage, the newest first, each with what was owed when it was written
        stored = [] if node.status == "lost" else [(node.numbers, node.memory.kept)]
        if happened.begun is not None:
            # What a run taught is lost with the end of it; nothing is left to compare levels with
            cut = after.kept if happened.reset else before.kept
            stored.insert(0, (happened.begun, unsure(cut, happened.begun)))
        if happened.ended is not None and happened.ended is not happened.begun:
            stored.insert(0, (happened.ended, after.kept))
        status = node.status if happened.ended is None else "good"
        if how == "slots damaged":
            stored.clear()
        elif how == "slot damaged":
            stored.pop(0)
            status = "previous"
        if not stored:
            fresh = tuple(State().numbers())
            return Node(fresh, "lost", asleep, slept_s, happened.tank_ml, Memory(Owed(), truth))
        numbers, kept = stored[0]
        if status == "previous":
            kept = unsure(kept, numbers)
        return Node(numbers, status, asleep, slept_s, happened.tank_ml, Memory(kept, truth))

    def run(
        self,
        most_states: int = 1 << 40,
        most_found: int = 1,
        seconds: float = 1e9,
        told: Callable[[str], None] = lambda text: None,
    ) -> Result:
        """Search to the end, or until so many states, violations or seconds of the processor.

        told: is given a line now and then while it lasts.
        """
        result = Result(self.corner, letters=len(self.alphabet))
        begun = time.process_time()
        tell_s = begun + TELL_S
        root = self.root()
        seen = {root}
        self.order = [root]
        self.parents, self.by = array("l", [-1]), array("l", [-1])
        depth_end, at = 1, 0
        rules_found: set[str] = set()
        while at < len(self.order):
            if at == depth_end:
                result.depth += 1
                depth_end = len(self.order)
            now = time.process_time()
            if len(self.order) > most_states or now - begun > seconds:
                result.frontier = len(self.order) - at
                break
            if now > tell_s:
                tell_s += TELL_S
                states = f"{len(self.order)} states, {len(self.order) - at} not yet left"
                told(f"  {self.corner.name}: {states}")
            node = self.order[at]
            ran: set[int] = {-1}
            for which, letter in enumerate(self.alphabet):
                # What happens in a run says nothing new where the calm letter makes none
                calm = self.calm[which]
                if calm != which and calm not in ran:
                    continue
                try:
                    done = self.step(node, letter)
                except Violation as wrong:
                    result.transitions += 1
                    ran.add(which)
                    if wrong.why not in rules_found:
                        rules_found.add(wrong.why)
                        path = [*self.path(at), letter]
                        result.found.append(
                            BrokenPath(self.corner, wrong.rule, wrong.why, wrong.expected, path)
                        )
                        if len(result.found) >= most_found:
                            result.frontier = len(self.order) - at
                            at = len(self.order)
                            break
                    continue
                if done is None:
                    continue
                happened, after = done
                result.transitions += 1
                pumped = "on" in happened.commands
                result.pulses += pumped
                if pumped:
                    ran.add(which)
                for one in (after, self.project.past_trial(after)):
                    if one is None:
                        continue
                    made = self.normal(one)
                    if made not in seen:
                        seen.add(made)
                        self.order.append(made)
                        self.parents.append(at)
                        self.by.append(which)
            at += 1
        result.states = len(self.order)
        for node in self.order:
            for name, bit in rules.BITS.items():
                if node.numbers[AT["lockouts"]] & bit:
                    result.lockouts[name] += 1
        if self.corner.waters and not result.found:
            self.live(result)
        result.seconds = time.process_time() - begun
        return result

    # Liveness

    def cure(self, node: Node) -> Letter:
        """What a fair world and the right person do next for a pot in that state."""
        lockouts = node.numbers[AT["lockouts"]]
        silent, tries = lockouts & rules.SILENT_BIT, node.numbers[AT["tries"]]
        if lockouts & rules.CABLE_BITS or (silent and tries >= MOST_TRIES):
            return CABLED
        confirm = lockouts & rules.BITS["battery low"] and self.monitor.unsensed
        pressed, tried_ppt = lockouts & rules.BUTTON_BITS, node.numbers[AT["tried_ppt"]]
        letter = HEALTHY
        if silent and tried_ppt >= 0:  # a press did not help (R18)
            pressed -= rules.SILENT_BIT
            least_ppt = self.bench.pot.settings.response_ppt
            if tried_ppt + least_ppt <= self.corner.wet_ppt:
                letter = WATERED
        if (pressed or confirm) and not node.numbers[AT["button_masked"]]:
            return PRESSED
        return letter if node.asleep else replace(letter, begin=WOKEN.begin)

    def live(self, result: Result) -> None:
        """From every state found: cured, a pot in dry soil is watered again, without a cycle.

        The cure is one letter for each state, so the wakes after it are one chain; fair means
        no more than that each is given. A chain that comes back to itself never waters.
        """
        wakes: dict[Node, int] = {}
        for at, begin in enumerate(self.order):
            chain: list[Node] = []
            on_it: set[Node] = set()
            node, more = begin, 0
            while node not in wakes:
                if node in on_it or len(chain) > MOST_CURE:
                    path = [*self.path(at), *(self.cure(one) for one in chain)]
                    why = "a cured pot in dry soil is never watered"
                    result.found.append(BrokenPath(self.corner, "R5", why, {"pump": True}, path))
                    return
                chain.append(node)
                on_it.add(node)
                letter = self.cure(node)
                try:
                    done = self.step(node, letter)
                except Violation as wrong:
                    path = [*self.path(at), *(self.cure(one) for one in chain)]
                    result.found.append(
                        BrokenPath(self.corner, wrong.rule, wrong.why, wrong.expected, path)
                    )
                    return
                assert done is not None, f"{letter} cannot follow"
                result.cures += 1
                if "on" in done[0].commands:
                    more = 0
                    break
                node = self.normal(done[1])
            else:
                more = wakes[node]
            for one in reversed(chain):
                more += 1
                wakes[one] = more
        result.longest_cure = max(wakes.values(), default=0)

    def path(self, at: int) -> list[Letter]:
        """The letters from power-up to that state: a shortest way, by breadth."""
        steps = []
        while at > 0:
            steps.append(self.alphabet[self.by[at]])
            at = self.parents[at]
        return steps[::-1]
