"""How true is a fitted twin? Rig pots with drawn truths: 60 days of log, then 60 days to come.

    python tools/tuned.py [--pots 200] [--first 0] [--draws 20] [--rows FILE]
    python tools/tuned.py --propose [--could] [--pots 200] [--first 0] [--rows FILE]
    python tools/tuned.py --ranks [--pots 100] [--first 0] [--rows FILE]

Each pot's truth is drawn about what its folder says (plant, soil, probe, tank, pump, currents,
season, place, people, faults); the twin sees the folder and the log alone, and the weather as a
station near the pot would tell it. Then 60 days follow under the same settings, and under others.
For each quantity: error of the middle, and how often the 90 % interval holds, by class of pot. A
count may be the same in most draws, and then an interval holds more than nine in ten however right:
so also how often the truth ranks among the middle nine tenths of the draws, ties broken by chance
(as Czado, Gneiting, Held 2009, Biometrics 65, 1254, do for counts; from memory).
--propose: the pots begin with the settings that ship as defaults. The true pot lives on under
them, and under what is recommended from its log: is it better off, is any worse? And could it be:
a search in the true pot itself says where days short of water or visits can be fewer at all.
--ranks: truths drawn from what the twin believes before any log (simulation-based calibration):
where does the truth rank in the fit's normal doubt? If that doubt is right, evenly.
Each pot is a line of --rows, and a run that was stopped goes on after them. Needs the rig's extra.
Nothing here is a test; tests/tuning tries a handful.
"""

from __future__ import annotations

import argparse
import json
import math
import random
import shutil
import statistics
import sys
import tempfile
import time
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from scipy.stats import chisquare, norm  # type: ignore[import-untyped]

ROOT = Path(__file__).resolve().parent.parent
sys.path[:0] = [str(ROOT / "host"), str(ROOT / "device")]

from wakecore import fields  # noqa: E402
from wakecore.state import from_bytes  # noqa: E402
from wakewell import shipped  # noqa: E402
from wakewell.budget import inputs as budget  # noqa: E402
from wakewell.budget.doubt import Z90  # noqa: E402
from wakewell.log.logs import EPOCH  # noqa: E402
from wakewell.log.record import gist_of  # noqa: E402
from wakewell.pot import pot_folder as pots  # noqa: E402
from wakewell.replay.verdicts import Verdicts  # noqa: E402
from wakewell.rig.errors import Impossible  # noqa: E402
from wakewell.rig.faults import Fault  # noqa: E402
from wakewell.rig.fitted import CalibratedProbe  # noqa: E402
from wakewell.rig.pot import DAY_S, RigPot  # noqa: E402
from wakewell.rig.weather import PLACES, climate  # noqa: E402
from wakewell.simulate import one_run, trials  # noqa: E402
from wakewell.simulate.one_run import Supplied, TrialResult  # noqa: E402
from wakewell.simulate.people import Household, Owner, Visit  # noqa: E402
from wakewell.simulate.rig_board import LogInMemory, RigBoard  # noqa: E402
from wakewell.simulate.trials import Trial  # noqa: E402
from wakewell.tuning import ahead, fit, proposals, study, twin  # noqa: E402
from wakewell.tuning.fast import Lives  # noqa: E402
from wakewell.tuning.proposals import Effort  # noqa: E402
from wakewell.tuning.troubles import Troubles  # noqa: E402
from wakewell.tuning.weather import season  # noqa: E402

CLASSES = ("window sill", "small tank", "balcony", "open air")
STILL_ML = 20.0
ALIKE = 1e-9  # of two totals
LOG_DAYS = AHEAD_DAYS = 60
MARK_DAYS = 56  # of the time to come that a proposal is held to: a mark of proposals.MARKS
EFFORT = Effort(power=6, draws=8, rig=10, days=60.0)
# Of the settings that a proposal may change, those that do not go by the size of pot and pump
PROPOSED = ("wake_s", "depletion_ppt", "fill_ppt", "battery_warn_mv", "tank_warn_ml")
SETTINGS_FILE = "settings.toml"
NOTHING = "nothing is to be had"
MAKER_DAYS = 5.0  # until a lockout is cleared that only the cable ends
ASKED = ("stressed_days", "visits")
LESS = 0.5  # of a day or a visit, in that time, is fewer
FIFTHS = 5
RANKED = ("drying", "swing", "lean", "holds", "slow", "spread", "bulb", "closes", "zero")
TOLD = ("water_week_ml", "waterings", "saucer_ml", "used_mah", "refills", "stressed_days",
        "soil_ppt")  # fmt: skip


