"""A TLS handshake with a host, as before a report."""

import time

import chip


def main(host: str, port: int, now_s: int) -> "tuple[int, int, str]":
    """(milliseconds to join the Wi-Fi, milliseconds of the handshake, why it failed or "").

    now_s: seconds since 2000-01-01 UTC, by which certificates are judged.
    """
    from wakeboard import radio
    from wakeboard.files import read_bytes

    start, why, joined_ms = time.ticks_ms(), "", 0
    private = radio.secrets("/pot")
    if private is None:
        why = "no secrets on the board"
    else:
        wlan = radio.join(private)
        joined_ms = time.ticks_diff(time.ticks_ms(), start)
        if wlan is None:
            why = "no Wi-Fi"
        else:
            stream = None
            try:
                chip.set_clock(now_s)
                start = time.ticks_ms()
                server = wlan.ifconfig()[3]
                stream = radio.call(host, port, read_bytes("/pot/ca.der"), True, server)[0]
                for _ in range(1000):
                    if stream.write(b"\r\n"):
                        break
                    time.sleep_ms(20)
                else:
                    why = "no end of the handshake in 20 s"
            except (OSError, ValueError, RuntimeError, MemoryError) as error:
                why = repr(error)
            if stream is not None:
                stream.close()
            radio.leave(wlan)
    return joined_ms, time.ticks_diff(time.ticks_ms(), start), why
