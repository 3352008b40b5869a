"""R11, R14: what is stored: the contract of the tables, files, states, lines and numbers."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

from core_edges import CONTRACT, GOOD, data, facts, kept, played, pot, probe

import wakecore
from wakecore import fields, judge, line, number, plan, rules, run, state, table, tank, wake

ALL = (fields, judge, line, number, plan, rules, run, state, tank, wake)


MODULES = {m.__name__.split(".")[1]: m for m in ALL}


def test_rows_are_those_that_files_rely_on() -> None:
    tables = {**fields.KINDS, "probes": fields.PROBES, "state": state.FIELDS}
    for name, rows in tables.items():
        assert [(row[0], list(row[1:4])) for row in rows] == list(CONTRACT[name].items()), name
    found = {row[0]: [row[1], row[2]] for row in rules.LOCKOUTS}
    assert list(found.items()) == list(CONTRACT["lockouts"].items())
    assert [row[:2] for row in rules.PERMISSIVES] == list(CONTRACT["permissives"].items())
    needs = [(row[0], list(row[1:4])) for row in rules.NEEDS]
    assert needs == list(CONTRACT["needs"].items())
    assert [(row[0], list(row[1:])) for row in run.TRIPS] == list(CONTRACT["trips"].items())
    assert list(wake.RECORD) == CONTRACT["lists"]["record"]
    assert list(state.PHASES) == CONTRACT["lists"]["phases"]
    assert list(plan.KINDS) == CONTRACT["lists"]["kinds"]
    assert list(run.CHANNELS) == CONTRACT["lists"]["channels"]
    assert CONTRACT["lists"]["line.MOST_LINE"] == line.MOST_LINE


def test_numbers_are_those_that_files_rely_on() -> None:
    assert wakecore.VERSION == 1
    for name, value in CONTRACT["numbers"].items():
        module, attribute = name.split(".")
        assert getattr(MODULES[module], attribute) == value, name


def test_bits_of_lockouts_are_those_stored() -> None:
    assert {name: 1 << place for place, name in enumerate(CONTRACT["lockouts"])} == rules.BITS
    for way, bits in (("button", rules.BUTTON_BITS), ("cable", rules.CABLE_BITS)):
        names = [name for name, row in CONTRACT["lockouts"].items() if row[1] == way]
        assert bits == sum(rules.BITS[name] for name in names)


def test_every_field_takes_its_ends_and_nothing_beyond() -> None:
    for kind, rows in fields.KINDS.items():
        above = {row[1]: row[2] for row in fields.ABOVE if row[0] == kind}
        for name, least, most, _default in rows:
            for value in (least, most):
                changes = {name: value}
                if name in above:
                    changes[above[name]] = least
                if name in above.values():
                    higher = next(key for key, low in above.items() if low == name)
                    top = next(row[2] for row in rows if row[0] == higher)
                    changes[higher] = top
                found, why = fields.load(kind, data(kind, **changes), "id")
                if (name in above and value == least) or (name in above.values() and value == most):
                    assert found is None, (kind, name, value)
                else:
                    assert found is not None, (kind, name, value, why)
                    assert getattr(found, name) == value
            for value in (least - 1, most + 1, True, "1", None, 1.0):
                found, why = fields.load(kind, data(kind, **{name: value}), "id")
                assert found is None, (kind, name, value)
                assert why == f"{name} = {value}, allowed {least} to {most}"


def test_a_file_lacks_what_it_lacks_and_knows_no_more() -> None:
    for kind in fields.KINDS:
        found, _ = fields.load(kind, {"version": 1}, "id")
        assert found is not None
        assert (found.id, found.limits_id) == ("id", "")
        for name, _, _, default in fields.KINDS[kind]:
            assert getattr(found, name) == default
        found, _ = fields.load(kind, {"version": 1, "kind": kind, "limits_id": "ab"}, "id")
        assert found is not None
        assert found.limits_id == "ab"
        found, why = fields.load(kind, data(kind, wine=1), "id")
        assert (found, why) == (None, f"wine is not a name of {kind}")
        for version in (0, 2, None, True, "1"):
            found, why = fields.load(kind, data(kind, version=version), "id")
            assert (found, why) == (None, f"version {version}, this core knows 1 to 1")


def test_a_value_lies_above_its_other() -> None:
    for kind, higher, lower in fields.ABOVE:
        for step in (0, -1):
            found, why = fields.load(kind, data(kind, **{higher: 300 + step, lower: 300}), "id")
            assert (found, why) == (None, f"{higher} is not above {lower}")
        assert fields.load(kind, data(kind, **{higher: 301, lower: 300}), "id")[0] is not None


def test_old_names_are_read() -> None:
    renamed = {"settings": {1: (("wake", "wake_s"),)}}
    found, why = fields.migrate("settings", {"version": 1, "wake": 7}, renamed)
    assert (found, why) == ({"version": 1, "wake_s": 7}, "")
    both = {"version": 1, "wake": 7, "wake_s": 8}
    assert fields.migrate("settings", both, renamed)[0] == both
    assert fields.migrate("settings", {"version": 1}, renamed)[0] == {"version": 1}
    given = {"version": 1, "wake": 7}
    fields.migrate("settings", given, renamed)
    assert given == {"version": 1, "wake": 7}, "what was given stays as it was"
    later = {"settings": {2: (("wake", "wake_s"),)}}
    assert fields.migrate("settings", given, later)[0] == given, "no step of a version to come"
    for kind in fields.KINDS:
        assert (fields.Values(kind).id, fields.Values(kind).limits_id) == ("", "")


def test_a_probe_is_what_its_points_say() -> None:
    found, why = probe()
    assert why == ""
    assert found.points == ((10, 0), (20, 100))
    assert (found.rail_low, found.rail_high, found.spread) == (0, 30, 2)
    assert (found.low, found.high, found.margin) == (10, 20, 0)
    wide = probe(points=[100, 0, 300, 50, 500, 100], rails=[0, 600])[0]
    assert (wide.low, wide.high, wide.margin) == (100, 500, 20)
    assert probe(points=[10, 100, 20, 0])[0].points == ((10, 100), (20, 0))
    spreadless = {f"soil_{name}": GOOD[name] for name in ("points", "rails")}
    found, _ = fields.load("calibration", data("calibration", **spreadless), "id")
    assert found is not None
    assert found.soil.spread == 0


def test_a_probe_that_is_none_is_refused() -> None:
    pairs = "soil_points: 2 to 16 pairs of counts and value"
    rails = "soil_rails: two counts, low and high"
    turns = "soil_points: counts must rise, values go one way"
    between = "soil_rails: points must lie between"
    most = fields.COUNTS_MOST
    many = [n for place in range(17) for n in (10 + place, place)]
    for changes, why in (
        ({"points": [10, 0]}, pairs),
        ({"points": [10, 0, 20]}, pairs),
        ({"points": [10, 0, 20, 1, 25]}, pairs),
        ({"points": many}, pairs),
        ({"points": "10"}, pairs),
        ({"rails": [0]}, rails),
        ({"rails": [0, 30, 40]}, rails),
        ({"rails": None}, rails),
        ({"points": [10, 0, 10, 100]}, turns),
        ({"points": [20, 0, 10, 100]}, turns),
        ({"points": [10, 5, 20, 5]}, turns),
        ({"points": [10, 0, 15, 50, 20, 40]}, turns),
        ({"points": [10, 50, 15, 20, 20, 40]}, turns),
        ({"rails": [10, 30]}, between),
        ({"rails": [0, 20]}, between),
        ({"rails": [11, 30]}, between),
        ({"points": [10, 0, 20, 50, 25, 100], "rails": [0, 25]}, between),
        ({"rails": [0, most + 1]}, f"soil: {most + 1} is not a number of counts"),
        ({"rails": [-most - 1, 30]}, f"soil: {-most - 1} is not a number of counts"),
        ({"points": [10, 0, True, 100]}, "soil: True is not a number of counts"),
        ({"spread": "2"}, "soil: 2 is not a number of counts"),
        ({"points": [10, -1, 20, 100]}, "soil_points: value -1, allowed 0 to 1000"),
        ({"points": [10, 0, 20, 1001]}, "soil_points: value 1001, allowed 0 to 1000"),
    ):
        assert probe(**changes) == (None, why), changes
    assert probe(points=many[:32], rails=[0, 60])[0] is not None
    assert probe(rails=[9, 21])[0] is not None
    for name, least, top, _needed in fields.PROBES:
        made = {f"{name}_points": [10, least, 20, top], f"{name}_rails": [0, 30]}
        assert fields.load("calibration", data("calibration", **made), "id")[0] is not None, name
        for values in ((least - 1, top), (least, top + 1)):
            made[f"{name}_points"] = [10, values[0], 20, values[1]]
            found, _ = fields.load("calibration", data("calibration", **made), "id")
            assert found is None, (name, values)


def test_files_match_only_if_made_for_one_another() -> None:
    assert pot().match
    for name, sense, limit in fields.INSIDE:
        bound = 55 if "mv" not in limit else 3500
        made = pot({"dose_ml": 10, "pulse_ml": 10, "upkeep_ml": 10, "upkeep_days": 60})
        made.settings.reserve_ml, made.settings.battery_mv = 20000, 30000
        for value, holds in ((bound, True), (bound + 1, sense == ">="), (bound - 1, sense == "<=")):
            setattr(made.limits, limit, bound)
            setattr(made.settings, name, value)
            if sense == "<=":
                made.limits.dose_ml = max(bound, 10)
                made.limits.upkeep_ml = max(bound, 10)
            assert made.agree() is holds, (name, value)
    made = pot()
    assert fields.outside(made.settings, made.limits) == ""
    made.settings.dose_ml = 151
    told = "dose_ml = 151, the hard limit is at most 150"
    assert fields.outside(made.settings, made.limits) == told
    made.settings.dose_ml, made.settings.reserve_ml = 150, 49
    told = "reserve_ml = 49, the hard limit is at least 50"
    assert fields.outside(made.settings, made.limits) == told
    made = pot()
    made.limits.id = made.settings.limits_id = made.calibration.limits_id = ""
    assert not made.agree()
    for one in ("settings", "calibration"):
        made = pot()
        getattr(made, one).limits_id = "00000000"
        assert not made.agree()
    for name, _, _, use in fields.PROBES:
        needed = use == fields.MUST
        made = pot()
        setattr(made.calibration, name, None)
        assert made.agree() is not bool(needed), name
    made = pot()
    for flow, holds in ((0, False), (1, True), (25000, True), (25001, False)):
        made.calibration.flow_ul_s = flow
        assert made.agree() is holds, flow


def test_tables_between_and_beyond_their_points() -> None:
    for points in (((10, 0), (20, 100), (40, 110)), ((10, 110), (20, 100), (40, 0))):
        rising = points[-1][1] > points[0][1]
        assert table.direction(points) == (1 if rising else -1)
        assert table.convert(points, 9) == points[0][1]
        assert table.convert(points, 41) == points[-1][1]
        assert table.convert(points, 20) == 100
    assert table.convert(((10, 0), (20, 100)), 15) == 50
    assert table.convert(((0, 0), (2, 1)), 1) == 1, "halves go up"
    falling = ((0, 110), (1000, 100), (2000, 90))
    assert table.counts_at(falling, 100) == 1050, "where 99.5 is still rounded up"
    assert table.convert(falling, 1050) == 100 > table.convert(falling, 1051)


def test_a_state_out_of_range_is_refused_with_a_good_crc() -> None:
    for name, least, most, *_ in state.FIELDS:
        for value, good in ((least, True), (most, True), (least - 1, False), (most + 1, False)):
            if -(1 << 31) <= value < 1 << 31:
                found = state.from_bytes(kept(**{name: value}).to_bytes())
                assert (found is not None) is good, (name, value)
    for places, value, good in (("ages_s", 0, 1), ("ages_s", -1, 0), ("mls", -1, 0), ("mls", 9, 1)):
        was = state.State()
        getattr(was, places)[7] = value
        assert (state.from_bytes(was.to_bytes()) is not None) is bool(good)
    assert state.State().crc == ""
    top = number.SMALL_MAX
    assert state.from_numbers([top] * 16) is not None
    assert state.from_numbers([0] * 15 + [top + 1]) is None
    assert state.from_numbers([0] * 15) is None
    whole = state.State()
    found = state.from_bytes(whole.to_bytes())
    assert found is not None
    assert found.crc == whole.crc != ""


def test_a_json_reader_that_gives_no_object() -> None:
    """MicroPython's reader takes what is no JSON; a line of such is refused."""
    data = line.encode(("a",), {"a": 1})
    kept_json = line.json
    line.json = SimpleNamespace(loads=lambda _: [1])
    try:
        assert line.decode(data) == (None, "not an object")
    finally:
        line.json = kept_json
    assert line.decode(data) == ({"a": 1}, "")