def folder_of(under: Path, kind: str, chance: random.Random) -> Path:
    """A pot's folder of that class, as its maker would have it."""
    small = kind == "small tank"
    names = ["fern", "mint", "basil"] if small else ["basil", "strawberry", "citrus", "tomato"]
    name = chance.choice(names)
    folder = under / name
    shutil.copytree(shipped.CAFE / name, folder, ignore=shutil.ignore_patterns("logs"))
    if small and name == "basil":
        volume_ml = chance.randint(1300, 3600)
        for file, old, new in (
            ("pot", "volume_ml = 4000", f"volume_ml = {volume_ml}"),
            ("calibration", "[2000000, 4000]", f"[2000000, {volume_ml}]"),
            ("settings", "tank_warn_ml = 900", "tank_warn_ml = 450"),
        ):
            path = folder / f"{file}.toml"
            path.write_text(path.read_text(encoding="utf-8").replace(old, new), encoding="utf-8")
    stands = {"balcony": "balcony", "open air": "open"}.get(kind, "window sill")
    about = folder / "pot.toml"
    text = about.read_text(encoding="utf-8")
    about.write_text(
        text.replace('stands = "window sill"', f'stands = "{stands}"'), encoding="utf-8"
    )
    return folder


def probe_of(trial: Trial) -> CalibratedProbe:
    """Its soil probe: every pot here is calibrated."""
    probe = trial.spec.probe
    assert isinstance(probe, CalibratedProbe)
    return probe


def truth_of(usual: Trial, stands: str, chance: random.Random, seed: int) -> Trial:
    """The pot as it truly is: about what its folder says."""

    def times(spread: float) -> float:
        return math.exp(chance.gauss(0.0, spread))

    spec = usual.spec
    probe = probe_of(usual)
    holds = times(0.12)
    bare = min(1.1, max(0.05, spec.plant.bare + chance.gauss(0.0, 0.1)))
    weather = climate(PLACES[stands]).drawn_out(
        season(chance.gauss(0.0, 0.1), chance.gauss(0.0, 0.08), chance.gauss(0.0, 0.08))
    )
    begins = date(2025, 1, 1) + timedelta(days=chance.randrange(365))
    points = tuple(
        (ppt - chance_off, uv)
        for chance_off in [chance.gauss(0.0, 6.0)]
        for ppt, uv in probe.points
    )
    faults: list[Fault] = []
    visits: list[Visit] = []
    if chance.random() < 0.25:
        at = chance.uniform(5, 50) * DAY_S
        faults.append(Fault(*chance.choice([
            ("probe frozen", at, at + 3 * DAY_S), ("probe railed", at, at + 2 * DAY_S),
            ("level frozen", at, at + 3 * DAY_S), ("radio down", at, at + 9 * DAY_S),
        ])))  # fmt: skip
    for _ in range(chance.choice([0, 0, 1, 3])):
        at = chance.uniform(3, LOG_DAYS) * DAY_S
        visits.append(Visit("water by hand", at, chance.uniform(0.02, 0.06)
                            * spec.vessel.volume_ml))  # fmt: skip
    made = replace(
        spec,
        substrate=replace(
            spec.substrate,
            spread_s=spec.substrate.spread_s * times(0.4),
            even_s=spec.substrate.even_s * times(0.4),
        ),
        vessel=replace(
            spec.vessel,
            top_cm2=spec.vessel.top_cm2 * holds,
            bottom_cm2=spec.vessel.bottom_cm2 * holds,
            bulb_share=chance.uniform(0.2, 0.65),
        ),
        plant=replace(
            spec.plant,
            kcb=min(2.0, spec.plant.kcb * times(0.15)),
            crown_cm2=spec.plant.crown_cm2 * times(0.2),
            bare=bare,
        ),
        place=weather,
        pump=replace(spec.pump, flow_ml_s=spec.pump.flow_ml_s * times(0.05)),
        cell=replace(spec.cell, capacity_mah=spec.cell.capacity_mah * times(0.04)),
        charge=chance.uniform(0.7, 1.0),
        board=replace(
            spec.board,
            sleep_ua=spec.board.sleep_ua * times(0.1),
            awake_ma=spec.board.awake_ma * times(0.05),
        ),
        probe=replace(probe, points=points, drift_uv_year=chance.gauss(0.0, 5_000.0)),
        start_day=min(364, begins.timetuple().tm_yday - 1),
        faults=tuple(faults),
    )
    owner = Owner(fills_after_days=chance.uniform(0.5, 5.0))
    return replace(
        usual, begins=(begins - EPOCH).days, days=float(LOG_DAYS + AHEAD_DAYS), seed=seed,
        spec=made, visits=tuple(visits), owner=owner,
    )  # fmt: skip


