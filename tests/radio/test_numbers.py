"""Numbers for others, as OpenMetrics text and as plain SenML; they tell nothing of a home."""

from __future__ import annotations

import http.client
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import mosquitto
import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families
from test_listen import BOARD, KEY, LINES, Desk, Running, flood, pack
from test_order import wake

import waiting
from wakeboard import senml
from wakecore import line
from wakewell import cli
from wakewell.errors import BadInput
from wakewell.log import record
from wakewell.log.record import Wake
from wakewell.pot import pot_folder, private
from wakewell.radio import broker, letters, plain
from wakewell.radio import metrics as served
from wakewell.radio.waiting import Waiting

HOME = "Anna Müller"  # an owner


def newest(lines: list[bytes]) -> Wake:
    found = record.read(lines[-1]).found
    assert isinstance(found, Wake)
    return found


def samples(text: str) -> dict[tuple[str, str], float]:
    """{(name, its label besides the board): value} of one board's text, by the library's parser."""
    found = {}
    for family in text_string_to_metric_families(text):
        for one in family.samples:
            more = "".join(v for k, v in one.labels.items() if k != "board")
            assert one.labels.get("board", BOARD) == BOARD
            found[one.name, more] = one.value
    return found


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    made = Desk(tmp_path / HOME)
    made.hear(pack(LINES[:20]))
    return made


@pytest.fixture
def door(desk: Desk) -> Iterator[served.Metrics]:
    made = served.Metrics(desk.listener, *served.place_of(str(mosquitto.free_port())))
    made.start()
    yield made
    made.stop()


def get(
    door: served.Metrics, path: str = served.PATH, host: str | None = None
) -> tuple[int, str, str]:
    """(status, kind of content, text) of an answer."""
    caller = http.client.HTTPConnection("127.0.0.1", door.door.server_address[1])
    caller.request("GET", path, headers={"Host": host} if host else {})
    answer = caller.getresponse()
    text = answer.read().decode()
    caller.close()
    return answer.status, str(answer.getheader("Content-Type")), text


def test_the_text_says_what_the_newest_wake_says(desk: Desk, door: served.Metrics) -> None:
    status, kind, text = get(door)
    assert status == 200
    assert kind.startswith("application/openmetrics-text")
    found, last = samples(text), newest(LINES[:20])
    assert text.endswith("# EOF\n")
    for name, value in (
        ("wakewell_soil_ratio", (last.values.soil_ppt or 0) / 1000),
        ("wakewell_tank_liters", (last.values.level_ml or 0) / 1000),
        ("wakewell_battery_volts", (last.values.battery_mv or 0) / 1000),
        ("wakewell_given_in_a_day_liters", last.water.day_ml / 1000),
        ("wakewell_charge_of_a_wake_coulombs", last.charge_uah * 3.6e-3),  # 1 Ah is 3600 C
        ("wakewell_reports_heard_total", 1),
        ("wakewell_lines_kept_total", 20),
    ):
        assert found[name, ""] == pytest.approx(value), name
    desk.hear(pack([wake(90, 9990, ("fill the tank",))], n=2, at=10**6))
    found = samples(get(door)[2])
    held = {more for (name, more), v in found.items() if name == "wakewell_need" and v}
    assert held == {"fill the tank"}
    assert found["wakewell_lockout", "leak"] == 0


def test_who_may_ask_and_what_is_there(desk: Desk, door: served.Metrics) -> None:
    """A page of another site that took this computer's address for its own reads nothing."""
    assert get(door, "/")[0] == 404
    assert get(door, host="evil.example")[0] == 403
    assert get(door, host="localhost:1")[0] == 200
    assert door.door.server_address[0] == "127.0.0.1"
    desk.listener.store.close()
    (desk.folder / "heard.db").write_bytes(b"no database" * 999)
    assert get(door)[::2] == (503, "")


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("9100", ("127.0.0.1", 9100)),
        ("192.168.1.5:80", ("192.168.1.5", 80)),
        ("[::1]:80", ("::1", 80)),
        *((text, None) for text in ("", "0", "65536", "x", ":80", "a:b", "9" * 5000, "-1")),
    ],
)
def test_where_it_is_served(text: str, wanted: tuple[str, int] | None) -> None:
    if wanted is not None:
        assert served.place_of(text) == wanted
        return
    with pytest.raises(BadInput, match="HOST:PORT"):
        served.place_of(text)


