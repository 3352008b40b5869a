"""Other settings for a pot without a cable, inside its hard limits.

Checks each value against its range and the pot's limits, says what would change, seals the
message with the pot's key, keeps a copy beside the pot's files and leaves it with the
broker until the pot's next report. Without values it shows what is asked and in force.
"""

from __future__ import annotations

import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from wakeboard import asked
from wakecore import line
from wakewell import kept
from wakewell.bench import check
from wakewell.errors import BadInput
from wakewell.log import logs
from wakewell.log.obeyed import (
    EPOCH,
    FOLDER,
    KEPT,
    ROWS,
    Known,
    known,
    made_so_far,
    moment,
    read_made,
)
from wakewell.log.record import Wake
from wakewell.pot import description, meanings, pot_folder, private
from wakewell.pot.board_file import board_id
from wakewell.radio import broker, newkey, pieces
from wakewell.replay import replaying
from wakewell.replay.asked import Asked
from wakewell.replay.verdicts import many
from wakewell.tomlfile import nearest, show_path

DAYS = 7  # how long a message may be taken, unless the person says otherwise
MEANINGS = meanings.of("settings")


NEVER = "CAUTION: it obeys radio_wakes = 0 and never asks the broker; flash it by cable"


def never_reports(at: Known) -> bool:
    """Does a pot take nothing by radio, whatever is left for it?"""
    return not at.settings["radio_wakes"]


def parse(words: list[str]) -> dict[str, int]:
    """{setting: value} from key=value words. Raises BadInput."""
    values: dict[str, int] = {}
    for word in words:
        name, equals, text = word.partition("=")
        if not equals:
            raise BadInput(f"{word}: allowed key=value, such as dose_ml=60")
        if name not in ROWS:
            raise BadInput(f"{name}: not a name of the settings; {nearest(name, ROWS)}")
        _, least, most, _ = ROWS[name]
        try:
            value = int(text)
        except ValueError:
            value = least - 1
        if not least <= value <= most:
            raise BadInput(f"{name} = {text[:40]}: allowed {least} to {most} ({MEANINGS[name]})")
        if name in values:
            raise BadInput(f"{name}: given twice; give it once")
        values[name] = value
    return values


def effect(found: description.PotFolder, now: Known, values: dict[str, int]) -> list[str]:
    """What would change, in words: the settings, and what they decide on the recorded wakes."""
    rows = []
    for name, value in values.items():
        if value != now.settings[name]:
            rows.append(f"  {name}: {now.settings[name]} -> {value} ({MEANINGS[name]})")
    if not rows:
        return ["  nothing: the pot obeys these values already"]
    folder = found.path / "logs"
    if now.last is None:
        return [*rows, "  no log of this pot is here, so the effect on it is not known"]
    other = Asked("asked", {**now.settings, **values})
    for _, files in logs.find_logs(folder)[:1]:
        done = replaying.newest_life(found.name, files, other)
        rows.append(f"  on the {done.played} recorded wakes:")
        rows += [f"    {text}" for text in replaying.in_short(done)]
    if never_reports(now):
        rows.append(f"  {NEVER}")
    elif values.get("radio_wakes") == 0:
        rows.append(
            "  CAUTION: with radio_wakes = 0 it never reports again; only a cable can change that"
        )
    return rows


def with_settings(found: description.PotFolder, values: dict[str, int]) -> description.PotFolder:
    """The pot with those settings, by every rule of `wakewell check`."""
    merged = pot_folder.with_values(found, "settings", values)
    check.see_warnings_leave(merged)
    return merged


def opened(folder: Path) -> tuple[description.PotFolder, str]:
    """(the pot, the id of its board). Raises BadInput where it cannot be asked for anything."""
    found = pot_folder.load(folder)
    if found.pot is None:
        problem = found.problems[0] if found.problems else f"{folder}: not a pot's folder"
        raise BadInput(f"{problem} (wakewell check {show_path(str(folder))} says more)")
    board = board_id(folder)
    if board is None:
        raise BadInput(f"{folder}: the board of this pot is not known; flash it once by cable")
    return found, board