def test_numbers_at_their_ends() -> None:
    assert number.muldiv(1, 1, 2) == 1
    assert number.muldiv(-1, 1, 2) == 0, "halves go up"
    assert number.muldiv(1, 1, 3) == 0
    assert number.muldiv(5, 1, 3) == 2
    assert number.muldiv_down(5, 1, 3) == 1
    assert number.muldiv_up(4, 1, 3) == number.div_up(4, 3) == 2
    assert number.muldiv_up(3, 1, 3) == number.div_up(3, 3) == 1
    assert [number.clamp(value, 2, 4) for value in (1, 2, 3, 4, 5)] == [2, 2, 3, 4, 4]
    assert [number.add_capped(value, 3, 9) for value in (5, 6, 7, 20)] == [8, 9, 9, 9]


def test_a_state_of_the_first_form_is_read() -> None:
    """Its places were in any order and aged by their first water, at most PLACE_S older (R3)."""
    was = kept(proof_ml=9, proof_ul=9, wakes=7)
    was.ages_s = [20000, 9, 0, state.PLACE_S, 50000, 0, 0, 0]
    was.mls = [4, 5, 0, 6, 0, 0, 0, 0]
    numbers = was.numbers()
    found = state.from_numbers(numbers, 1)
    assert found is not None
    assert found.mls == [5, 6, 4, 0, 0, 0, 0, 0]
    assert found.ages_s == [0, 0, 20000 - state.PLACE_S, 0, 0, 0, 0, 0]
    assert (found.proof_ml, found.proof_ul, found.wakes) == (0, 0, 7)  # type: ignore[attr-defined]
    today = state.from_numbers(numbers)
    assert today is not None
    assert (today.mls, today.ages_s) == (was.mls, was.ages_s)
    assert today.proof_ml == 9  # type: ignore[attr-defined]


