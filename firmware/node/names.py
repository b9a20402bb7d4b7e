"""The names that cross the wire, as the board needs them; the host's contract says what each one means.

The order is part of the journal's format: a mask of fitted channels or totals counts its bits along these
tuples, so a new name goes to the end.
"""

# Channels, in the contract's order, and how many steps the node counts to one unit of each.
CHANNELS = (
    "wheel_rpm",
    "alternator_rpm",
    "rectified_v",
    "battery_v",
    "stage_m",
    "rectified_a",
    "charge_a",
    "load_a",
    "battery_a",
    "dump_a",
    "battery_degc",
    "alternator_degc",
    "water_degc",
    "shaft_nm",
    "node_v",
)
STEPS = (1000, 1000, 1000, 1000, 10000, 1000, 1000, 1000, 1000, 1000, 100, 100, 100, 100, 1000)

TOTALS = (
    "wheel_edges",
    "wheel_rejected",
    "wheel_mrev",
    "wheel_valid_ms",
    "turning_ms",
    "stopped_ms",
    "parked_ms",
    "above_cutin_ms",
    "charging_ms",
    "charge_flips",
    "rectified_mwh",
    "rectified_valid_ms",
    "charge_mwh",
    "charge_mas",
    "charge_back_mwh",
    "charge_valid_ms",
    "battery_in_mwh",
    "battery_out_mwh",
    "battery_in_mas",
    "battery_out_mas",
    "battery_valid_ms",
    "load_mwh",
    "load_valid_ms",
    "dump_mwh",
    "dump_valid_ms",
)

# Voltage and current of one node of the circuit; `<pair>_valid_ms` is the time in which both were measured.
PAIRS = (
    ("rectified", "rectified_v", "rectified_a"),
    ("charge", "battery_v", "charge_a"),
    ("battery", "battery_v", "battery_a"),
    ("load", "battery_v", "load_a"),
    ("dump", "battery_v", "dump_a"),
)

# What the totals of the wheel need; the ones of charging need `charge_a`.
_WHEEL_TOTALS = (
    "wheel_edges",
    "wheel_rejected",
    "wheel_mrev",
    "wheel_valid_ms",
    "turning_ms",
    "stopped_ms",
    "parked_ms",
    "above_cutin_ms",
)
_CHARGE_TOTALS = {
    "charge_a": ("charging_ms", "charge_flips", "charge_mas"),
    "battery_a": ("battery_in_mas", "battery_out_mas"),
}
_PAIR_TOTALS = {
    "rectified": ("rectified_mwh", "rectified_valid_ms"),
    "charge": ("charge_mwh", "charge_back_mwh", "charge_valid_ms"),
    "battery": ("battery_in_mwh", "battery_out_mwh", "battery_valid_ms"),
    "load": ("load_mwh", "load_valid_ms"),
    "dump": ("dump_mwh", "dump_valid_ms"),
}

CLOCKS = ("none", "host", "ntp")
STATES = ("unknown", "turning", "slow", "stopped", "parked")
FAULTS = ("absent", "bus", "config", "range", "railed", "stuck")

SEQ_PER_BOOT = 1 << 24


class Layout:
    """Which channels and totals a record carries, and in which order; the same for a whole boot.

    `channels`, `steps` (steps to one unit) and `totals` are tuples in the order of the lists of a `Rec`.
    `channel_mask` and `total_mask` say the same in bits counted along CHANNELS and TOTALS.
    """

    __slots__ = ("channel_mask", "channels", "steps", "total_mask", "totals")

    def __init__(self, channel_mask: int, total_mask: int) -> None:
        self.channel_mask = channel_mask
        self.total_mask = total_mask
        fitted = [i for i in range(len(CHANNELS)) if channel_mask >> i & 1]
        self.channels = tuple([CHANNELS[i] for i in fitted])
        self.steps = tuple([STEPS[i] for i in fitted])
        self.totals = tuple([TOTALS[i] for i in range(len(TOTALS)) if total_mask >> i & 1])

    def same(self, other: "Layout") -> bool:
        """Return whether the records of both carry the same."""
        return self.channel_mask == other.channel_mask and self.total_mask == other.total_mask

    def index(self, channel: str) -> int:
        """Return where a channel stands in the lists of a record, -1 if the node does not measure it."""
        return self.channels.index(channel) if channel in self.channels else -1


def layout_of(channels: list[str]) -> Layout:
    """Return the layout of a node with these channels: they decide which totals can be counted."""
    totals: list[str] = []
    if "wheel_rpm" in channels:
        totals.extend(_WHEEL_TOTALS)
    for current, names in _CHARGE_TOTALS.items():
        if current in channels:
            totals.extend(names)
    for pair, volts, amps in PAIRS:
        if volts in channels and amps in channels:
            totals.extend(_PAIR_TOTALS[pair])
    return Layout(_mask(CHANNELS, channels), _mask(TOTALS, totals))


def _mask(names: tuple[str, ...], fitted: list[str]) -> int:
    mask = 0
    for i, name in enumerate(names):
        if name in fitted:
            mask |= 1 << i
    return mask
