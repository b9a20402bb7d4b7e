"""The only entry of the firmware. However the node ends, the board starts it again."""

import os
import sys
import time

PAUSE_S = 5  # before a restart after a failure, so that a console can be read and flash is not worn


def folder() -> str:
    """Return the folder of `settings.json` and `secrets.json`: told as an argument or in WHEELPIT_NODE_DIR, or /."""
    from node.settings import node_folder

    getenv = getattr(os, "getenv", None)  # a board has no environment
    return node_folder(sys.argv[1] if len(sys.argv) > 1 else None, getenv and getenv("WHEELPIT_NODE_DIR"))


def main() -> None:
    """Run the node until it fails, then restart the board.

    A board may offer `maintenance()`: it waits a moment at start for a person at the console or a closed switch,
    and returns True to leave the console free instead of starting the node.
    """
    import hal

    board = hal.board()
    maintenance = getattr(board, "maintenance", None)
    if maintenance is not None and maintenance():
        print("Maintenance: the node does not run. Restart the board to start it.")
        return
    try:
        import asyncio

        from node import app

        asyncio.run(app.run(board, folder()))
    except Exception as error:
        from node.log import trace

        print(trace(error))
        time.sleep(PAUSE_S)
    finally:
        board.restart()


if __name__ == "__main__":
    main()
