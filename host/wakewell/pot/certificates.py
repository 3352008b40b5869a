"""The certificate by which a pot knows its broker: is it valid, and until when?

What belongs here: its dates, and what a person is told of them. What does not: the secrets beside
it (private.py), the board's clock (wakeboard.clock).
"""

from __future__ import annotations

import ssl
from datetime import UTC, datetime
from pathlib import Path

from wakewell.pot import private
from wakewell.pot.description import PRIVATE

SOON_DAYS = 400  # a certificate is looked at again at the next flash: about once a year


def dates(der: bytes) -> tuple[datetime, datetime] | None:
    """From when until when it is valid; None where that cannot be read here."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    try:
        context.load_verify_locations(cadata=der)
        found = context.get_ca_certs()
        texts = [str(found[0][name]) for name in ("notBefore", "notAfter")]
        begin, end = (datetime.fromtimestamp(ssl.cert_time_to_seconds(text), UTC) for text in texts)
    except (ssl.SSLError, ValueError, KeyError, IndexError, OverflowError):
        return None
    return begin, end


def notes(folder: Path, now: datetime) -> list[str]:
    """What a person with the cable should know of that pot's certificate, if it has one."""
    if not (folder / PRIVATE).exists():
        return []
    found = private.read(folder)
    if not found.ca:
        return []
    (name, way), *_ = found.ways().items()
    file = way["ca"]
    span = dates(found.ca)
    if span is None:
        return [f"{file}: its dates cannot be read; if it is no authority's, TLS may refuse it"]
    begin, end = span
    rows = []
    if now < begin:
        rows.append(f"{file} is not valid before {begin:%Y-%m-%d}: until then no report is heard")
    elif now > end:
        rows.append(f"{file} ended on {end:%Y-%m-%d}: no report is heard; put a newer one there")
    elif (end - now).days < SOON_DAYS:
        rows.append(
            f"{file} ends on {end:%Y-%m-%d}: visit before that with a newer one ({name}.ca)"
        )
    if not found.ntp["host"]:
        rows.append(
            "no clock server ([ntp] in private.toml): after a power cut the board refuses a "
            "certificate that is newer than the last known time"
        )
    return rows
