# mypy: ignore-errors
"""The `select` module of the desk interpreter: its own, but for how long a wait really takes.

Belongs here: the wait of a poll. The other end is real even when time passes only as the board uses
it. So a wait is real too. Where nobody will answer, a test shortens it.
"""

import select as _select

import desk_core as _core

POLLIN, POLLOUT, POLLERR, POLLHUP = (
    _select.POLLIN,
    _select.POLLOUT,
    _select.POLLERR,
    _select.POLLHUP,
)


class poll:
    def __init__(self):
        poller = _select.poll()
        self._poll, self.ipoll = poller.poll, poller.ipoll
        self.register, self.modify, self.unregister = (
            poller.register,
            poller.modify,
            poller.unregister,
        )

    def poll(self, ms=-1):
        if ms > 0 and not _core.S.paced:
            ms = max(1, ms * _core.S.patience // 1000)
        return self._poll(ms)