def message(
    folder: Path,
    values: dict[str, int],
    days: int,
    now: datetime | None = None,
    database: str | None = None,
) -> tuple[int, bytes, list[str]]:
    """(number, sealed message, effect in words). Raises BadInput where the pot would refuse it."""
    found, board = opened(folder)
    secret = private.read(folder)
    at = known(folder, found)
    whole = {**at.settings, **values}
    limits_id = line.identity(found.lines["limits"])
    merged = with_settings(found, whole)
    if merged.problems:
        why = "; and ".join(problem.text for problem in merged.problems)
        raise BadInput(f"not asked: it does not fit the values in force: {why}")
    newkey.see_none_under_way(folder, now or datetime.now(UTC))
    made = made_so_far(folder)
    judged, n = next_number(folder, database)
    last, until_n = times(at, days, now)
    until = last - EPOCH
    data = asked.make(
        secret.key, board, n, (until.days, until.seconds), until_n, limits_id, whole
    )  # fmt: skip
    before = {w.text for w in with_settings(found, at.settings).warnings}
    rows = effect(found, at, values)
    rows += [f"  CAUTION: {w.text}" for w in merged.warnings if w.text not in before]
    sent = [one for one in made if not one[1].name.endswith(KEPT)]
    if sent and sent[-1][0] > judged:
        rows += replaced(*sent[-1], at, values, now or datetime.now(UTC))
    return n, bytes(data), rows


def keep(folder: Path, n: int, data: bytes) -> Path:
    """Keep that message in the pot's folder, as one that was not sent; its file."""
    path = folder / FOLDER / f"{n:06d}{KEPT}"
    path.parent.mkdir(exist_ok=True)
    kept.store(path, data, own=True)
    return path


def leave(folder: Path, data: bytes) -> bool:
    """Leave a message with the broker. False: the pot posts its reports, and takes it with the
    answer to one. Raises BadInput."""
    secret = private.read(folder)
    if secret.post["host"]:
        return False
    topic = broker.TOPIC.format(board=board_id(folder), what="asked")
    broker.publish(secret, folder, topic, data, retain=True)
    return True


def next_number(folder: Path, database: str | None) -> tuple[int, int]:
    """(number of the message that the board judged last, number of the next one). Raises
    BadInput."""
    made = made_so_far(folder)
    # What the board judged last counts too: another copy of this folder may have asked it.
    judged = told(folder, database).get("asked", 0)
    if not isinstance(judged, int):
        judged = 0
    n = max(made[-1][0] if made else 0, judged, *newkey.numbers(folder)) + 1
    if n > asked.MOST_N:
        raise BadInput(
            f"{show_path(str(folder))}: its board lost count of what was asked and takes nothing "
            "more; delete /pot/heard.0, heard.1 and their .bad by cable, then let it report once"
        )
    return judged, n