def test_a_state_is_stamped() -> None:
    was = kept(seq=7)
    assert state.from_bytes(wake.stamp(was)).seq == was.seq == 8  # type: ignore[union-attr]
    was.seq = number.SMALL_MAX
    wake.stamp(was)
    assert was.seq == number.SMALL_MAX


def test_what_was_found_in_storage() -> None:
    def look(made: Any, host: tuple[str, ...] = (), **changes: Any) -> Any:
        was = changes.pop("was", None) or kept(calibration_mark=int(made.calibration.id[:7], 16))
        begin = {
            "state": "good", "settings": "good", "limits": "good", "calibration": "good",
            "host": list(host), **changes,
        }  # fmt: skip
        wake.look_at_files(was, made, begin)
        return was

    made = pot({}, {"day_ml": 400, "pulse_ms": 5000})
    was = look(made)
    assert (was.lockouts, was.open_ms, was.mls[0]) == (0, 0, 0)
    assert was.since_dose_s == state.LONG_S
    was = look(made, state="lost")
    assert (was.lockouts, was.open_ms, was.mls[0]) == (rules.BITS["state lost"], 0, 400)
    assert was.since_dose_s == 0
    assert plan.left_ul(was, made) == plan.one_more_ul(was, made), "as if no dose was answered"
    both = fields.Pot(made.settings, fields.Values("limits"), made.calibration)
    was = look(both, state="lost", limits="default")
    assert was.mls[0] == CONTRACT["limits"]["day_ml"][1]
    assert plan.left_ul(was, made) == 0, "not more than the true limits allow (R18)"
    was = look(both, state="previous", limits="default")
    assert was.open_ms == CONTRACT["limits"]["pulse_ms"][1]
    was = look(made, state="previous")
    assert (was.lockouts, was.open_ms, was.mls[0]) == (0, 5000, 0)
    mark = int(made.calibration.id[:7], 16)
    assert look(made, state="previous", was=kept(open_ms=9, calibration_mark=mark)).open_ms == 9
    for name in fields.KINDS:
        assert look(made, **{name: "default"}).lockouts == rules.BITS["files damaged"]
    led = {"look_ml": 5, "soil_ppt": 5, "before_ppt": 5, "filled_ml": 5, "leak_ml": 5}
    counted = {"leak_looks": 1, "fill_looks": 1, "proof_ul": 5, "proof_pulses": 5}
    was = look(made, was=kept(**led, **counted, calibration_mark=mark + 1))
    assert [getattr(was, name) for name in led] == [-1] * 5
    assert [getattr(was, name) for name in counted] == [0] * 4
    assert was.calibration_mark == mark
    was = look(made, was=kept(**led, **counted, calibration_mark=mark))
    assert [getattr(was, name) for name in led] == [5] * 5
    assert [getattr(was, name) for name in counted] == list(counted.values())
    was = look(made, ("entry page", "leak", "clear"), was=kept(lockouts=255, calibration_mark=mark))
    assert was.lockouts == 255, "nobody cleared one"
    both = kept(lockouts=4 | 2 | 1, calibration_mark=mark)
    assert look(made, ("clear leak", "clear battery low", "leak"), was=both).lockouts == 2
    bare = pot()
    bare.calibration.id = ""
    begin = {"state": "good", "host": [], **dict.fromkeys(fields.KINDS, "good")}
    was = kept(calibration_mark=3)
    wake.look_at_files(was, bare, begin)
    assert was.calibration_mark == 0