def knobs_of(usual: Trial, truth: Trial) -> dict[str, float]:
    """The true numbers, of those that the twin has one for one."""

    def odds(share: float) -> float:
        return math.log(share / (1.0 - share))

    was, now = usual.spec, truth.spec
    return {
        "holds": math.log(now.vessel.volume_ml / was.vessel.volume_ml),
        "slow": math.log(now.substrate.even_s / was.substrate.even_s),
        "spread": math.log(now.substrate.spread_s / was.substrate.spread_s),
        "bulb": odds(now.vessel.bulb_share) - odds(was.vessel.bulb_share),
        "zero": probe_of(usual).points[0][0] - probe_of(truth).points[0][0],
    }


def lived(
    truth: Trial, lines: Mapping[str, bytes], keep: bool
) -> tuple[TrialResult, Any, list[int], float]:
    """(the run to its end, totals at the end of the log, soil in the time to come, days from the
    last wake to the log's end). lines: in force from the end of the log on. As
    `one_run.run_trial`, but for that change."""
    pot = RigPot(truth.spec, truth.seed)
    people = Household(truth.owner, truth.visits, truth.seed)
    verdicts, soil = Verdicts(), list[int]()
    in_force = truth.in_force()
    before: dict[str, float] = {}

    def seen(record: dict[str, Any]) -> None:
        verdicts.see(gist_of(record), board.in_force)
        if pot.t_s <= LOG_DAYS * DAY_S:  # the log ends with its last wake, and so does the twin's
            result.days = pot.t_s / DAY_S
            before.update(ahead.totals(result) | {"days": result.days})
        elif record["values"]["soil_ppt"] is not None:
            soil.append(record["values"]["soil_ppt"])

    habits = truth.habits
    board = RigBoard(
        pot, in_force, LogInMemory() if keep else None, seen, people, habits.awake_s,
        habits.radio_s,
        habits.samples, truth.begins, habits.mains_ma, None,
    )  # fmt: skip
    result = TrialResult(truth, truth.seed, pot, board, verdicts, people)
    result.supplied = Supplied()
    board.run(LOG_DAYS * DAY_S)
    gap_days = LOG_DAYS - before["days"]
    if board.field_log is not None:
        result.log = LogInMemory()
        result.log.lines = list(board.field_log.lines)
    board.in_force = trials.loaded(lines)
    board.run(truth.days * DAY_S)
    result.days = pot.t_s / DAY_S
    return result, before, soil, gap_days


def other_settings(folder: Any, chance: random.Random) -> dict[str, bytes]:
    """The three lines with other settings, as somebody might try them."""
    settings = dict(folder.settings)
    settings["depletion_ppt"] = chance.choice([250, 300, 500, 550])
    settings["fill_ppt"] = chance.choice([850, 900, 960])
    return pots.compile_files(settings, folder.limits, folder.calibration)