def times(at: Known, days: int, now: datetime | None = None) -> tuple[datetime, int]:
    """Until when a message may be taken, and up to which wake."""
    wakes = -(-days * 86400 // at.settings["wake_s"])
    until = (now or datetime.now(UTC)) + timedelta(days=days)
    return until, (at.last.n if at.last else 0) + wakes


def another_key(
    folder: Path, days: int, database: str | None = None, dry_run: bool = False
) -> tuple[int, bytes]:
    """(number, sealed message) that asks the board for another key (newkey). Raises BadInput.

    dry_run: nothing is written, and there is no message.
    """
    found, board = opened(folder)
    change = newkey.read(folder)
    if change is not None and change.key and change.is_open(datetime.now(UTC)):
        raise BadInput(f"{show_path(str(folder))}: a new key, {newkey.shown(folder)}")
    until, until_n = times(known(folder, found), days)
    _, n = next_number(folder, database)
    if dry_run:
        return n, b""
    day = (until - EPOCH).days, (until - EPOCH).seconds
    return n, newkey.begin(folder, board, n, until, day, until_n)


def replaced(n: int, path: Path, at: Known, values: dict[str, int], now: datetime) -> list[str]:
    """A caution where an earlier message, not yet answered, asks for what this one does not."""
    was = read_made(path)
    lost = [f"{k}={v}" for k, v in was.differs(at).items() if k not in values]
    if not lost or was.until < now or was.in_force(at):
        return []
    words = " ".join(lost)
    return [
        f"  CAUTION: replaces number {n}, not seen in force; ask again for {words} if you still "
        "want that"
    ]


def shown(folder: Path, database: str | None = None) -> list[str]:
    """Asked, in force, next wake: what is known of a pot. Raises BadInput."""
    found = pot_folder.load(folder)
    at = known(folder, found)
    rows = []
    made = made_so_far(folder)
    if made:
        n, path = made[-1]
        was = read_made(path)
        differ = [f"{k}={v}" for k, v in was.differs(at).items()]
        kept = ", made but not sent" if path.name.endswith(KEPT) else ""
        rows.append(f"  asked      number {n}, until {was.until:%Y-%m-%d %H:%M} UTC{kept}")
        if at.last is not None and was.in_force(at):
            rows.append(f"             in force since or before wake {at.last.n}")
        else:
            rows.append("             not seen in force: " + (", ".join(differ) or "no difference"))
    else:
        rows.append("  asked      nothing so far")
    heard = told(folder, database)
    rows += answered(heard)
    rows += sent(folder, heard)
    if text := newkey.shown(folder):
        rows.append(f"  new key    {text}")
    source = "the values of settings.toml; it has no log yet"
    if at.from_log and at.last:
        source = f"what wake {at.last.n} obeyed, the newest on record"
    rows.append(f"  in force   {source}")
    if at.last is not None:
        rows.append(f"  next wake  {next_wake(at.last)}")
    every = at.settings["radio_wakes"]
    if every != 1:
        often = f"every {every} wakes, and takes what is asked then" if every else "never"
        rows.append(f"  reports    {often} (radio_wakes = {every})")
    return rows


def sent(folder: Path, heard: dict[str, Any]) -> list[str]:
    """How far the last version is that was sent to the pot. Raises BadInput."""
    rows = []
    if heard.get("sent_is"):
        state, why = (logs.printable(str(heard.get(name, ""))) for name in ("sent_is", "sent_why"))
        rows.append(f"number {heard.get('sent')}: {state}{f', {why}' if why else ''}")
    if waits := pieces.waits(folder, heard):
        rows.append(f"number {waits[0]}: {waits[1]}")
    return [f"  sent       {text}" for text in rows]


def as_json(folder: Path, database: str | None = None) -> dict[str, Any]:
    """The same for a machine. Raises BadInput."""
    at = known(folder, pot_folder.load(folder))
    made = made_so_far(folder)
    last: dict[str, Any] | None = None
    if made:
        n, path = made[-1]
        was = read_made(path)
        last = {"number": n, "until": f"{was.until:%Y-%m-%d %H:%M}", "differs": was.differs(at)}
        last |= {"sent": not path.name.endswith(KEPT), "in_force": was.in_force(at)}
    heard = told(folder, database)
    waits = pieces.waits(folder, heard)
    return {
        "name": folder.resolve().name,
        "good": True,
        "asked": last,
        "judged_number": heard.get("asked", 0),
        "version_sent": {
            name: heard[name] for name in ("sent", "sent_is", "sent_why") if name in heard
        },
        "version_waits": None if waits is None else {"number": waits[0], "state": waits[1]},
        "settings": at.settings,
        "by_wake": at.last.n if at.from_log and at.last else None,
    }


def next_wake(last: Wake) -> str:
    """When a pot wakes next by its newest record, in words."""
    if last.sleep is None:
        return "not known: its newest wake commands no sleep"
    when = moment(last, last.sleep.seconds)
    if when is None:
        return "not known: its clock is unsure"
    return f"{when:%Y-%m-%d %H:%M} UTC or soon after"


def told(folder: Path, database: str | None = None) -> dict[str, Any]:
    """What the board last told, where `wakewell listen` keeps its database. Raises BadInput."""
    where = database or str(folder.resolve().parent / "heard.db")
    board = board_id(folder)
    if board is None or ("://" not in where and not Path(where).exists()):
        return {}
    from sqlalchemy.exc import SQLAlchemyError

    from wakewell.radio.store import ReportStore, self_made, why_of

    kept = ReportStore(where)
    if kept.note:
        print(kept.note, file=sys.stderr)
    try:
        row = kept.pots().get(board)
    except SQLAlchemyError as error:
        raise BadInput(f"{show_path(self_made(where))}: {why_of(error)}") from None
    finally:
        kept.close()
    return row.told if row else {}


def answered(last: dict[str, Any]) -> list[str]:
    """What the board itself answered, and how many messages it refused, judged any or not."""
    refused = last.get("refused", 0)
    count = many(refused, "message") if isinstance(refused, int) and refused > 0 else ""
    if not last.get("answer"):
        return [f"  refused    {count} so far"] if count else []
    row = f"  answered   number {last.get('asked')}: {logs.printable(str(last['answer']))}"
    return [row + (f" ({count} refused so far)" if count else "")]
