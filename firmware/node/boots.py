"""How often the board has started again soon after starting: five times in a row lead to the minimal mode.

Then everything that a node can do without is left out, so that it goes on sampling and reporting while somebody finds
out why. It leaves the mode after an hour by a restart, and is back in it if the next start fails as well; an order to
restart, other settings or switching the power off and on end it at once. A start after a power cut does not count.
"""

from micropython import const

from node.kept import whole

TYPE_CHECKING = False
if TYPE_CHECKING:
    from node.kept import Kept

FILE = "boots"
FAST = const(5)
STEADY_MS = const(600_000)  # a boot that has lasted this long was not a fast one
MINIMAL_MS = const(3_600_000)
POWER = "power"


class Boots:
    """minimal: whether this boot leaves out what it can. fast: starts in a row that came too soon."""

    def __init__(self, kept: "Kept", cause: str) -> None:
        self._kept = kept
        kept_fast = whole(kept.read(FILE), "fast")
        self.fast = 0 if cause == POWER else min(kept_fast + 1, FAST)
        self.minimal = self.fast >= FAST
        self._steady = False
        if self.fast != kept_fast:
            self._write(self.fast)

    def look(self, up_ms: int) -> bool:
        """Let time pass; return whether it is time to leave the minimal mode by a restart."""
        if self.minimal:
            return up_ms >= MINIMAL_MS
        if not self._steady and up_ms >= STEADY_MS:
            self._steady = True
            if self.fast:
                self.forgive()
        return False

    def leave(self) -> None:
        """Let the next start be a whole one, and the one after it a minimal one again if that fails."""
        self._write(FAST - 2)

    def forgive(self) -> None:
        """Forget what was: a start that was asked for is not a failure."""
        self._write(0)

    def _write(self, fast: int) -> None:
        self.fast = fast
        try:
            self._kept.write(FILE, {"fast": fast})
        except OSError as error:
            print("the number of starts cannot be kept (%s)" % error)
