"""Talks to a board over its serial console, through mpremote's transport.

A node that runs is interrupted first. Ours answers that with a restart, and then waits three seconds for a person
before it starts again (`firmware/main.py`); Ctrl-C in that time leaves the console free. So Ctrl-C is sent again
and again, also over a port that goes away and comes back, until there is a prompt.
"""

from __future__ import annotations

import ast
import codecs
import contextlib
import errno
import importlib
import io
import struct
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, NamedTuple, Self

from wheelpit.errors import WheelpitError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

ROOT: Final = "/"
_PATIENCE_S: Final = 25.0
_LOOK_S: Final = 0.3
_PROMPT: Final = b">>> "
_READ_S: Final = 5.0  # longest silence in the middle of an exchange
_WRITE_S: Final = 3.0
_CHUNK: Final = 1024
_RESTART_S: Final = 0.3
# Ends a program or a half-typed line, leaves the raw mode that an earlier program may have left behind.
_STOP: Final = b"\r\x03\x03\x02"

_FACTS: Final = """\
import sys, os
i = sys.implementation
s = os.statvfs('/')
print(repr((i.name, tuple(i.version[:3]), getattr(i, '_machine', ''), getattr(i, '_mpy', 0), sys.platform, s[0], s[3])))
"""
_HELP: Final = """\
import os, hashlib, binascii
def _wheelpit_sum(path):
    try:
        size = os.stat(path)[6]
        f = open(path, 'rb')
    except OSError:
        return None
    h = hashlib.sha256()
    b = memoryview(bytearray(1024))
    n = f.readinto(b)
    while n:
        h.update(b[:n])
        n = f.readinto(b)
    f.close()
    return size, binascii.hexlify(h.digest()).decode()
def _wheelpit_put(fresh, path, wanted):
    found = _wheelpit_sum(fresh)
    if found is None or found[1] != wanted:
        return False
    os.rename(fresh, path)
    return True
"""


class ConsoleError(WheelpitError):
    """The board cannot be reached or does not do what it is told: what happened and what to do."""


class Held(NamedTuple):
    """A file that the board holds: its size and its SHA-256, computed there."""

    size: int
    sha256: str


@dataclass(frozen=True, slots=True)
class Facts:
    """What a board says of itself. mpy: `sys.implementation._mpy`; free: bytes."""

    interpreter: str
    version: tuple[int, ...]
    machine: str
    mpy: int
    platform: str
    block: int
    free_blocks: int

    @property
    def version_text(self) -> str:
        """The version as it is written."""
        return ".".join(str(part) for part in self.version)


def find_port(told: str | None) -> str:
    """Return the serial port that is meant: the one told, or the only USB one there is.

    Raises:
        ConsoleError: There is none, or there are several.
    """
    if told is not None:
        return told
    ports = [port.device for port in _library("serial.tools.list_ports").comports() if port.vid is not None]
    if not ports:
        raise ConsoleError(
            "no board found on USB: plug it in with a cable that carries data, or name its port with --port"
        )
    if len(ports) > 1:
        msg = f"several boards on USB ({', '.join(sorted(ports))}): say which with --port"
        raise ConsoleError(msg)
    return str(ports[0])


def _library(name: str) -> Any:
    try:
        return importlib.import_module(name)
    except ImportError as error:
        raise ConsoleError("mpremote is not installed: pip install 'wheelpit[node]'") from error