def test_a_pack_is_senml_and_says_the_same(desk: Desk) -> None:
    heard = desk.listener.store.pots()[BOARD]
    data = plain.pack(BOARD, heard)
    found = {one["n"]: one for one in letters.resolve(json.loads(data), 0)}
    base, last = senml.base_name(BOARD), newest(LINES[:20])
    assert {one["t"] for one in found.values()} == {heard.told_at}
    for name, unit, value in (
        ("soil", "/", (last.values.soil_ppt or 0) / 1000),
        ("tank", "m3", (last.values.level_ml or 0) / 1e6),
        ("battery", "V", (last.values.battery_mv or 0) / 1000),
        ("given", "m3", last.water.day_ml / 1e6),
        ("charge", "C", last.charge_uah * 3.6e-3),
    ):
        one = found[base + name]
        assert (one["u"], one["v"]) == (unit, pytest.approx(value)), name
    assert (found[base + "needs"]["vs"], found[base + "lockouts"]["vs"]) == ("", "")


def told_of(folder: Path, desk: Desk) -> str:
    """Everything that either tells of a pot."""
    heard = desk.listener.store.pots()[BOARD]
    return served.page(desk.listener).decode() + plain.pack(BOARD, heard).decode()


def test_no_key_name_or_wifi_is_in_either(desk: Desk, pot: Path) -> None:
    """Whatever stands in a pot's files, and whatever a board that was tampered with says of itself
    under its own key."""
    path = pot / "private.toml"
    secret = private.read(pot)
    words = [*secret.words(), secret.wifi["name"], secret.broker["user"], HOME, "Anna"]
    assert (secret.wifi["name"], secret.broker["user"]) == ("greenhouse", mosquitto.USER)
    words += [word for word in path.read_text().split('"')[1::2] if len(word) > 3]
    about = pot_folder.load(pot).about
    assert about is not None
    words += [about.name, about.place, about.maker, about.reach]
    told, _ = line.decode(wake(91, 9991))
    assert told is not None
    told |= {"needs": [HOME, "greenhouse", "fill the tank"], "lockouts": [KEY.hex()[:40]]}
    told["values"] |= {"soil_ppt": 333}
    body = senml.head(BOARD, 3, "0011223344556677", {"wifi": "greenhouse", "owner": HOME})
    body += senml.log_line(1, 10**6, bytes(line.encode(tuple(told), told)))
    desk.hear(bytes(senml.close(body, KEY)))
    heard = desk.listener.store.pots()[BOARD]
    shown = told_of(pot, desk)
    assert "0.333" in shown
    assert "fill the tank" in shown
    assert HOME in heard.told["needs"]
    for word in (*words, "greenhouse", KEY.hex()[:40]):
        assert not word or word not in shown, word


def test_it_is_left_at_the_broker_and_only_when_told_to(
    server: mosquitto.Broker, pot: Path
) -> None:
    """Retained, for who comes later; a report that comes late does not take the newest's place."""
    secret = private.read(pot)
    seen: list[Any] = []
    with Running(pot, secret) as running:
        running.desk.listener.publish, count = plain.publisher(running.radio)
        assert count == 1
        flood(secret, pot, [pack(LINES[8:20], 2, secret.key), pack(LINES[:8], 1, secret.key)])
        running.wait_for(20)
        wanted = plain.pack(BOARD, running.desk.listener.store.pots()[BOARD])
        client = broker.client(secret, "")
        client.on_message = lambda c, u, message: seen.append((message.retain, message.payload))
        client.on_connect = lambda c, *_: c.subscribe(f"wakewell/{BOARD}/plain", 1)
        broker.connect(client, secret, pot)
        client.loop_start()
        waiting.until(lambda: seen and seen[-1][1] == wanted, lambda: seen)
        client.disconnect()
        client.loop_stop()
    assert b'"n":"soil"' in wanted
    with pytest.raises(BadInput, match="names no broker"):
        plain.publisher(Waiting())


def test_what_is_plain_is_said_where_it_is_asked_for(
    server: mosquitto.Broker, pot: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    port = str(mosquitto.free_port())
    words = ["listen", str(pot), "--for", "0.1"]
    assert cli.main([*words, "--publish", "--metrics", f"localhost:{port}"]) == 0
    said = capsys.readouterr().err
    assert "they are not sealed" in said
    assert "anyone who can reach" not in said
    assert cli.main([*words, "--metrics", f"0.0.0.0:{port}"]) == 0
    said = capsys.readouterr().err
    assert f"anyone who can reach 0.0.0.0:{port} can read these pots' numbers" in said
    assert "not sealed" not in said
    assert cli.main([*words, "--metrics", "nowhere"]) == 2
