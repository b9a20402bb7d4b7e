"""Random faults for hours of virtual time, and a judge that compares the host's books with the plant, joule for joule.

The judge knows nothing of the node's code: it has the plant's course in whole numbers, when the node had power, and
when its bus was stuck. What no record covers must be time without power, or what the power cut cost by the node's own
rule: the minute before it that had not been written, and the record still open.
"""

from __future__ import annotations

import json
import random
from bisect import bisect_right
from typing import TYPE_CHECKING, Any, Final

import virtual_plant
from soak_truth import Truth, Verdict
from virtual_world import BEGIN_MS, BUS, FULL, HANGS, VirtualWorld

from wheelpit.contract.names import SEQ_PER_BOOT
from wheelpit.store.packing import unpack_record
from wheelpit.store.reader import LedgerReader
from wheelpit.store.tables import Layouts

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from scripted_broker import Published

HOUR_MS: Final = 3_600_000
FAULTS: Final = ("broker", "wifi", "power", "full", "bus", "host", "radio", "loss")
RECORD_MS: Final = 10_000
UNWRITTEN_MS: Final = 60_000  # what a power cut may cost, beside the record still open
_REST_S: Final = 600  # without faults, at the end
_NJ_PER_MWH: Final = 3_600_000_000
_DATE_MS: Final = (
    5000  # a record of a start that learned the time later is dated by the arrival of its messages
)
_HALF_SAMPLE_MS: Final = 50  # faults begin and end between two samples
_LONGEST_WAIT_MS: Final = 900_000
WATCHDOG_MS: Final = 8_000
_HEAP: Final = "1m"


