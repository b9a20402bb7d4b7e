"""Small wrongs that the firmware could do, each as one change of its source, with the rule that it breaks.

`tests/bench/mutations.py` makes each of them in a copy and runs the tests that should notice. A change names a text
that stands in its file exactly once, so that one which the source has outgrown is noticed at once.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

FIRMWARE: Final = Path(__file__).resolve().parents[2] / "firmware"

# What notices: the tests of one module each, and random histories of the node with the host's own booking.
WINDOW: Final = ("test_delivery.py",)
LINK: Final = ("test_link.py",)
JOURNAL: Final = ("test_journal.py", "test_flash_journal.py")
FLASH: Final = ("test_flash_journal.py", "test_flash_damage.py", "test_flash_fold.py", "test_flash_room.py")
PACK: Final = ("test_flash_pack.py",)
CLIENT: Final = ("test_mqtt_client.py",)
NETWORK: Final = ("test_network.py", "test_name_server.py")
TIME: Final = ("test_clock.py", "test_link.py")
COUNT: Final = ("test_tally.py", "test_recorder.py", "test_encode.py")
BOARD: Final = ("test_control.py",)
MEMORY_HISTORIES: Final = ("test_delivery_random.py",)
FLASH_HISTORIES: Final = ("test_flash_delivery.py",)
DAMAGE_HISTORIES: Final = ("test_flash_histories.py",)
HISTORIES: Final = MEMORY_HISTORIES + FLASH_HISTORIES


@dataclass(frozen=True, slots=True)
class Mutant:
    """One wrong: `before` becomes `after` in a file of the firmware.

    rule: what it breaks. tests: files with the tests of that rule. histories: files whose random histories can come
    upon it; none where it only costs time, or where what it breaks does not occur in them.
    """

    rule: str
    name: str
    file: str
    before: str
    after: str
    tests: tuple[str, ...]
    histories: tuple[str, ...] = ()

    def applied(self, source: str) -> str:
        """Return the changed source. Raises ValueError where the text does not stand there exactly once."""
        if source.count(self.before) != 1:
            msg = f"{self.name}: {self.before!r} stands {source.count(self.before)} times in {self.file}"
            raise ValueError(msg)
        return source.replace(self.before, self.after)


_DELIVERY: Final = "node/delivery.py"
_LINK: Final = "node/link.py"
_FLASH: Final = "node/flash.py"
_AFTER: Final = "a message says which record the node holds before its first"
_MARK: Final = "receipts are believed under one mark, for this journal, forward, up to its newest"
_REWIND: Final = "the window goes back to the last receipt whenever something may be lost"
_FLOW: Final = "nobody is flooded, and nobody is kept waiting"
_BIRTH: Final = "a birth at each connection, after another ledger, after a loss"
_FREE: Final = "only the host's receipt counts as delivery"
_FOLD: Final = "only neighbours without a hole are joined, and none is held twice"
_NUMBER: Final = "one journal, one rising sequence over all boots, one chip"
_TOTALS: Final = "totals count since boot and lose nothing"
_KEPT: Final = "what waits for its receipt is in flash within the minute, and whole"
_TIME: Final = "no time is believed that may be old, slow or another's"
_TALK: Final = "a connection that fails in any way is thrown away and made again"

MUTANTS: Final = (
    Mutant(
        _AFTER, "`after` is always 0", _DELIVERY,
        "encoder.begin(journal.before(seq))", "encoder.begin(0)", WINDOW, HISTORIES,
    ),
    Mutant(
        _AFTER, "`after` is the last receipt", _DELIVERY,
        "encoder.begin(journal.before(seq))", "encoder.begin(journal.upto)", WINDOW, HISTORIES,
    ),
    Mutant(
        _AFTER, "`after` skips one record", _DELIVERY,
        "encoder.begin(journal.before(seq))", "encoder.begin(journal.before(journal.before(seq)))",
        WINDOW, HISTORIES,
    ),
    Mutant(
        _MARK, "believes a receipt of another journal", _DELIVERY,
        "ours = journal == self._journal.id", "ours = True", WINDOW, HISTORIES,
    ),
    Mutant(
        _MARK, "believes a receipt beyond its newest record", _DELIVERY,
        "if ours and upto > self._journal.top:", "if False:", (*WINDOW, *LINK),
    ),
    Mutant(
        _MARK, "takes receipts backwards", _DELIVERY,
        "elif ours and upto > self._journal.upto:", "elif ours and upto != self._journal.upto:", WINDOW,
    ),
    Mutant(
        _MARK, "believes every ledger after the first", _DELIVERY,
        "if ledger != self.ledger or start != self.start:", "if self.ledger is None:", WINDOW, HISTORIES,
    ),
    Mutant(
        _MARK, "does not see that the same ledger started again", _DELIVERY,
        "if ledger != self.ledger or start != self.start:", "if ledger != self.ledger:", WINDOW, HISTORIES,
    ),
    Mutant(
        _MARK, "believes a late receipt of an earlier start", _DELIVERY,
        "if ledger == self.ledger and start < self.start:", "if False:", WINDOW,
    ),
    Mutant(
        _MARK, "another ledger keeps what the first one receipted", _DELIVERY,
        "        self._journal.receipted(upto)\n        self._begin_again(now_ms)\n",
        "        self._begin_again(now_ms)\n", WINDOW, HISTORIES,
    ),
    Mutant(
        _MARK, "another journal's receipt under a new mark counts for this one", _DELIVERY,
        "self._new_mark(ledger, start, upto if ours else 0, now_ms)",
        "self._new_mark(ledger, start, upto, now_ms)", WINDOW, HISTORIES,
    ),
    Mutant(
        _REWIND, "a rewind never goes back", _DELIVERY,
        "self._sent = self._journal.upto\n        self._refusals = 0", "self._refusals = 0", WINDOW, HISTORIES,
    ),
    Mutant(
        _REWIND, "a rewind goes back to the oldest record held", _DELIVERY,
        "self._sent = self._journal.upto\n", "self._sent = 0\n", WINDOW,
    ),
    Mutant(
        _REWIND, "does not rewind when the host comes back", _DELIVERY,
        "if online and not self.host_online:", "if False:", WINDOW, HISTORIES,
    ),
    Mutant(
        _REWIND, "does not rewind for another ledger", _DELIVERY,
        "        self._begin_again(now_ms)\n        self.birth_due = True", "        self.birth_due = True", WINDOW,
    ),
    Mutant(
        _REWIND, "waits for ever for an answer", _DELIVERY,
        "if self._flight and now_ms - self._idle_ms >= self._patience_ms:", "if False:", WINDOW, HISTORIES,
    ),
    Mutant(
        _REWIND, "answers that do not advance rewind nothing", _DELIVERY,
        "if self._refusals >= _REFUSALS and not self._turned_back:", "if False:", WINDOW,
    ),
    Mutant(
        _FLOW, "every refusal rewinds", _DELIVERY,
        "if self._refusals >= _REFUSALS and not self._turned_back:", "if self._refusals >= _REFUSALS:", WINDOW,
    ),
    Mutant(
        _FLOW, "an answer to a copy counts as a refusal", _DELIVERY,
        "if answered <= self._journal.upto or not self._flight:", "if not self._flight:", WINDOW,
    ),
    Mutant(
        _FLOW, "a receipt that the broker kept counts as an answer", _LINK,
        "answer=not retained", "answer=True", LINK,
    ),
    Mutant(
        _FLOW, "patience never grows", _DELIVERY,
        "min(2 * self._patience_ms, _LONGEST_PATIENCE_MS)", "self._patience_ms", WINDOW,
    ),
    Mutant(
        _FLOW, "patience grows without end", _DELIVERY,
        "min(2 * self._patience_ms, _LONGEST_PATIENCE_MS)", "2 * self._patience_ms", WINDOW,
    ),
    Mutant(
        _FLOW, "patience stays long after progress", _DELIVERY,
        "        self._patience_ms = self._base_ms\n        self._refusals = 0", "        self._refusals = 0", WINDOW,
    ),
    Mutant(
        _FLOW, "the window has no end", _DELIVERY,
        "if len(self._flight) >= WINDOW:", "if False:", WINDOW,
    ),
    Mutant(
        _FLOW, "a receipt makes no room in the window", _DELIVERY,
        "            del self._flight[0]\n", "            break\n", WINDOW, HISTORIES,
    ),
    Mutant(
        _FLOW, "a record that is stuck never travels alone", _DELIVERY,
        "_ALONE_AFTER = 3", "_ALONE_AFTER = 1 << 30", WINDOW,
    ),
    Mutant(
        _FLOW, "sends while the host is away", _DELIVERY,
        "if not (self._connected and self.host_online):", "if not self._connected:", WINDOW,
    ),
    Mutant(
        _FLOW, "forgets at its confirmation that the host listens", _DELIVERY,
        "        self._connected = True\n        self.birth_due = True",
        "        self._connected = True\n        self.host_online = False\n        self.birth_due = True", WINDOW,
    ),
    Mutant(
        _BIRTH, "no birth at a connection", _DELIVERY,
        "        self._connected = True\n        self.birth_due = True", "        self._connected = True",
        (*WINDOW, *LINK),
    ),
    Mutant(
        _BIRTH, "no birth for another ledger", _DELIVERY,
        "        self._begin_again(now_ms)\n        self.birth_due = True", "        self._begin_again(now_ms)", WINDOW,
    ),
    Mutant(
        _BIRTH, "no birth after a loss", _DELIVERY,
        "            self._lost_told = self._journal.lost\n            self.birth_due = True",
        "            self._lost_told = self._journal.lost", WINDOW,
    ),
    Mutant(
        _BIRTH, "the journal in memory counts no loss", "node/journal.py",
        "                self.lost += 1", "                pass", (*JOURNAL, *WINDOW),
    ),
    Mutant(
        _BIRTH, "the journal in flash counts no loss", "node/flash_ring.py",
        "            self.lost += count", "            pass", FLASH,
    ),
    Mutant(
        _FREE, "what was sent counts as delivered, as by the broker's word", _DELIVERY,
        "        self._flight.append(self._sent)\n",
        "        self._flight.append(self._sent)\n        self._journal.receipted(self._sent)\n", WINDOW, HISTORIES,
    ),
    Mutant(
        _FREE, "a record with a receipt is gone at once", "node/journal.py",
        "        self.upto = upto\n\n    def next",
        "        self.upto = upto\n        while self.held and self.oldest <= upto:\n            self._first = (self._first + 1)"
        " % self.capacity\n            self.held -= 1\n\n    def next", (*JOURNAL, *WINDOW), MEMORY_HISTORIES,
    ),
    Mutant(
        _FREE, "a full ring throws away the newest", "node/journal.py",
        "            self._first = (self._first + 1) % self.capacity\n            self.held -= 1",
        "            self.held -= 1", JOURNAL,
    ),
    Mutant(
        _FOLD, "joins across a hole", "node/flash_fold.py",
        " or rec.first != last.n + 1:", ":", FLASH,
    ),
    Mutant(
        _FOLD, "joins across a boot", "node/flash_fold.py",
        "rec.boot != last.boot or ", "", FLASH,
    ),
    Mutant(
        _FOLD, "joins across a quarter hour", "node/flash_fold.py",
        "return self._start_ms // self._grain_ms == (end_ms - 1) // self._grain_ms", "return True", FLASH,
    ),
    Mutant(
        _FOLD, "a joined record has the totals of its first", "node/flash_fold.py",
        "        self._dur_ms += rec.dur_ms\n        self._last = rec",
        "        self._dur_ms += rec.dur_ms\n        if self._last is not None:\n"
        "            rec.total = self._last.total\n        self._last = rec",
        FLASH, FLASH_HISTORIES,
    ),
    Mutant(
        _FOLD, "a scan keeps what a wider record covers", "node/flash_scan.py",
        "        if index.firsts[k] > floor:\n", "        if True:\n", FLASH, DAMAGE_HISTORIES,
    ),
    Mutant(
        _FOLD, "deletes before the folded segment is written", "node/flash_ring.py",
        "            yield from self.write(self.out)\n        if row < end",
        "            for k in range(begin, row):\n                self._files.remove(name_of(index.serials[k]))\n"
        "            yield from self.write(self.out)\n        if row < end",
        FLASH, DAMAGE_HISTORIES,
    ),
    Mutant(
        _FOLD, "what the host lacks is folded first", "node/flash_ring.py",
        "for upto in (self.receipted, 0):", "for upto in (0,):", FLASH,
    ),
    Mutant(
        _NUMBER, "another journal at each boot", _FLASH,
        "            if not found.journal:\n", "            if True:\n", FLASH, FLASH_HISTORIES,
    ),
    Mutant(
        _NUMBER, "the number of the boot does not rise", _FLASH,
        "self.boot = found.boot + 1", "self.boot = found.boot or 1", FLASH, FLASH_HISTORIES,
    ),
    Mutant(
        _NUMBER, "the number of the boot is not kept", _FLASH,
        "            write_head(self._files, found.journal, self.boot)\n", "", FLASH, FLASH_HISTORIES,
    ),
    Mutant(
        _NUMBER, "goes on with another chip's journal", "node/store.py",
        "    if maker == chip:\n", "    if True:\n", BOARD,
    ),
    Mutant(
        _NUMBER, "a journal in memory has the same id at every boot", "node/journal.py",
        "for byte in random_bytes(8)]", "for byte in bytes(8)]", JOURNAL, MEMORY_HISTORIES,
    ),
    Mutant(
        _TOTALS, "what is left over below a milliwatt hour is cut off", "node/tally.py",
        "        self._mj = rest % _MJ_PER_MWH\n", "        self._mj = 0\n", COUNT,
    ),
    Mutant(
        _TOTALS, "totals begin again with each record", "node/recorder.py",
        "            self.tally.totals(),\n", "            [total % 7 for total in self.tally.totals()],\n", COUNT,
    ),
    Mutant(
        _TOTALS, "a failed reading counts as measured time", "node/tally.py",
        "        if mv is None or ma is None:\n            return\n        self._valid.add(ms)",
        "        self._valid.add(ms)\n        if mv is None or ma is None:\n            return", COUNT,
    ),
    Mutant(
        _TOTALS, "a message drops the record that did not fit", _DELIVERY,
        "            if not encoder.add(rec, end_ms, clock):\n                break\n            self._sent = seq\n",
        "            self._sent = seq\n            if not encoder.add(rec, end_ms, clock):\n                break\n",
        WINDOW, HISTORIES,
    ),
    Mutant(
        _TOTALS, "records of other channels travel under the names of the first", "node/encode.py",
        "elif self._count == RECORDS_MOST or not layout.same(self._layout):",
        "elif self._count == RECORDS_MOST:", COUNT,
    ),
    Mutant(
        _TOTALS, "every message names the channels of this boot", "node/encode.py",
        "writer.raw(self._own_names if layout.same(self._own) else _names(layout))",
        "writer.raw(self._own_names)", COUNT,
    ),
    Mutant(
        _KEPT, "a record waits five minutes for the flash", _FLASH,
        "WAIT_MS = const(59_000)", "WAIT_MS = const(299_000)", FLASH,
    ),
    Mutant(
        _KEPT, "nothing waits for the flash while receipts come", _FLASH,
        "            if seq > self.upto:\n", "            if seq > self.top:\n", FLASH,
    ),
    Mutant(
        _KEPT, "the check sum of a record is not looked at", "node/flash_pack.py",
        '        if struct.unpack_from("<I", buffer, end)[0] != crc:\n            return 0\n', "", PACK, DAMAGE_HISTORIES,
    ),
    Mutant(
        _KEPT, "the check sum of a seal is not looked at", "node/flash_segment.py",
        "if mark == _SEAL_MARK and crc == binascii.crc32(memoryview(self.buffer)[: size - 4]):",
        "if mark == _SEAL_MARK and crc is not None:", FLASH, DAMAGE_HISTORIES,
    ),
    Mutant(
        _KEPT, "the check sum of the head is not looked at", "node/flash_scan.py",
        'if mark == _MARK and struct.unpack_from("<I", view.buffer, end)[0] == binascii.crc32(view.buffer[:end]):',
        "if mark == _MARK:", FLASH, DAMAGE_HISTORIES,
    ),
    Mutant(
        _KEPT, "after a boot it does not know what the host had", "node/flash_scan.py",
        "        found.upto = max(found.upto, view.upto)\n", "", FLASH,
    ),
    Mutant(
        _KEPT, "fills the file system to its last block", "node/flash_ring.py",
        "FREE_BLOCKS = const(8)", "FREE_BLOCKS = const(0)", FLASH,
    ),
    Mutant(
        _TIME, "believes a time that the broker kept", _LINK,
        "topic == self._messages.time and not retained and", "topic == self._messages.time and", TIME,
    ),
    Mutant(
        _TIME, "believes the answer to another question", _LINK,
        ' and told["up_ms"] == self._asked_up_ms:', ":", TIME,
    ),
    Mutant(
        _TIME, "believes a slow answer", "node/clock.py",
        "if trip_ms < 0 or trip_ms > ROUND_TRIP_MAX_MS:", "if trip_ms < 0:", TIME,
    ),
    Mutant(
        _TIME, "never dates what was made before the clock was known", _DELIVERY,
        "if end_ms is None and rec.boot == journal.boot:", "if False:", WINDOW,
    ),
    Mutant(
        _TIME, "dates records of an earlier boot by this one's clock", _DELIVERY,
        "if end_ms is None and rec.boot == journal.boot:", "if end_ms is None:", FLASH_HISTORIES,
    ),
    Mutant(
        _TALK, "packet ids do not go round", "node/mqtt.py",
        "self._last_id = self._last_id % 65535 + 1", "self._last_id = self._last_id + 1", CLIENT,
    ),
    Mutant(
        _TALK, "waits for ever for an acknowledgement", "node/mqtt.py",
        "if self._ids[i] and now_ms - self._since_ms[i] > limit_ms:", "if False:", CLIENT,
    ),
    Mutant(
        _TALK, "waits for ever for the broker's first word", "node/mqtt.py",
        "if self._now_ms() - began_ms > self._answer_ms:", "if False:", CLIENT,
    ),
    Mutant(
        _TALK, "remembers packets of the connection before", "node/mqtt.py",
        "        for i in range(len(self._ids)):\n            self._ids[i] = 0\n", "", CLIENT,
    ),
    Mutant(
        _TALK, "an unknown name is taken for silence", "node/network.py",
        "        if isinstance(error, NoAddressError):\n", "        if False:\n", NETWORK,
    ),
    Mutant(
        _TALK, "an answer of the name server is no sign of life", "node/resolve.py",
        "        if self.on_answer is not None:\n", "        if False:\n", NETWORK,
    ),
    Mutant(
        _TALK, "a broker that refuses is taken for silence", "node/network.py",
        "_ANSWERS = (errno.ECONNREFUSED, errno.ECONNRESET)", "_ANSWERS = ()", NETWORK,
    ),
)  # fmt: skip