def one(number: int, draws: int) -> dict[str, Any]:
    """What came of one pot: {when: {quantity: (true, middle, low, high)}} and more."""
    chance = random.Random(f"tuned {number}")
    started = time.process_time()
    kind = CLASSES[number % len(CLASSES)]
    with tempfile.TemporaryDirectory(prefix="tuned-") as scratch:
        folder = folder_of(Path(scratch), kind, chance)
        usual = trials.of_pot(folder)
        described = pots.load(folder)
        assert described.about is not None
        assert described.about.crop is not None
        stands = described.about.crop.stands
        truth = truth_of(usual, stands, chance, number)
        others = other_settings(described, chance)
        same, before, soil_same, gap_days = lived(truth, truth.lines, True)
        other, _, soil_other, _ = lived(truth, others, False)
        one_run.write_log(same, folder / "logs")
        opened = study.opened(str(folder))
        opened.weather = replace(opened.weather, known=True)
        opened.trial = replace(opened.trial, owner=truth.owner)
        begun = time.process_time()
        found = study.fitted(opened)
        seconds = time.process_time() - begun
        row: dict[str, Any] = {"pot": number, "class": kind, "fit_s": seconds,
                               "kind": folder.name, "month": truth.begins}  # fmt: skip
        if found.now is None:
            row["lacks"] = [lack for _, lacks in found.lacks for lack in lacks]
            return row | {"all_s": time.process_time() - started}
        row["odd"] = found.now.odd
        row["knobs"] = {
            name: (true, *found.now.at(name)) for name, true in knobs_of(usual, truth).items()
        }
        row["ahead"], row["among"], ties = {}, {}, random.Random(f"ties {number}")
        state = ahead.state_at(opened.log, opened.log.wakes[-1])
        for when, lines, result, soil in (
            ("same", truth.lines, same, soil_same), ("other", others, other, soil_other),
        ):  # fmt: skip
            true = since(ahead.totals(result), before, result.days)
            true["soil_ppt"] = statistics.mean(soil) if soil else math.nan
            runs = ahead.run(opened.trial, found.now, AHEAD_DAYS + gap_days, lines, draws, 0, state)
            rows = [ahead.totals(run) for run in runs]
            for told, run in zip(rows, runs, strict=True):
                told["soil_ppt"] = ahead.mean_read(run, found.now, run.seed)
            row["ahead"][when] = {name: (true[name], *ahead.foretold(rows, name)) for name in TOLD}
            row["among"][when] = {
                name: rank(true[name], [told[name] for told in rows], ties) for name in TOLD
            }
        row["all_s"] = time.process_time() - started
    return row


def shipped_settings(folder: Path) -> None:
    """When and how far it waters and when it asks, back to what a setting is that nobody wrote: the
    careful choice that ships with the core. Each but where the pot's check then names that line."""
    found = pots.load(folder)
    for name, _, _, usual in fields.SETTINGS:
        if name not in PROPOSED:
            continue
        made = pots.with_values(found, "settings", {name: usual})
        if not made.problems and not any(SETTINGS_FILE in one.file for one in made.warnings):
            found = made
    lines = [f"{name} = {value}\n" for name, value in found.settings.items()]
    (folder / SETTINGS_FILE).write_text("".join(lines), encoding="utf-8")


def improved(number: int, only_could: bool = False) -> dict[str, Any]:
    """What became of a pot that ran on the shipped settings: kept, and with what was recommended.

    {quantity: (kept, tried, and the interval foretold)}. could: (kept, least) with the settings of
    whoever made the pot, and with those found by a search in the true pot itself. only_could: end
    there where nothing is to be had.
    """
    chance = random.Random(f"tuned {number}")
    started = time.process_time()
    kind = CLASSES[number % len(CLASSES)]
    with tempfile.TemporaryDirectory(prefix="tuned-") as scratch:
        folder = folder_of(Path(scratch), kind, chance)
        own = pots.load(folder).settings
        shipped_settings(folder)
        usual, described = trials.of_pot(folder), pots.load(folder)
        assert described.about is not None
        assert described.about.crop is not None
        truth = truth_of(usual, described.about.crop.stands, chance, number)
        # A pot that waits for its maker for ever has no settings to better it
        truth = replace(truth, owner=replace(truth.owner, cables_after_days=MAKER_DAYS))
        # As far as the twin's mark, from the log's last wake: no day more
        logged, _, _, gap_days = lived(replace(truth, days=float(LOG_DAYS)), truth.lines, True)
        truth = replace(truth, days=LOG_DAYS - gap_days + MARK_DAYS)
        one_run.write_log(logged, folder / "logs")
        opened = study.opened(str(folder))
        opened.weather = replace(opened.weather, known=True)
        opened.trial = replace(opened.trial, owner=truth.owner)
        row: dict[str, Any] = {"pot": number, "class": kind, "kind": folder.name}
        lines, now = proposals.in_force(opened)

        def came_of(one: proposals.Settings) -> dict[str, float]:
            result, before, _, _ = lived(truth, proposals.compiled(lines, one), False)
            return since(ahead.totals(result), before, result.days)

        kept = came_of(now)
        sought = [now | {name: int(value) for name, value in own.items()}]
        tries = [came_of(one) for one in sought + known_best(opened, logged, now)]
        row["could"] = {
            name: (kept[name], min(
                [each[name] for each in tries if no_worse(each, kept, name)], default=kept[name]))
            for name in ASKED
        }  # fmt: skip
        if only_could and not could(row):
            return row | {"why": NOTHING, "all_s": time.process_time() - started}
        row["why"] = proposals.why_not(study.held_out(study.fitted(opened)))
        if not row["why"]:
            made = proposals.made(opened, EFFORT)
            best = made.rows[made.best]
            tried = came_of(best.settings)
            row |= {"recommended": best.kind, "kinds": [each.kind for each in made.rows],
                    "changes": best.changes, "came": {
                        name: (kept[name], tried[name], *best.marks[MARK_DAYS][name])
                        for name in proposals.ORDER[:3]}}  # fmt: skip
        return row | {"all_s": time.process_time() - started}


