"""The question to a time server and what must be true of its answer (RFC 4330; packet format of RFC 5905, figure 8).

Pure: bytes in, milliseconds out. An answer that anybody on the network could have made up is refused, because it does
not carry our question's 64 bits of chance back.
"""

import struct

from micropython import const

LENGTH = const(48)
_REQUEST = const(0x23)  # leap indicator 0, version 4, mode 3: client
_MODE_SERVER = const(4)
_UNSYNCHRONISED = const(3)
_STRATUM_MOST = const(15)
_NTP_TO_UNIX_S = const(2_208_988_800)  # from 1900-01-01 to 1970-01-01 (RFC 5905, appendix A.4)
_ERA_S = const(4_294_967_296)
# Whoever answers with a time from before this was built, or from 20 years after, does not know the time.
EARLIEST_S = const(1_767_225_600)  # 2026-01-01
LATEST_S = const(2_398_377_600)  # 2046-01-01
_LATER = ("RATE",)  # the server asks us to come less often (RFC 5905, figure 13)


class SntpError(Exception):
    """An answer that cannot be used; the text says why."""


class KissError(SntpError):
    """The server wants no questions. `code` is its word; `later`: it may be asked again, less often."""

    def __init__(self, code: str) -> None:
        super().__init__("the server wants no questions (%s)" % code)
        self.code = code
        self.later = code in _LATER


def request(chance: bytes) -> bytes:
    """Return a question. chance: 8 random bytes; they stand for the time of sending, which is nobody's business."""
    if len(chance) != 8:  # noqa: PLR2004 - a time stamp has 64 bits
        raise ValueError("%d bytes of chance, not 8" % len(chance))
    packet = bytearray(LENGTH)
    packet[0] = _REQUEST
    packet[40:48] = chance
    return bytes(packet)


def unix_ms(reply: bytes, chance: bytes) -> int:
    """Return the Unix time [ms] at which an answer was sent.

    Raises KissError when the server asks to be left alone, SntpError for anything else that is not a good answer.
    """
    if len(reply) < LENGTH:
        raise SntpError("an answer of %d bytes" % len(reply))
    first, stratum = reply[0], reply[1]
    if first & 7 != _MODE_SERVER:
        raise SntpError("an answer of mode %d" % (first & 7))
    if reply[24:32] != chance:
        raise SntpError("an answer to another question")
    if stratum == 0:
        raise KissError("".join([chr(byte) for byte in reply[12:16] if 32 < byte < 127]))  # noqa: PLR2004 - printable
    if first >> 6 == _UNSYNCHRONISED or stratum > _STRATUM_MOST:
        raise SntpError("the server has no time itself")
    stamp = struct.unpack("!II", reply[40:48])
    seconds: int = stamp[0]
    fraction: int = stamp[1]
    if not seconds and not fraction:
        raise SntpError("an answer without a time")
    # Seconds with the highest bit clear are those after 2036-02-07 (RFC 4330, section 3).
    at_s = seconds - _NTP_TO_UNIX_S + (0 if seconds >> 31 else _ERA_S)
    if not EARLIEST_S <= at_s < LATEST_S:
        raise SntpError("a time that cannot be: %d s" % at_s)
    return at_s * 1000 + (fraction >> 10) * 1000 // 4_194_304