def test_counts_stop_where_the_state_can_still_be_stored() -> None:
    settings: Any = SimpleNamespace(response_ppt=10, dose_ml=80)
    was = kept(before_ppt=5, peak_ppt=5, given_ul=80000, silent_doses=100)
    judge.learn(was, SimpleNamespace(ul_per_ppt=0), settings, False)
    assert was.silent_doses == 100
    made = pot({"radio_wakes": 96})
    was = kept(quiet_wakes=100)
    wake.is_to_report(was, facts(battery_mv=None), made, True, False)
    assert was.quiet_wakes == 100
    dry = {"soil": [1600000, 9], "battery": [1950000, 9]}
    one = played(kept(thirst=100), counts=dry, level_ml=81)
    assert one.thirst == 100


def test_rounding_is_to_the_safe_side() -> None:
    none = dict.fromkeys(("awake_ua", "sleep_ua", "self_ua", "pump_ua", "radio_ua"), 0)
    cal: Any = SimpleNamespace(**{**none, "awake_ua": 1})
    assert wake.charge_uah(cal, 3600001, None, 0, 0) == 2
    cal = SimpleNamespace(**{**none, "pump_ua": 1})
    assert wake.charge_uah(cal, 0, SimpleNamespace(ran_ms=3600001), 0, 0) == 2
    made = pot({}, {}, {"tolerance_ml": 5}, probes=())
    made.limits.flow_max_ul_s = 1
    falls = {row[0]: row for row in run.prepare(500001, 1000, 999, made).rows}
    assert falls["fast fall"][3] == -(500000 + 987500), "2 ml and twice the tolerance"