def could(row: Mapping[str, Any]) -> bool:
    """Could that pot have fewer days short of water, or visits?"""
    return any(kept - least >= LESS for kept, least in row["could"].values())


def no_worse(one: Mapping[str, float], kept: Mapping[str, float], name: str) -> bool:
    """Is all that stands before that quantity in the order no worse, and nothing wilts for it?"""
    before = proposals.ORDER[: proposals.ORDER.index(name)]
    return all(one[other] <= kept[other] + LESS for other in ("wilting_days", *before))


def known_best(
    opened: study.Study, logged: TrialResult, now: proposals.Settings
) -> list[proposals.Settings]:
    """The best settings of each kind that is asked for, by the true pot. logged: that pot at the
    end of its log."""
    pot, truth = logged.pot, logged.trial
    spec = replace(
        truth.spec, water=pot.soil.content, tank_ml=pot.line.tank_ml, faults=(),
        charge=pot.battery.charge_mah / truth.spec.cell.capacity_mah,
        start_day=(truth.spec.start_day + LOG_DAYS) % 364,
    )  # fmt: skip
    trial = replace(truth, spec=spec, days=float(MARK_DAYS), visits=())
    state = from_bytes(ahead.state_at(opened.log, opened.log.wakes[-1]))
    known_ul = state.learned_ul_per_ppt if state is not None else 0
    search = proposals.SettingsSearch(
        opened.folder, now, Lives([trial], known_ul), Troubles(float(LOG_DAYS), (), ()), EFFORT
    )
    spread = search.spread()
    swept = search.lived(spread)
    kinds = [kind for kind in proposals.KINDS if kind.lowers in ASKED]
    found = [search.of_kind(kind, spread, swept) for kind in kinds]
    return [one.settings for one in found if one is not None]


def ranked(number: int) -> dict[str, Any]:
    """Of a pot drawn from the twin's own beliefs, where each truth lies in the fit's doubt, 0 to 1.

    Drift, warmth and clock are left as the folder has them."""
    chance = random.Random(f"ranks {number}")
    with tempfile.TemporaryDirectory(prefix="tuned-") as scratch:
        folder = folder_of(Path(scratch), CLASSES[0], chance)
        usual, described = trials.of_pot(folder), pots.load(folder)
        begins = date(2025, 1, 1) + timedelta(days=chance.randrange(300))
        ends = begins + timedelta(days=LOG_DAYS)
        doubts = fit.soil_priors(budget.gather(described, ends), ends.month - 1)
        truth = twin.usual()
        for index, knob in enumerate(twin.KNOBS):
            if knob.name in RANKED:
                drawn = truth[index] + doubts[index] * chance.gauss(0.0, 1.0)
                truth[index] = min(knob.high, max(knob.low, drawn))
        at = twin.named(truth)
        soil, vessel, plant = twin.soil_parts(usual.spec, at)
        probe = probe_of(usual)
        points = tuple((ppt - at["zero"], uv) for ppt, uv in probe.points)
        climate_drawn = climate(PLACES["window sill"]).drawn_out(
            season(at["drying"], at["swing"], at["lean"])
        )
        spec = replace(
            usual.spec, substrate=soil, vessel=vessel, plant=plant, place=climate_drawn,
            probe=replace(probe, points=points), start_day=begins.timetuple().tm_yday - 1,
        )  # fmt: skip
        trial = replace(
            usual, begins=(begins - EPOCH).days, days=float(LOG_DAYS), seed=number, spec=spec
        )
        one_run.write_log(one_run.run_trial(trial, log=True), folder / "logs")
        opened = study.opened(str(folder))
        opened.weather = replace(opened.weather, known=True)
        now = study.fitted(opened).now
        row: dict[str, Any] = {"pot": number}
        if now is not None:
            row["ranks"] = {
                name: float(norm.cdf((at[name] - now.soil.at(name)[0]) / now.soil.at(name)[1]))
                for name in RANKED
            }
        return row


