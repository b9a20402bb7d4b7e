"""The only entry of the firmware. However the node ends, the board starts it again."""

import gc
import os
import sys
import time

if hasattr(gc, "threshold"):
    # Collecting early keeps what stays close together: a board needs room in one piece, and cannot move things.
    gc.threshold(8192)

import hal

PAUSE_S = 5  # before a restart after a failure, so that the console can be read


def folder() -> str:
    """Return the folder of `settings.json` and `secrets.json`: told as an argument or in WHEELPIT_NODE_DIR, or /."""
    from node.settings import node_folder  # noqa: PLC0415 - whatever cannot be imported must end in a restart

    getenv = getattr(os, "getenv", None)  # a board has no environment
    told = getenv("WHEELPIT_NODE_DIR") if getenv is not None else None
    return node_folder(sys.argv[1] if len(sys.argv) > 1 else None, told)


def main() -> None:
    """Run the node until it fails, then restart the board.

    A board may offer `maintenance()`: it waits a moment at start for a person at the console or a closed switch,
    and returns True to leave the console free instead of starting the node.
    """
    board = hal.board()
    maintenance = getattr(board, "maintenance", None)
    if maintenance is not None and maintenance():
        print("Maintenance: the node does not run. Restart the board to start it.")
        return
    try:
        import asyncio  # noqa: PLC0415 - as above

        from node import app  # noqa: PLC0415 - as above

        asyncio.run(app.run(board, folder()))
    except Exception as error:
        sys.print_exception(error)
        time.sleep(PAUSE_S)
    finally:
        board.restart()


if __name__ == "__main__":
    main()