class Console:
    """The console of one board; a context manager. What fails raises ConsoleError."""

    def __init__(self, port: str, patience_s: float = _PATIENCE_S) -> None:
        self.port = port
        self._patience_s = patience_s
        self._serial_transport = _library("mpremote.transport_serial").SerialTransport
        self._errors = _library("mpremote.transport")
        self._link: Any = None
        self._has_help = False

    def __enter__(self) -> Self:
        self._open_for_good()
        return self

    def __exit__(self, *_: object) -> None:
        if self._link is not None:
            with contextlib.suppress(OSError):
                if self._link.in_raw_repl:
                    self._link.exit_raw_repl()
            self._close()

    def follow(self, seconds: float, take: Callable[[str], None]) -> bool:
        """Hand over what the board prints for some seconds, without disturbing it.

        Returns:
            Whether it said anything.
        """
        said = False
        text = codecs.getincrementaldecoder("utf-8")("replace")
        end = time.monotonic() + seconds
        with self._told("cannot be listened to"):
            while (left := end - time.monotonic()) > 0:
                waiting = self._link.serial.inWaiting()
                if waiting:
                    said = True
                    take(text.decode(self._link.serial.read(waiting)).replace("\r", ""))
                else:
                    time.sleep(min(0.02, left))
        return said

    def stop(self) -> None:
        """Interrupt whatever runs and take over the console.

        Raises:
            ConsoleError: The board does not answer Ctrl-C.
        """
        end = time.monotonic() + self._patience_s
        heard = b""
        while time.monotonic() < end:
            try:
                if self._link is None:
                    self._open()
                self._link.serial.write(_STOP)
                heard = self._hear()
                if heard.endswith(_PROMPT):
                    self._has_help = False
                    with contextlib.redirect_stdout(io.StringIO()):  # it prints what it did not expect
                        self._link.enter_raw_repl(soft_reset=False)
                    return
            except (OSError, self._errors.TransportError):
                self._close()  # restarting: USB goes away with it
                time.sleep(_LOOK_S)
        tail = heard.decode("utf-8", "replace").strip().splitlines()
        raise ConsoleError(
            f"{self.port}: the board runs and does not answer Ctrl-C for {self._patience_s:.0f} s"
            + (f' (it last said "{tail[-1][:80]}")' if tail else " (it says nothing)")
            + ": unplug it, start this command, plug it in again; or hold its button while it starts"
        )

    def facts(self) -> Facts:
        """Return what the board says of itself."""
        told = self.evaluate(_FACTS)
        return Facts(*told)

    def held(self, paths: Iterable[str]) -> dict[str, Held]:
        """Return the files of these that the board holds, with their checksums, which it computes itself."""
        asked = list(paths)
        told = self._helped(f"for p in {asked!r}:\n print(repr(_wheelpit_sum({ROOT!r} + p)))")
        lines = told.split("\n")[: len(asked)]
        if len(lines) != len(asked):
            raise self._unreadable(told)
        found = {path: self._literal(line) for path, line in zip(asked, lines, strict=True)}
        return {path: Held(*one) for path, one in found.items() if one is not None}

    def names(self, folder: str = "") -> list[str]:
        """Return the names in a folder; a folder that is not there holds none."""
        told: list[str] = self.evaluate(
            f"import os\ntry:\n print(repr(os.listdir({ROOT + folder!r})))\nexcept OSError:\n print('[]')"
        )
        return told

    def read(self, path: str) -> bytes:
        """Return a file's content."""
        with self._told(f"does not give {path}"):
            return bytes(self._link.fs_readfile(ROOT + path, chunk_size=_CHUNK))

    def make_folder(self, path: str) -> None:
        """Make a folder that is not there."""
        self.execute(
            f"import os\ntry:\n os.mkdir({ROOT + path!r})\nexcept OSError as e:\n if e.errno != 17: raise"
        )

    def write(self, path: str, data: bytes, sha256: str, progress: Callable[[int], None]) -> None:
        """Write a file so that it is there as a whole, or not: beside the old one, checked, then in its place.

        Args:
            path: Under the root.
            data: The content.
            sha256: Its checksum, which the board must find too.
            progress: Called with the bytes that went over since the last call.

        Raises:
            ConsoleError: The board is full, or what arrived is not what was sent.
        """
        fresh = path + ".new"
        sent = 0

        def went(now: int, _: int) -> None:
            nonlocal sent
            progress(now - sent)
            sent = now

        with self._told(f"does not take {path}"):
            self._link.fs_writefile(ROOT + fresh, data, chunk_size=_CHUNK, progress_callback=went)
        put = f"print(_wheelpit_put({ROOT + fresh!r}, {ROOT + path!r}, {sha256!r}))"
        if self._literal(self._helped(put)) is not True:
            self.remove(fresh)
            msg = (
                f"{path}: what arrived on the board is not what was sent: run the command again; "
                "if it happens again, try another cable"
            )
            raise ConsoleError(msg)

    def remove(self, path: str) -> None:
        """Delete a file; one that is not there is no error."""
        self.execute(
            f"import os\ntry:\n os.remove({ROOT + path!r})\nexcept OSError as e:\n if e.errno != 2: raise"
        )

    def restart(self) -> None:
        """Restart the board, which starts its program."""
        with self._told("does not restart"):
            self._link.exec_raw_no_follow("import machine, time\ntime.sleep_ms(200)\nmachine.reset()\n")
        self._link.in_raw_repl = False
        time.sleep(_RESTART_S)

    def execute(self, code: str) -> str:
        """Run code on the board and return what it printed."""
        with self._told("does not do what it is told"):
            told: bytes = self._link.exec(code)
        return told.decode("utf-8", "replace")

    def evaluate(self, code: str) -> Any:
        """Run code on the board and return the Python literal that it printed.

        Raises:
            ConsoleError: It printed something else.
        """
        return self._literal(self.execute(code))

    def _helped(self, code: str) -> str:
        """Run code that uses our own functions on the board, which stay there until it restarts."""
        if not self._has_help:
            self.execute(_HELP)
            self._has_help = True
        return self.execute(code).replace("\r", "")

    def _literal(self, told: str) -> Any:
        try:
            return ast.literal_eval(told.strip())
        except (ValueError, SyntaxError) as error:
            raise self._unreadable(told) from error

    def _unreadable(self, told: str) -> ConsoleError:
        return ConsoleError(
            f'{self.port}: the board answered "{told.strip()[:80]}", which cannot be read: run the command again'
        )

    def _open_for_good(self) -> None:
        end = time.monotonic() + min(self._patience_s, 3.0)
        while self._link is None:
            try:
                self._open()
            except (OSError, self._errors.TransportError) as error:
                if time.monotonic() > end:
                    msg = f"{self.port}: cannot be opened ({error}): is it the right port, and is no other program on it?"
                    raise ConsoleError(msg) from error
                time.sleep(_LOOK_S)

    def _open(self) -> None:
        self._link = self._serial_transport(self.port, timeout=_READ_S)
        self._link.serial.write_timeout = _WRITE_S

    def _close(self) -> None:
        if self._link is not None:
            with contextlib.suppress(OSError):
                self._link.close()
            self._link = None

    def _hear(self) -> bytes:
        """Return what comes in within a moment, at the latest when a prompt does."""
        heard = b""
        end = time.monotonic() + _LOOK_S
        while time.monotonic() < end:
            waiting = self._link.serial.inWaiting()
            if waiting:
                heard += self._link.serial.read(waiting)
            else:
                time.sleep(0.01)
        return heard

    @contextlib.contextmanager
    def _told(self, what: str) -> Iterator[None]:
        """Turn what goes wrong underneath into one line that says what to do."""
        try:
            yield
        except self._errors.TransportExecError as error:
            last = error.error_output.strip().splitlines()
            msg = f"{self.port}: the board {what}: {last[-1] if last else 'no reason given'}"
            raise ConsoleError(msg) from error
        except OSError as error:
            why = "it is full" if error.errno == errno.ENOSPC else str(error)
            msg = f"{self.port}: the board {what}: {why}"
            raise ConsoleError(msg) from error
        except (self._errors.TransportError, struct.error) as error:
            msg = f"{self.port}: the board {what}: it stopped answering; look at the cable and run the command again"
            raise ConsoleError(msg) from error