def tell_ranks(rows: list[dict[str, Any]]) -> None:
    """How many truths lie in each fifth of the doubt, and how likely so uneven a row is."""
    found = [row["ranks"] for row in rows if "ranks" in row]
    print(f"{len(rows)} pots, {len(found)} fitted")
    for name in RANKED if found else ():
        fifths = [min(FIFTHS - 1, int(FIFTHS * ranks[name])) for ranks in found]
        counts = [fifths.count(number) for number in range(FIFTHS)]
        inside = sum(0.05 <= ranks[name] <= 0.95 for ranks in found)
        print(
            f"  {name}: {counts}, p {chisquare(counts).pvalue:.3f}; {inside} of {len(found)} in "
            "the 90 % interval"
        )


def rank(true: float, drawn: Sequence[float], chance: random.Random) -> float:
    """Where the truth ranks among those draws, 0 to 1; among as many alike, anywhere by chance."""
    below = sum(one < true - ALIKE for one in drawn)
    alike = sum(abs(one - true) <= ALIKE for one in drawn)
    return (below + chance.random() * (alike + 1)) / (len(drawn) + 1)


def since(after: dict[str, float], before: dict[str, float], days: float) -> dict[str, float]:
    """What was added in the time to come."""
    found = {name: number - before[name] for name, number in after.items()}
    begun = before["days"]
    whole = after["water_week_ml"] * days / 7.0 - before["water_week_ml"] * begun / 7.0
    found["water_week_ml"] = whole * 7.0 / (days - begun)
    return found


def tell(rows: list[dict[str, Any]]) -> None:
    """Tables of errors and coverage."""
    fitted = [row for row in rows if "ahead" in row]
    print(f"{len(rows)} pots, {len(fitted)} fitted; odd: {sum(bool(r['odd']) for r in fitted)}; "
          f"fit {statistics.median(r['fit_s'] for r in rows):.1f} s; "
          f"all {sum(r['all_s'] for r in rows) / len(rows):.0f} s a pot")  # fmt: skip
    for row in rows:
        if "lacks" in row:
            print(f"  pot {row['pot']} ({row['class']}, {row['kind']}): {'; '.join(row['lacks'])}")
    for name in fitted[0]["knobs"] if fitted else ():
        scores = [(r["knobs"][name][0] - r["knobs"][name][1]) / r["knobs"][name][2] for r in fitted]
        inside = sum(abs(z) <= Z90 for z in scores)
        print(
            f"  number {name}: {inside} of {len(scores)} in their 90 % interval, mean z "
            f"{statistics.mean(scores):+.2f}, spread {statistics.pstdev(scores):.2f}"
        )
    for when in ("same", "other"):
        print(f"{when} settings")
        errors: dict[str, list[float]] = defaultdict(list)
        held: dict[tuple[str, str], list[bool]] = defaultdict(list)
        among: dict[tuple[str, str], list[bool]] = defaultdict(list)
        for row in fitted:
            for name, (true, middle, low, high) in row["ahead"][when].items():
                if not math.isfinite(true):
                    continue
                for kind in (row["class"], "all"):
                    held[name, kind].append(low - ALIKE <= true <= high + ALIKE)
                    among[name, kind].append(0.05 < row["among"][when][name] < 0.95)
                if name == "water_week_ml":
                    for kind in (row["class"], "all"):
                        # A pot that does nothing is predicted if the twin does nothing too
                        errors[kind].append((middle - true) / max(true, STILL_ML))
        for kind in (*CLASSES, "all"):
            if errors[kind]:
                near = sum(abs(e) <= 0.15 for e in errors[kind])
                print(f"  weekly water, {kind}: {near} of {len(errors[kind])} within 15 %, lean "
                      f"{100 * statistics.mean(errors[kind]):+.1f} %")  # fmt: skip
        for name in TOLD:
            for what, rows_of in (("90 % interval", held), ("among the middle 90 %", among)):
                cells = [
                    f"{kind} {sum(rows_of[name, kind])}/{len(rows_of[name, kind])}"
                    for kind in (*CLASSES, "all") if rows_of[name, kind]
                ]  # fmt: skip
                print(f"  {what}, {name}: {', '.join(cells)}")


