"""A model of a node that obeys the protocol: numbers, window, rewinds, folds, receipts of one mark at a time."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from wheelpit.contract.messages import Birth, Live, Record
from wheelpit.contract.names import SEQ_PER_BOOT
from wheelpit.store.booking import BadRecord, Sent

if TYPE_CHECKING:
    from tests.store.delivery_world import World

PER_MESSAGE = 2
WINDOW = 3
RING = 12
FOLD = 3
RECORD_MS = 10_000


@dataclass(frozen=True)
class Held:
    """A record at the node: what it covers, its totals since boot, whether its contents are spoiled."""

    first: int
    seq: int
    up_ms: int
    span_ms: int
    total: int
    spoiled: bool = False


@dataclass
class Truth:
    """What really happened: per store and number the energy of one record, and what the node lost for ever."""

    energy: dict[tuple[str, int], int] = field(default_factory=dict)
    up_ms: dict[tuple[str, int], int] = field(default_factory=dict)
    boot_ms: dict[tuple[str, int], int] = field(default_factory=dict)
    lost: set[tuple[str, int]] = field(default_factory=set)
    spoiled: set[tuple[str, int]] = field(default_factory=set)


class Node:
    def __init__(self, world: World, chip: str) -> None:
        self.world, self.chip = world, chip
        self.journals = 0
        self.new_store()

    def new_store(self) -> None:
        self.journals += 1
        self.journal = f"{self.chip}{self.journals:014x}"
        self.flash: list[Held] = []
        self.boot = 0
        self.start()

    def start(self) -> None:
        self.boot += 1
        self.n = self.up_ms = self.total = 0
        self.ram: list[Held] = []
        self.world.now_ms += 7_000
        self.started_ms = self.world.now_ms
        self.world.truth.boot_ms[self.journal, self.boot] = self.started_ms
        self.clock = False
        self.link = False
        self.mark: tuple[str, int] | None = None
        self.upto = 0
        self.sent = 0
        self.still = 0

    def items(self) -> list[Held]:
        return self.flash + self.ram

    def pending(self) -> list[Held]:
        return [held for held in self.items() if held.seq > self.upto]

    def sample(self, *, spoiled: bool = False) -> None:
        self.n += 1
        self.up_ms += RECORD_MS
        self.world.now_ms += RECORD_MS
        energy = self.world.energy()
        self.total += energy
        seq = self.boot * SEQ_PER_BOOT + self.n
        key = (self.journal, seq)
        self.world.truth.energy[key] = energy
        self.world.truth.up_ms[key] = self.up_ms
        if spoiled:
            self.world.truth.spoiled.add(key)
        self.ram.append(Held(seq, seq, self.up_ms, RECORD_MS, self.total, spoiled))
        if len(self.ram) >= 3:
            self.flash += self.ram
            self.ram = []
            while len(self.flash) > RING:
                self.make_room()

    def make_room(self) -> None:
        if not self.fold():
            self.lose(self.flash.pop(0))

    def fold(self, *, power_cut: bool = False) -> bool:
        """Join neighbours of one boot with no hole between them; a power cut leaves the fine ones as well."""
        for at in range(len(self.flash) - FOLD + 1):
            group = self.flash[at : at + FOLD]
            joined = all(a.seq + 1 == b.first for a, b in itertools.pairwise(group))
            if joined and len({held.seq // SEQ_PER_BOOT for held in group}) == 1:
                if any(held.spoiled for held in group):
                    self.world.truth.spoiled |= {
                        (self.journal, seq) for held in group for seq in range(held.first, held.seq + 1)
                    }
                wide = replace(
                    group[-1],
                    first=group[0].first,
                    span_ms=sum(held.span_ms for held in group),
                    spoiled=any(held.spoiled for held in group),
                )
                self.flash[at : at + (0 if power_cut else FOLD)] = [wide]
                return True
        return False

    def lose(self, held: Held) -> None:
        for seq in range(held.first, held.seq + 1):
            self.world.truth.lost.add((self.journal, seq))

    def reboot(self) -> None:
        for held in self.ram:
            self.lose(held)
        self.flash = [
            held
            for held in self.flash
            if not any(o.first <= held.first and held.seq <= o.seq and o != held for o in self.flash)
        ]
        self.start()

    def corrupt(self, which: int) -> None:
        if self.flash:
            self.lose(self.flash.pop(which % len(self.flash)))

    def connect(self) -> None:
        if not self.link:
            self.link = True
            self.sent = self.upto
            self.world.inbound.clear()
            if self.world.retained is not None:
                self.world.inbound.append(self.world.retained)
            self.birth()

    def birth(self) -> None:
        items = self.items()
        newest = max((held.seq for held in items), default=0)
        birth = Birth(
            journal=self.journal,
            boot=self.boot,
            chip=self.chip,
            oldest=min((held.first for held in items), default=0),
            newest=newest,
            firmware="model",
            interpreter="none",
            board="model",
            reset="power",
            record_s=10,
            channels={},
            totals=["charge_mwh"],
            capacity=RING,
            held=len(items),
        )
        self.world.queue.append(birth)
        self.world.retained_birth = birth

    def send(self) -> None:
        in_flight = [held for held in self.pending() if held.seq <= self.sent]
        to_send = [held for held in self.pending() if held.seq > self.sent]
        if not self.link or not to_send or len(in_flight) >= WINDOW * PER_MESSAGE:
            return
        batch = to_send[:PER_MESSAGE]
        after = max((held.seq for held in self.items() if held.seq < batch[0].seq), default=0)
        self.world.queue.append(Sent(self.journal, after, [self.wire(held) for held in batch]))
        self.sent = batch[-1].seq

    def wire(self, held: Held) -> Record | BadRecord:
        if held.spoiled:
            return BadRecord(held.seq, held.first, "spoiled", b"?")
        boot = held.seq // SEQ_PER_BOOT
        dated = self.clock and boot == self.boot
        return Record(
            seq=held.seq,
            first=held.first,
            up_ms=held.up_ms,
            dur_ms=held.span_ms,
            span_ms=held.span_ms,
            end_ms=self.started_ms + held.up_ms if dated else None,
            clock="host" if dated else "none",
            state="turning",
            mean={"battery_v": 12.5},
            min={"battery_v": 12.0},
            max={"battery_v": 13.0},
            total={"charge_mwh": held.total, "charge_valid_ms": held.up_ms},
        )

    def live(self) -> None:
        if self.link:
            live = Live(
                journal=self.journal,
                boot=self.boot,
                up_ms=self.up_ms,
                at_ms=None,
                clock="none",
                state="turning",
                edge_age_ms=None,
                edge_gap_ms=None,
                values={},
            )
            self.world.queue.append((live, self.world.now_ms))  # it is of use only if it comes at once

    def receipt(self, mark: tuple[str, int], journal: str, upto: int) -> None:
        if mark != self.mark:
            self.mark, self.upto = mark, 0
            self.birth()
            self.advance(journal, upto)
            self.sent = self.upto
            return
        before = self.upto
        self.advance(journal, upto)
        in_flight = any(held.seq <= self.sent for held in self.pending())
        self.still = self.still + 1 if self.upto == before and in_flight else 0
        if self.still == 2:
            self.rewind()

    def advance(self, journal: str, upto: int) -> None:
        newest = max((held.seq for held in self.items()), default=0)
        if journal == self.journal and upto <= max(newest, self.boot * SEQ_PER_BOOT + self.n):
            self.upto = max(self.upto, upto)

    def rewind(self) -> None:
        self.sent, self.still = self.upto, 0
