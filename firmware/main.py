"""The only entry of the firmware. However the node ends, the board starts it again."""

import gc
import os
import sys
import time

if hasattr(gc, "threshold"):
    # Collecting early keeps what stays close together: a board needs room in one piece, and cannot move things.
    gc.threshold(8192)

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any

PAUSE_S = 5  # before a restart after a failure, so that the console can be read
WRONG = (
    "WRONG FIRMWARE: this board's MicroPython cannot load what was compiled for another version (%s). "
    "Run `wheelpit node install` again, or put the MicroPython on the board that it asks for."
)
_SAY_AGAIN = 10  # blinks between two times it is said
_LOG_MOST = 8000  # bytes of the log of faults; a longer one is left alone
_TAIL = 400


def folder() -> str:
    """Return the folder of `settings.json` and `secrets.json`: told as an argument or in WHEELPIT_NODE_DIR, or /."""
    getenv = getattr(os, "getenv", None)  # a board has no environment
    told = getenv("WHEELPIT_NODE_DIR") if getenv is not None else None
    return sys.argv[1] if len(sys.argv) > 1 else told or "/"


def keep(text: str) -> None:
    """Add a line to the log of faults unless it is the newest there; the node's own code may not be loadable."""
    place = folder().rstrip("/") + "/state"
    try:
        try:
            os.mkdir(place)
        except OSError:
            pass  # it is there
        with open(place + "/faults", "a+b") as file:
            size = file.seek(0, 2)
            file.seek(max(0, size - _TAIL))
            if size < _LOG_MOST and text.encode() not in file.read():
                file.write(b"- - - " + text.encode() + b"\n")
    except OSError as error:
        print("the fault cannot be kept (%s)" % error)


def is_wrong_firmware(error: BaseException) -> bool:
    """Say whether an import failed because a module was compiled for another MicroPython."""
    return isinstance(error, ValueError) and ".mpy" in str(error)


def stay_with(error: BaseException, board: "Any") -> None:
    """Say for ever that the firmware is the wrong one, with three blinks and a pause: a restart would change nothing.

    Ctrl-C at the console ends it, so that the right firmware can be put on the board.
    """
    text = WRONG % error
    keep(text)
    try:
        lamp = board.output("LED")
    except (AttributeError, ValueError, TypeError, OSError):
        lamp = None  # hal itself cannot be loaded, or this board knows no lamp by that name
    said = 0
    while True:
        if said % _SAY_AGAIN == 0:
            print(text)
        said += 1
        for _ in range(3):
            for level in (1, 0):
                if lamp is not None:
                    lamp(level)
                time.sleep_ms(200)
        time.sleep_ms(1000)


def main() -> None:
    """Run the node until it fails, then restart the board.

    A board may offer `maintenance()`: it waits a moment at start for a person at the console or a closed switch,
    and returns True to leave the console free instead of starting the node.
    """
    try:
        import hal  # noqa: PLC0415 - one that cannot be loaded must be told, not die
    except ValueError as error:
        if is_wrong_firmware(error):
            stay_with(error, None)
        raise
    board = hal.board()
    maintenance = getattr(board, "maintenance", None)
    if maintenance is not None and maintenance():
        print("Maintenance: the node does not run. Restart the board to start it.")
        return
    try:
        import asyncio  # noqa: PLC0415 - whatever cannot be imported must end in a restart

        from node import app  # noqa: PLC0415 - as above

        asyncio.run(app.run(board, folder()))
    except Exception as error:
        sys.print_exception(error)
        if is_wrong_firmware(error):
            stay_with(error, board)
        keep("the node ended: %s" % repr(error)[:200])
        time.sleep(PAUSE_S)
    finally:
        board.restart()


if __name__ == "__main__":
    main()