def tell_improved(rows: list[dict[str, Any]]) -> None:
    """What became of the true pots under what was recommended."""
    able = [row for row in rows if could(row)]
    seconds = statistics.mean(row["all_s"] for row in rows)
    print(f"{len(rows)} pots on the shipped settings, {seconds:.0f} s a pot; could have fewer days "
          f"short of water or visits: {len(able)}")  # fmt: skip
    for kind in (*CLASSES, "all"):
        some = [row for row in able if kind in (row["class"], "all")]
        better = sum(
            any(row["came"][name][0] - row["came"][name][1] >= LESS for name in ASKED)
            for row in some if "came" in row
        )  # fmt: skip
        refused = sum(bool(row["why"]) for row in some)
        left = sum(row.get("recommended") == proposals.LEAVE for row in some)
        print(f"  {kind}: better {better} of {len(some)}; to leave it {left}; "
              f"nothing proposed from its fit {refused}")  # fmt: skip
    changed = [row["came"] for row in rows if row.get("changes")]
    for name in proposals.ORDER[:3]:
        kept, tried = (sum(one[name][at] for one in changed) for at in (0, 1))
        over = sum(one[name][1] > max(one[name][4], one[name][0]) + LESS for one in changed)
        print(
            f"  {name}: {kept:.0f} kept, {tried:.0f} with what was recommended in {len(changed)} "
            f"pots; outside its interval, and more than if kept: {over}"
        )
    whys = Counter(
        row["why"].split(":")[-1].strip()[:60] for row in rows if row["why"] not in ("", NOTHING)
    )
    for why, count in whys.most_common():
        print(f"  nothing proposed, {count}: {why}")


def main() -> int:
    """Measure and tell."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pots", type=int, default=200)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--draws", type=int, default=20)
    parser.add_argument("--propose", action="store_true")
    parser.add_argument("--could", action="store_true", help="no proposals where none can better")
    parser.add_argument("--ranks", action="store_true")
    parser.add_argument("--rows", type=Path, help="one JSON line for each pot; pots in it are kept")
    args = parser.parse_args()
    numbers = range(args.first, args.first + args.pots)
    rows: dict[int, dict[str, Any]] = {}
    if args.rows is not None and args.rows.is_file():
        lines = args.rows.read_text(encoding="utf-8").splitlines()
        rows = {row["pot"]: row for row in map(json.loads, lines)}
    for number in numbers:
        if number in rows:
            continue
        try:
            if args.propose:
                rows[number] = improved(number, args.could)
            else:
                rows[number] = ranked(number) if args.ranks else one(number, args.draws)
        except Impossible as no:
            rows[number] = {"pot": number, "no_pot": str(no)}
        if args.rows is not None:
            with args.rows.open("a", encoding="utf-8") as file:
                file.write(json.dumps(rows[number]) + "\n")
    drawn = [rows[number] for number in numbers if number in rows]
    for row in drawn:
        if "no_pot" in row:
            print(f"pot {row['pot']}: drawn as no pot can be: {row['no_pot']}")
    drawn = [row for row in drawn if "no_pot" not in row]
    if args.ranks:
        tell_ranks(drawn)
        return 0
    if args.propose:
        tell_improved(drawn)
        return 0
    tell(drawn)
    return 0


if __name__ == "__main__":
    sys.exit(main())
