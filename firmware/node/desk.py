"""Where settings and orders from the host come in; what deals with them is loaded when the first of them does.

Most nodes never hear of either, and their memory has better uses.
"""

import gc

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Callable

    from node.control import Control


class Desk:
    """make: returns the control. Opened at once where something is left over from the last boot."""

    def __init__(self, make: "Callable[[], Control]") -> None:
        self._make = make
        self._control: "Control | None" = None

    @property
    def refused(self) -> int:
        """The newest revision of settings that was refused, 0 for none."""
        return self._control.refused if self._control is not None else 0

    def open(self) -> "Control":
        """Return the control, which is there from now on."""
        if self._control is None:
            self._control = self._make()
        return self._control

    def on_up(self) -> None:
        """Take note that the broker was reached."""
        if self._control is not None:
            self._control.on_up()

    def on_settings(self, payload: bytes) -> None:
        """Take settings; an empty message says that the broker keeps none any more. Raises ValueError without memory."""
        if not payload:
            return
        gc.collect()
        try:
            self.open().on_settings(payload)
        except MemoryError as error:
            raise ValueError("no memory to look at settings of %d bytes" % len(payload)) from error

    def on_order(self, payload: bytes) -> None:
        """Take an order. Raises ValueError for what is none, or without memory."""
        gc.collect()
        try:
            self.open().on_order(payload)
        except MemoryError as error:
            raise ValueError("no memory to look at an order") from error

    def next_answer(self, now_ms: int) -> "tuple[str, dict[str, object]] | None":
        """Return the next answer: for which kind of message, and its content."""
        return self._control.next_answer(now_ms) if self._control is not None else None

    def look(self, up_ms: int) -> bool:
        """Let time pass; return whether to restart now. Raises OSError when settings cannot be taken back."""
        return self._control is not None and self._control.look(up_ms)
