"""Pages kept up to date while reports come: `wakewell listen --page DIR`.

A thread of its own writes them, so that no board waits for its answer. Each page is written beside
and renamed, so that a phone never gets half a page. What does not belong here: a server; any web
server can show the folder.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable
from pathlib import Path

from wakewell.errors import BadInput
from wakewell.log import logs, series
from wakewell.report import page_files, pages

ROUND = "index.html"  # what a web server shows of a folder
AGAIN_S = 3600.0  # a page is made again after this time, because a silent pot's page changes too


class Shown:
    """The pages of some pots. folders: {board: pot's folder}; say: where a failure is told."""

    def __init__(self, folders: dict[str, Path], out: Path, say: Callable[[str], None]) -> None:
        """Raises BadInput without the packages that draw, or where nothing can be written."""
        page_files.can_draw()
        self.folders, self.out, self.say = folders, out, say
        self.names = dict(zip(folders, series.names(folders.values()), strict=True))
        self.views: dict[str, pages.PotView] = {}
        self.unread = dict.fromkeys(folders, "nothing heard yet")
        self._changed: set[str] = set()
        self._look = threading.Condition()
        self._stopped = False
        self._thread = threading.Thread(target=self._run, name="pages", daemon=True)
        pages.write(out / pages.SAFETY_PAGE, pages.safety_page().encode())

    def changed(self, boards: Iterable[str]) -> None:
        """Something was heard of these boards."""
        with self._look:
            self._changed.update(boards)
            self._look.notify()

    def start(self) -> None:
        """Write all of them, then what changes."""
        self.changed(self.folders)
        self._thread.start()

    def stop(self) -> None:
        """Write what is still to be written, and end."""
        with self._look:
            self._stopped = True
            self._look.notify()
        self._thread.join()

    def _run(self) -> None:
        while True:
            with self._look:
                if not self._changed and not self._stopped:
                    in_time = self._look.wait_for(lambda: self._changed or self._stopped, AGAIN_S)
                    self._changed.update(() if in_time else self.folders)
                boards, self._changed, last = self._changed, set(), self._stopped
            if boards:
                try:
                    self.write(boards)
                except BadInput as error:
                    self.say(f"pages: {error}")
            if last:
                return

    def write(self, boards: Iterable[str]) -> None:
        """Write the pages of these boards, and the round over all. A log that cannot be read keeps
        no other pot's page back: the round says why. Raises BadInput where nothing can be written.
        """
        for board in sorted(boards):
            try:
                self._read(board)
            except BadInput as error:
                self.views.pop(board, None)
                self.unread[board] = str(error)
                self.say(f"pages: {error}")
                continue
            if board in self.views:
                self._put(self.views[board].page, pages.pot_page(self.views[board], ROUND))
        unread = [(self.names[b], why) for b, why in self.unread.items() if b not in self.views]
        self._put(ROUND, pages.round_page(list(self.views.values()), unread))

    def _read(self, board: str) -> None:
        """What the pot's log says now. Raises BadInput."""
        folder = self.folders[board] / "logs"
        found = logs.find_logs(folder) if folder.is_dir() else []
        for place, files in found[:1]:
            log = series.read(self.names[board], place, files)
            if log.wakes:
                self.views[board] = pages.view(log, "", page_files.today())

    def _put(self, name: str, text: str) -> None:
        pages.write(self.out / name, text.encode())
