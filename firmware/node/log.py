"""The last things that went wrong: on the console as they happen, and the newest of them in memory.

What a person will ask for later goes to the flash as well, through `keeper`.
"""

import io
import sys

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Callable

KEEP = 16
LONGEST = 600  # characters of one entry that are kept


class Log:
    """A bounded list of (up_ms, text), oldest first; `say` also gets each line at once."""

    def __init__(
        self, now_ms: "Callable[[], int]", keep: int = KEEP, say: "Callable[[str], None]" = print
    ) -> None:
        self.entries: list[tuple[int, str]] = []
        self._now_ms = now_ms
        self._keep = keep
        self._say = say
        self.keeper: Callable[[str], None] | None = None

    def note(self, text: str) -> None:
        """Keep a line and print it; what would only repeat the newest line is left out."""
        kept = text[:LONGEST]
        if self.entries and self.entries[-1][1] == kept:
            return
        now_ms = self._now_ms()
        if len(self.entries) >= self._keep:
            del self.entries[0]
        self.entries.append((now_ms, kept))
        self._say("%d.%03d %s" % (now_ms // 1000, now_ms % 1000, text))

    def failure(self, what: str, error: BaseException) -> None:
        """Keep and print what failed, with where in the code it did."""
        told = trace(error)
        self.note("%s failed\n%s" % (what, told))
        if self.keeper is not None:
            # The first words and the last lines say most in least room.
            self.keeper(
                "%s failed: %s" % (what, " | ".join([line.strip() for line in told.split("\n")[-3:]]))
            )

    def fault(self, text: str) -> None:
        """Keep and print a line that must outlive a restart."""
        self.note(text)
        if self.keeper is not None:
            self.keeper(text)


def trace(error: BaseException) -> str:
    """Return the traceback of an error as text."""
    out = io.StringIO()
    sys.print_exception(error, out)
    text: str = out.getvalue()
    return text.rstrip()
