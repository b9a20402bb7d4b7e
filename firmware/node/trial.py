"""New settings on trial: written whole, kept only if the broker is reached with them, else taken back.

Settings come over the broker, so it was reached before the change. If it is not reached within PATIENCE_MS after it,
or the node starts BOOTS times without reaching it, the former settings come back. The broker may only have been away
just then: so the first time they are tried once more as soon as the former settings reach it. The second time, and
where they cannot even be loaded, their revision is refused for good: a broker that keeps offering it starts no loop.

One small file, written as a whole, says what is going on, so that the power may go at any moment.
"""

from micropython import const

from node import settings
from node.fields import SettingsError
from node.flash_files import Folder
from node.kept import Kept, whole

FILE = "trial"
IN_FORCE = "settings.json"
FORMER = "settings.old"
PATIENCE_MS = const(300_000)
BOOTS = const(5)
_REFUSED_MOST = const(8)


class Trial:
    """Of the settings in one folder.

    on: revision on trial, 0 for none. rolled_back: the revision that was taken back last, 0 for none; why: the reason.
    refused: revisions that are never tried again.
    """

    def __init__(self, folder: str, kept: Kept) -> None:
        self._files = Folder(folder)
        self._kept = kept
        told = kept.read(FILE)
        self.on = whole(told, "to")
        self.rolled_back = whole(told, "rolled_back")
        why = told.get("why")
        self.why = why if isinstance(why, str) else ""
        refused = told.get("refused")
        self.refused: list[int] = (
            [n for n in refused if isinstance(n, int)] if isinstance(refused, list) else []
        )
        self._failed = whole(told, "failed")  # has been taken back once
        self._boots = whole(told, "boots")
        self._going_back = bool(told.get("going_back"))

    def at_boot(self) -> None:
        """Find out where the last boot left off; call before the settings are read. Raises OSError."""
        if not self.on:
            return
        if self._going_back:
            self._restore()
            return
        try:
            found = settings.load(self._files.path)
        except SettingsError as error:
            self.roll_back("cannot be loaded: " + error.problems[0], for_good=True)
            return
        if found.revision != self.on:
            self._over()  # the power went before they were in force
            return
        self._boots += 1
        if self._boots > BOOTS:
            self.roll_back(
                "the node started %d times with them and did not reach the broker" % BOOTS, for_good=True
            )
        else:
            self._write()

    def begin(self, text: bytes, revision: int) -> None:
        """Put checked settings in force, on trial; they are used from the next start on. Raises OSError."""
        with open(self._files.path + "/" + IN_FORCE, "rb") as file:
            self._files.replace(FORMER, file.read())
        self.on = revision
        self._boots = 0
        self._write()
        self._files.replace(IN_FORCE, text)

    def reached(self) -> None:
        """The broker was reached: settings on trial have passed. Raises OSError."""
        if self.on:
            if self._failed == self.on:
                self._failed = 0
            self.rolled_back = 0
            self.why = ""
            self._over()

    def due(self, up_ms: int) -> bool:
        """Say whether settings on trial have had their time."""
        return self.on > 0 and up_ms >= PATIENCE_MS

    def roll_back(self, why: str, *, for_good: bool = False) -> None:
        """Take settings on trial back; they are out of force from the next start on. Raises OSError."""
        if for_good or self._failed == self.on:
            self.refused.append(self.on)
            del self.refused[:-_REFUSED_MOST]
            self._failed = 0
        else:
            self._failed = self.on
        self.rolled_back = self.on
        self.why = why
        self._going_back = True
        self._write()
        self._restore()

    def _restore(self) -> None:
        try:
            with open(self._files.path + "/" + FORMER, "rb") as file:
                self._files.replace(IN_FORCE, file.read())
        except OSError as error:
            print("the former settings are not there any more (%s)" % error)
        self._over()

    def _over(self) -> None:
        self.on = 0
        self._boots = 0
        self._going_back = False
        self._write()

    def _write(self) -> None:
        told: dict[str, object] = {
            "to": self.on,
            "boots": self._boots,
            "going_back": self._going_back,
            "failed": self._failed,
            "refused": self.refused,
            "rolled_back": self.rolled_back,
            "why": self.why,
        }
        self._kept.write(FILE, told)
