"""From an empty folder to a pot that waters by itself, all on a desk board.

Every command is the one that a person types; what their hands do comes from the file of hands that
ships. Simulated time stands still while a host is at the prompt, so that nobody waits for a pump.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from wakewell.bench import commission
from wakewell.cli import main
from wakewell.commands import deskboard, parser_of
from wakewell.deskboard import why_not
from wakewell.pot import pot_folder, stage
from wakewell.pot.bench_book import Book

pytestmark = pytest.mark.skipif(why_not() is not None, reason=why_not() or "")

# What is typed at each question; "hand" is what the desk board's hand reads.
TYPED = {
    "yes": "wiring.checked direction.water prime.solid leak.joints leak.end stand.dry",
    "no": "pulldown.moved",
    "ok": "soil.air soil.water panel.lit panel.covered panel.clear level.empty button.ready "
    "button.released",
    "run": "direction.run prime.run",
    "hand": "battery.meter_mv sleep.ua soil.soaked_g soil.dry_g soil.refill_g",
}
ANSWERS = {key: [answer] for answer, keys in TYPED.items() for key in keys.split()} | {
    "level.added_ml": ["hand", "hand", "hand", "hand", "skip"],
    "flow.run": ["run"] * commission.MOST_FLOW_RUNS,
    "flow.ml": ["hand"] * commission.MOST_FLOW_RUNS,
}


class Evening:
    """A desk board with hands, and the commands that are typed at the other terminal."""

    def __init__(self, person: Any, folder: Path, capsys: Any) -> None:
        self.person, self.folder, self.capsys = person, folder, capsys
        heard = person.world.person

        def asked(question: str) -> float | None:
            person.board.awake = "stepped"
            figure: float | None = heard(question)
            return figure

        person.world.person = asked

    def types(self, *words: str) -> tuple[int, str]:
        """A command with the pot and its port: its exit code, and all that is printed."""
        self.person.board.awake = "real"
        self.person.board.hard_reset()
        self.capsys.readouterr()
        port = self.person.board.port
        code = main([words[0], str(self.folder), "--port", port, "--wait", "60", *words[1:]])
        said = self.capsys.readouterr()
        return code, said.out + said.err

    def commissions(self, answers: dict[str, list[str]]) -> tuple[int, str]:
        """A sitting with those answers."""
        path = self.folder.parent / "answers.toml"
        path.write_text("".join(f"{json.dumps(k)} = {json.dumps(v)}\n" for k, v in answers.items()))
        return self.types("commission", "--answers", str(path))

    def here(self, line: str) -> str:
        """A line typed at the desk board."""
        return deskboard.answer(self.person, line.split())


def test_from_a_pot_nobody_measured_to_one_that_waters_by_itself(
    tmp_path: Path, capsys: Any
) -> None:
    folder = tmp_path / "basil"
    panel = ["--place", "balcony 35 S", "--panel", "60x0"]  # the sun charges it
    assert main(["new", str(folder), "--plant", "basil", *panel, "--yes"]) == 0
    assert "Nothing is calibrated yet" in capsys.readouterr().out
    words = ["deskboard", str(folder), "--hands", "--begins", "2026-05-01"]
    with deskboard.opened(parser_of(["deskboard"]).parse_args(words)) as person:
        begun = capsys.readouterr().out
        assert "This pot is not commissioned" in begun
        assert "assumed: tables of soil, level, battery" in begun
        person.board.asleep = "hold"
        evening = Evening(person, folder, capsys)
        code, said = evening.types("flash")
        assert code == 0, said
        assert "not commissioned" in said
        assert "next: not calibrated yet" in said

        # Somebody is called away in the middle of the flow: the first run is not lost.
        code, said = evening.commissions(ANSWERS | {"flow.ml": ["hand"]})
        assert code == 1, said
        assert "Stopped at 'flow'" in said
        assert "asked soil.water. probe water: the soil probe is in water" in said
        # Each step says what it is for and what was there; where a hand acts, what is dangerous.
        steps = said.split("\nStep ")[1:]
        for text in steps:
            assert "what for: " in text
            assert "as found: never taken before" in text
        assert "shorted lithium cell burns" in steps[2 - 1]
        assert all("as left: " in text for text in steps[:-1])
        assert said.count("care: Cover the panel while its leads are in your hand") == 2
        assert "panel cover: the panel is covered: 0 mA from its charger" in said
        code, said = evening.commissions(ANSWERS)
        assert code == 1, said
        assert said.count("asked flow.run") == 2, said
        assert "leave the tank for a day" in said
        assert evening.here("tank fil").startswith('"tank fil": allowed tank empty, tank fill')
        assert "nearest known name charger" in evening.here("charge")
        assert "in deep sleep at day 1" in evening.here("advance 1")

        code, said = evening.commissions(ANSWERS)
        assert code == 0, said
        assert "ml in 1.0 days; allowed" in said
        pot = pot_folder.load(folder)
        assert not pot.problems
        assert stage.standing(pot, person.board.unique_id.hex()).stage == 2
        assert pot.pot is not None
        assert pot.pot.calibration.panel == 1
        # The tables are the simulated probes' own, as far as two points can tell.
        truth = person.world.pot
        levels = truth.soil.levels
        assert pot.calibration["capacity_ppt"] == pytest.approx(1000 * levels.capacity, abs=2)
        assert pot.calibration["level"]["points"][-1][1] == pytest.approx(
            truth.line.parts.capacity_ml - truth.line.parts.intake_ml, abs=5
        )
        points = [p for p in Book(folder).points("soil") if p.kind != "bench"]
        assert [p.value for p in points] == pytest.approx(
            [1000 * levels.capacity, 1000 * levels.stress], abs=2
        )
        code, said = evening.types("flash")
        assert code == 0, said
        dry = truth.soil.content
        evening.here("advance 3")
        assert truth.soil.content > dry + 0.02  # it watered by itself
        code, said = evening.types("pull")
        assert code == 0, said
    assert main(["replay", str(folder)]) == 0
    said = capsys.readouterr().out
    assert "0 trips, 0 lockouts" in said
    assert main(["budget", str(folder)]) == 0
    said = capsys.readouterr().out
    assert "Panel for never charging by hand: " in said
    assert "wants most; has " in said
    assert "enough" in said
    assert main(["sheet", str(folder), "--out", str(tmp_path / "pages")]) == 0
    assert (tmp_path / "pages" / "basil-sheet.html").stat().st_size > 10_000
    main(["report", str(folder), "--out", str(tmp_path / "pages"), "--as-of", "2026-05-05"])
    assert "well" in capsys.readouterr().out
    assert (tmp_path / "pages" / "basil.html").stat().st_size > 1000