def test_lines_at_their_least_and_longest() -> None:
    def signed(body: bytes) -> bytes:
        return body + line.TAIL + b'%08x"}' % line.crc32(body)

    assert line.decode(signed(b"{ ")) == ({}, "")
    assert line.decode(signed(b"{")) == (None, "no crc at its end")
    assert line.body_of(signed(b"{ ")) == (b"{ }", "")
    room = line.MOST_LINE - line.TAIL_SIZE - len(b'{"a":""')
    longest = signed(b'{"a":"' + b"x" * room + b'"')
    assert len(longest) == line.MOST_LINE
    assert line.decode(longest)[1] == ""
    longer = signed(b'{"a":"' + b"x" * (room + 1) + b'"')
    assert line.decode(longer) == (None, f"longer than {line.MOST_LINE} bytes")


def test_numbers_stay_inside_their_fields() -> None:
    """One more or one less, and the stored state would be refused at the next wake (R11)."""
    made = pot({}, {"dry_trips": 5, "flow_max_ul_s": 200000}, {"tolerance_ml": 0})
    top = number.SMALL_MAX
    was = kept(
        proof_ul=top, proof_pulses=100, proof_ml=1000000, unanswered_ul=top, given_ul=top,
        pumped_ml=1000000, dry_trips=100, thirst=100, doubts=100, presses=100, silent_doses=100,
        quiet_wakes=100, low_wakes=100, look_ml=1000000, look_n=3, filled_ml=1000000, open_ms=top,
        interrupts=100, pulses=100,
    )  # fmt: skip
    now: Any = SimpleNamespace(level_ml=1000000, due=True, pulse_cut_off=False)
    wake.look_at_open_pulse(was, now, made)
    assert state.from_bytes(was.to_bytes()) is not None
    for level_ml in (1000000, 0):
        was = kept(proof_ul=top, proof_pulses=100, proof_ml=1000000, look_ml=1000000, look_n=1)
        ran: Any = SimpleNamespace(ran_ms=30000, last=lambda _: run.UNREAD)
        after = {"level": [made.calibration.level.low, 0]}
        wake.end_pulse(was, facts(level_ml=level_ml), made, ran, after, [])
        assert state.from_bytes(was.to_bytes()) is not None
    coarse = pot({}, {}, {"tolerance_ml": 5000})
    was = kept(proof_ul=19999999, proof_pulses=100, proof_ml=1)
    assert tank.go_on_with_proof(was, coarse, 0, 1, 1) is None
    assert was.proof_pulses == 100