class Soak(VirtualWorld):
    """A world in which things go wrong. history: (ms since the beginning, what) of everything that happened."""

    def __init__(
        self,
        folder: Path,
        seed: int,
        hours: float,
        *,
        faults: tuple[str, ...] = FAULTS,
        mean_s: float = 400.0,
        rest_s: int = _REST_S,
    ) -> None:
        super().__init__(folder, seed, heap=_HEAP)
        self.end_ms = BEGIN_MS + int(hours * HOUR_MS)
        self.history: list[tuple[int, str]] = []
        self.offs: list[
            tuple[int, bool]
        ] = []  # when power failed, and whether the flash had taken nothing before
        self.stuck: list[tuple[int, int]] = []
        self.cuts_in_flash = 0
        self._chance = random.Random(seed)  # noqa: S311 - a history must be repeatable
        self._faults = faults
        self._mean_s = mean_s
        self._rest_ms = rest_s * 1000
        self._full_ms = -1  # when the file system was last full
        self._booted_as: dict[tuple[str, int], int] = {}  # (journal, boot): number of the start
        self._ends: dict[tuple[str, int], int] = {}  # (journal, seq): up_ms
        self._cut_waits = False
        self._hang_waits = False
        self.power_on()
        self._fault_later()

    def heard(self, message: Published) -> None:
        """Note which start of the node is which boot, and when each record ends by the node's own uptime."""
        if message.kind == "birth":
            told = message.json
            self._booted_as[told["journal"], told["boot"]] = len(self.boots) - 1
        elif message.kind == "record":
            told = message.json
            for record in told["records"]:
                self._ends[told["journal"], record["seq"]] = record["up_ms"]

    def live(self, told: Callable[[float], None] = lambda _share: None) -> Verdict:
        """Live through it, come to rest, and judge."""
        begin_ms = self.now_ms
        while self.now_ms < self.end_ms:
            self.run(min(self.now_ms + HOUR_MS // 6, self.end_ms))
            told((self.now_ms - begin_ms) / (self.end_ms + self._rest_ms - begin_ms))
        self.run(self.now_ms + self._rest_ms)
        told(1.0)
        return self.judge()

    # What goes wrong ------------------------------------------------------------------------------------------

    def _fault_later(self) -> None:
        self.after(int(self._chance.expovariate(1 / self._mean_s) * 1000) + 1, self._fault)

    def _fault(self) -> None:
        if self.now_ms >= self.end_ms - self._rest_ms // 2:
            return
        kind = self._chance.choice(self._faults)
        getattr(self, f"_{kind}")()
        self._fault_later()

    def _say(self, what: str) -> None:
        self.history.append((self.now_ms - BEGIN_MS, what))

    def _for(self, most_s: float) -> int:
        """Return a length [ms], short ones more often, none beyond the end of the faults."""
        ms = int(1000 * most_s ** self._chance.random())
        return max(1000, min(ms, self.end_ms - self.now_ms))

    def _broker(self) -> None:
        if self.broker.running:
            self._say("broker killed")
            self.kill_broker()
            self.after(self._for(1800), self._broker_back)

    def _broker_back(self) -> None:
        self._say("broker back, without memory")
        self.start_broker()

    def _wifi(self) -> None:
        self._say("Wi-Fi gone")
        self.network(there=False)
        self.after(self._for(3600), self._wifi_back)

    def _wifi_back(self) -> None:
        self._say("Wi-Fi back")
        self.network(there=True)

    def _host(self) -> None:
        if self.host.running:
            self._say("host killed")
            self.host.crash()
            self.after(self._for(600), self._host_back)

    def _host_back(self) -> None:
        self._say("host back")
        self.host.start()
        if not self.broker.running:
            self.host.disconnect()

    def _full(self) -> None:
        if self.powered and not self.state & FULL:
            self._say("others fill the flash")
            self.state |= FULL
            self.after(self._for(1200), self._full_over)

    def _full_over(self) -> None:
        self._say("the flash has room again")
        self.state &= ~FULL
        self._full_ms = self.now_ms

    def _bus(self) -> None:
        """Have the bus hang in the next time of calm, so that what it would have shown is known."""
        calm_ms = self._next_calm()
        begin_ms = calm_ms + 1000 * self._chance.randrange(5, 40) + _HALF_SAMPLE_MS
        end_ms = begin_ms + 100 * self._chance.randrange(5, 300)
        if (not self.stuck or begin_ms > self.stuck[-1][1] + 5000) and end_ms < self.end_ms:
            self.stuck.append((begin_ms, end_ms))
            self.at(begin_ms, lambda: self._bus_is(there=False))
            self.at(end_ms, lambda: self._bus_is(there=True))

    def _bus_is(self, *, there: bool) -> None:
        self._say("bus free" if there else "bus stuck")
        self.state = self.state | BUS if there else self.state & ~BUS

    def _loss(self) -> None:
        self._say("messages of records are lost between broker and host")
        self.drops += self._chance.randrange(1, 4)

    def _radio(self) -> None:
        """Have the network go and no call of the radio return; in a time of calm, as a start follows."""
        at_ms = self._between_samples(self._next_calm() + 1000 * self._chance.randrange(2, 30))
        if not self._hang_waits:
            self._hang_waits = True
            self.at(at_ms, self._radio_hangs)
            self.at(at_ms + 60_000, self._radio_works)

    def _radio_hangs(self) -> None:
        self._say("the radio hangs")
        self.state |= HANGS
        self.network(there=False)

    def _radio_works(self) -> None:
        self._say("the radio works")
        self._hang_waits = False
        self.state &= ~HANGS
        self.network(there=True)

    def restarted(self) -> None:
        """Start the node again; while a call hung nothing was sampled."""
        self._say("restarted by itself" if not self.state & HANGS else "restarted by the watchdog")
        stood_ms = WATCHDOG_MS if self.state & HANGS else 0
        full = bool(self.state & FULL) or 0 <= self.now_ms - self._full_ms < 10 * UNWRITTEN_MS
        self.offs.append((self.now_ms - stood_ms, full))
        self._cut_waits = False
        self.state &= ~(FULL | HANGS)  # a radio that starts anew works
        super().restarted()

    def _power(self) -> None:
        if not self.powered or self._cut_waits:
            return
        self._cut_waits = True
        at_ms = self._next_calm() if self._chance.random() < 0.5 else self.now_ms
        if self._chance.random() < 0.5:
            self.cut_flash(self._chance.randrange(1, 20))
            at_ms += _LONGEST_WAIT_MS  # by then it has written something
        self.at(self._between_samples(at_ms + self._for(60)), self._switch_off)

    def _switch_off(self) -> None:
        if self.powered and self._cut_waits:
            self._off("power cut")

    def power_failed(self) -> None:
        """Power failed in the middle of an operation on the flash, as it was told to."""
        self.cuts_in_flash += 1
        self._off("power cut in an operation on the flash")

    def _off(self, what: str) -> None:
        self._cut_waits = False
        self._say(what)
        full = bool(self.state & FULL) or 0 <= self.now_ms - self._full_ms < 10 * UNWRITTEN_MS
        self.offs.append((self.now_ms, full))
        self.state &= ~FULL  # whoever filled it is gone
        self.power_off()
        # It comes back in a time of calm, so that what the chips show until they are set up is known.
        at_ms = self._next_calm() + 100 * self._chance.randrange(50, 900)
        soon_ms = self.now_ms // 100 * 100 + 100 * self._chance.randrange(1, 300)
        if all(self._is_calm(ms) for ms in (soon_ms - 1000, soon_ms + 5000)):
            at_ms = soon_ms
        self.at(at_ms, self._switch_on)

    def _switch_on(self) -> None:
        self._say("power back")
        self.power_on()

    def _next_calm(self) -> int:
        """Return the beginning of the next time of calm."""
        period = virtual_plant.CALM_MS
        begin_ms = self.now_ms // period * period + virtual_plant.CALM_FROM_MS
        return begin_ms if begin_ms > self.now_ms + 1000 else begin_ms + period

    @staticmethod
    def _is_calm(ms: int) -> bool:
        return ms % virtual_plant.CALM_MS >= virtual_plant.CALM_FROM_MS

    @staticmethod
    def _between_samples(ms: int) -> int:
        return ms // 100 * 100 + _HALF_SAMPLE_MS

    # What the books say ---------------------------------------------------------------------------------------

    def judge(self) -> Verdict:
        """Compare the ledger with the plant."""
        found = Verdict(boots=len(self.boots))
        truth = Truth(self.seed, BEGIN_MS, self.now_ms)
        db = self.host.ledger.connection
        layouts = Layouts(db)
        ends: dict[int, int] = {}  # by start: the end of its last record
        dated: dict[int, set[bool]] = {}
        for journal_id, journal in db.execute("SELECT journal_id, journal FROM journal").fetchall():
            boot, sums = 0, {}
            last = 0
            for seq, end_ms, layout_id, body in db.execute(
                "SELECT seq, end_ms, layout_id, body FROM record WHERE journal_id = ? ORDER BY seq",
                (journal_id,),
            ):
                layout = layouts.layout(layout_id)
                totals = unpack_record(layout, seq, body).totals
                if seq // SEQ_PER_BOOT != boot:
                    boot = seq // SEQ_PER_BOOT
                    sums = dict.fromkeys(layout.totals, 0)
                sums = {name: sums[name] + grown for name, grown in zip(layout.totals, totals, strict=True)}
                start = self._start_of(journal, boot)
                up_ms = self._ends[journal, seq]
                ends[start] = self.boots[start] + up_ms
                self._compare(found, truth, start, up_ms, sums)
                dated.setdefault(start, set()).add(end_ms is not None)
                if end_ms is None:
                    found.undated_ms += unpack_record(layout, seq, body).span_ms
                elif abs(end_ms - ends[start]) > (0 if end_ms % 100 == 0 else _DATE_MS):
                    found.wrong.append(f"the record that ended at {ends[start]} is booked at {end_ms}")
                found.rows += 1
                found.booked_mwh += totals[layout.totals.index("charge_mwh")]
                last = seq
            self._compare_end(found, db, journal_id, last)
        found.wrong += [f"start {start} is dated in part" for start, seen in dated.items() if len(seen) > 1]
        found.stuck_ms = sum(
            max(0, min(end, ends[start]) - max(begin, self.boots[start]))
            for begin, end in self.stuck
            for start in ends
        )
        if ends:
            self._compare_gaps(found, ends)
        else:
            found.wrong.append("nothing is booked")
        self._compare_others(found)
        return found

    def _start_of(self, journal: str, boot: int) -> int:
        """Return which start of the node was a boot of a journal; a boot that never had a link lies between others."""
        known = sorted(b for j, b in self._booted_as if j == journal)
        at = bisect_right(known, boot)
        if at:
            return self._booted_as[journal, known[at - 1]] + boot - known[at - 1]
        return self._booted_as[journal, known[0]] - (known[0] - boot)

    def _compare(self, found: Verdict, truth: Truth, start: int, up_ms: int, sums: dict[str, int]) -> None:
        begin = self.boots[start]
        end = begin + up_ms
        unmeasured_ms = up_ms - sums["charge_valid_ms"]
        mv, ma, _ = virtual_plant.CALM
        given = truth.between("charge", begin, end) - mv * ma * unmeasured_ms
        want = {
            "charge_mwh": given // _NJ_PER_MWH,
            "charge_back_mwh": truth.between("charge_back", begin, end) // _NJ_PER_MWH,
            "wheel_edges": truth.between("edges", begin, end) // virtual_plant.TURN,
            "wheel_rejected": 0,
        }
        for name, value in want.items():
            if sums[name] != value:
                found.wrong.append(
                    f"start {start}, up to {up_ms} ms: {name} is booked as {sums[name]}, the plant gave {value}"
                )

    @staticmethod
    def _compare_end(found: Verdict, db: Any, journal_id: int, last: int) -> None:
        (head,) = db.execute("SELECT head_seq FROM journal WHERE journal_id = ?", (journal_id,)).fetchone()
        if head != last:
            found.wrong.append(f"the journal's head is {head}, its last record {last}")

    def _compare_gaps(self, found: Verdict, ends: dict[int, int]) -> None:
        """Time without a record must be time without power, and what the cut cost by the rule."""
        for start, begin_ms in enumerate(self.boots):
            end_ms = ends.get(start, begin_ms)
            last = start == len(self.boots) - 1
            off_ms, full = (self.now_ms, False) if last else self.offs[start]
            if not last:
                found.off_ms += self.boots[start + 1] - off_ms
                found.dark_ms += self.boots[start + 1] - end_ms
            cost_ms = off_ms - end_ms
            most_ms = 2 * RECORD_MS if last else UNWRITTEN_MS + RECORD_MS
            if cost_ms > most_ms and not full:
                found.wrong.append(f"start {start}: the last {cost_ms} ms before {off_ms} are in no record")
        reader = LedgerReader(self.host.path)
        declared_ms = sum(
            row.end_ms - row.start_ms for row in reader.unmeasured("sallow-ghyll", BEGIN_MS, self.now_ms, 1)
        )
        last_ms = self.now_ms - max(ends.values())
        true_ms = found.dark_ms + found.undated_ms + last_ms
        if abs(declared_ms - true_ms) > RECORD_MS:
            found.wrong.append(f"the books declare {declared_ms} ms without a record; it was {true_ms} ms")

    def _compare_others(self, found: Verdict) -> None:
        reader = LedgerReader(self.host.path)
        found.unmeasured_ms = sum(
            row.span_ms - row.totals["charge_valid_ms"]
            for row in reader.records("sallow-ghyll", BEGIN_MS, self.now_ms)
        )
        starts_ms = 300 * len(self.boots)  # until a chip has been set up and has measured for the first time
        each_ms = RECORD_MS * max(1, len(self.stuck))
        if not -each_ms <= found.unmeasured_ms - found.stuck_ms <= starts_ms + each_ms:
            found.wrong.append(
                f"{found.unmeasured_ms} ms are booked as not measured; the bus was stuck for {found.stuck_ms} ms"
            )
        if reader.dead_letters():
            found.wrong.append(f"dead letters: {reader.dead_letters(3)}")
        undated = any(reader.undated("sallow-ghyll").values())
        if undated and not found.undated_ms:
            found.wrong.append(f"undated: {reader.undated('sallow-ghyll')}")

    def story(self) -> str:
        """Return the history as JSON, to be kept."""
        hours = (self.end_ms - BEGIN_MS) / HOUR_MS
        return json.dumps({"seed": self.seed, "hours": hours, "history": self.history}, indent=1)
