"""A version of the code fetched over the air: some pieces in each report, the last thing said.

The manifest waits at the host, and so does each piece: the board asks for one after the other, as
many as a report may bring, and goes on in the next. What is no piece of this very version is never
written.
"""

import sys
import time

import loader
from wakeboard import manifest, ordered, sent, staging

if False:
    from typing import Any

MOST_PIECES = 32  # in one report
POOR_PIECES = 8  # where the report before it was in vain: poor air, or a cell that breaks down
MOST_VAIN = 14  # reports in a row that bring no piece; then it is given up
PIECE_MS = 4000  # for one piece


def here() -> "dict[str, Any]":
    """What of a manifest has to be so on this board."""
    about: "Any" = sys.implementation
    return {
        "chip": about._machine.split(" ")[-1],
        "mpy": about._mpy & 255,
        "root": manifest.root_id([staging.digest("/" + name) for name in manifest.ROOT]),
    }


def better(kept: bytes, data: bytes, talk: "Any") -> bytes:
    """Which of two manifests is judged; the other is counted if it is refused."""
    data, why = ordered.newer(manifest.opened, kept, data, talk.key, talk.id, sent.Sent().n)
    if why:
        talk.refuse(why)
    return data


def fetch(talk: "Any", link: "Any", data: "bytes | None") -> bool:
    """Judge what was sent, and fetch of it. True if there is news to tell. Raises what link does,
    OSError for the flash; what came until then is kept."""
    one = sent.Sent()
    was = one.n, one.state
    utc = ordered.utc_for(talk.board)
    if data is not None:
        judge(talk, one, data, utc)
    if one.state == sent.FETCHING:
        why = ordered.late(one.times(), utc, talk.n)
        if why:
            one.refuse(why)
        else:
            bring(talk, link, one)
    return (one.n, one.state) != was


def judge(talk: "Any", one: "sent.Sent", data: bytes, utc: list[int]) -> None:
    """A manifest: taken, refused, or known already."""
    n, record, why = manifest.judge(data, talk.key, talk.id, one.n, here, utc, talk.n)
    if record is None and not why:
        return
    if one.lost:
        why, record = sent.LOST, None
    name = ""
    if record is not None:
        name = loader.read(loader.BEFORE) if record["back"] else record["name"]
        if not name:
            why, record = "no version before this one is kept", None
    if record is None:
        talk.refuse(why)
        if n and not one.lost:
            one.n = n
            one.refuse(why)
        return
    place = staging.Staging(one)
    place.begin()
    one.begin(record, name)
    if record["back"] and name != loader.read(loader.IN_FORCE):
        loader.write(loader.STAGED, name)
    if record["back"] or name == loader.read(loader.IN_FORCE):
        one.state = sent.STAGED
    one.save()


def bring(talk: "Any", link: "Any", one: "sent.Sent") -> None:
    """So many pieces as a report may bring."""
    came = [0]

    def get(sha: str, number: int, size: int) -> "bytes | None":
        talk.piece = None
        link.most_ms = min(most_ms, time.ticks_diff(time.ticks_ms(), link.began) + PIECE_MS)
        link.want(talk.topic + manifest.topic(sha, number))
        while talk.piece is None:
            link.next()
        data = manifest.open_piece(talk.piece, talk.key, talk.id, sha, number, size)
        if data is None:
            talk.refuse("not a piece of the version that was sent")
            return None
        came[0] += 1
        return data

    most_ms = link.most_ms
    most = POOR_PIECES if talk.board.vain else MOST_PIECES
    try:
        staging.Staging(one).fetch(get, most)
    finally:
        link.most_ms = most_ms
        talk.piece = None
        vain = 0 if came[0] else one.vain + 1
        if one.state == sent.FETCHING and vain != one.vain:
            one.vain = vain
            if vain >= MOST_VAIN and not whole(one):
                one.refuse("its pieces did not come in %d reports" % MOST_VAIN)
            else:
                one.save()


def whole(one: "sent.Sent") -> bool:
    """Has all of it come, so that only staging is left?"""
    try:
        return staging.Staging(one).all_there()
    except (OSError, ValueError):  # no list, or a damaged one
        return False


def settle() -> None:
    """What has come whole is staged. The radio is off by then: it takes seconds. OSError where the
    flash refuses."""
    one = sent.Sent()
    staging.Staging(one).settle()
