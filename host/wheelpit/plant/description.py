"""What an installation is: the typed form of `plant.toml`, whose tables and keys have the same names here.

Each number carries its unit in its name, and beside it the range in which it is believed and what it means;
the loader checks the one and quotes the other when a value is missing or wrong.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Literal

from wheelpit.plant.sensors import (
    DividerSensor,
    LinearSensor,
    LoadCellSensor,
    MonitorSensor,
    PhaseSensor,
    PickupSensor,
    Sensor,
    ShuntPlace,
    ShuntSensor,
    ThermometerSensor,
    Told,
)
from wheelpit.plant.weirs import NotchWeir, RatedWeir, Weir

__all__ = [
    "Alternator",
    "Battery",
    "Belt",
    "Change",
    "Controller",
    "Converter",
    "DividerSensor",
    "FixedConverter",
    "FoldBackConverter",
    "Inverter",
    "LimitOverrides",
    "LinearSensor",
    "LoadCellSensor",
    "MonitorSensor",
    "NoConverter",
    "Node",
    "NotchWeir",
    "OtherSource",
    "PhaseSensor",
    "PickupSensor",
    "Plant",
    "Protection",
    "RatedWeir",
    "Sensor",
    "Service",
    "ShuntPlace",
    "ShuntSensor",
    "Site",
    "ThermometerSensor",
    "Told",
    "Water",
    "Weir",
    "Wheel",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Site:
    """Where the plant stands."""

    id: Annotated[str, Told("the plant's id on the wire: 1 to 32 of a-z, 0-9 and -")]
    name: Annotated[str, Told("the name people use")]
    latitude_deg: Annotated[float, Told("latitude, south is negative; gives local gravity", -90, 90, "°")]
    altitude_m: Annotated[float, Told("height above the sea; gives local gravity", -430, 6000, "m")]
    time_zone: Annotated[str, Told('the time zone whose midnight ends a day, such as "Europe/London"')]


@dataclass(frozen=True, slots=True, kw_only=True)
class Water:
    """The head and the range of flow that the wheel is given."""

    head_m: Annotated[float, Told("headrace surface to tailwater surface, not the diameter", 0.2, 20, "m")]
    lowest_flow_l_s: Annotated[float, Told("the least flow at which the wheel is used", 0.05, 2000, "L/s")]
    highest_flow_l_s: Annotated[float, Told("the largest flow the wheel is given", 0.05, 2000, "L/s")]
    temperature_degc: Annotated[float, Told("usual water temperature; gives density", 0, 40, "°C")] = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Wheel:
    """An overshot wheel: buckets filled near the top, emptied near the bottom."""

    kind: Annotated[Literal["overshot"], Told("the kind of wheel")]
    diameter_m: Annotated[float, Told("outer diameter", 0.3, 20, "m")]
    width_m: Annotated[float, Told("inner width of the buckets", 0.05, 5, "m")]
    buckets: Annotated[int, Told("number of buckets", 6, 120)]
    bucket_l: Annotated[float, Told("what one bucket holds when brim-full", 0.1, 1000, "L")]
    bucket_radius_m: Annotated[float, Told("axle to the centre of the water in a bucket", 0.1, 10, "m")]
    entry_deg: Annotated[float, Told("where the water meets the wheel, after top", 0, 60, "°")]
    entry_fall_m: Annotated[float, Told("free fall of the water down to the bucket", 0, 3, "m")]
    entry_share: Annotated[float, Told("share of the free-fall speed that points along the rim", 0, 1.5)] = (
        0.9
    )
    largest_fill: Annotated[float, Told("largest share of a bucket that fills", 0.2, 1.0)]
    spill_deg: Annotated[float, Told("where a nearly empty bucket begins to spill, after top", 60, 179, "°")]
    spill_deg_per_fill: Annotated[float, Told("how much sooner a full bucket spills", 0, 90, "°")]
    empty_deg: Annotated[float, Told("where a bucket is empty, after top", 90, 180, "°")]
    bearing_nm: Annotated[float, Told("friction torque of the bearings, at walking pace", 0, 5000, "N m")]
    bearing_nm_s2: Annotated[float, Told("drag torque per (rad/s) squared", 0, 1000, "N m s²")] = 0.0
    inertia_kg_m2: Annotated[
        float, Told("moment of inertia with the alternator's, seen from the wheel", 0.5, 1e6, "kg m²")
    ]
    inertia_u_pct: Annotated[
        float | None, Told("standard uncertainty of inertia_kg_m2, where it was measured", 0.1, 50, "%")
    ] = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Belt:
    """The drive from the wheel to the alternator.

    A flat belt runs on pitch radii half its thickness outside the drum's and the pulley's surface; for a
    V-belt, a toothed belt or a chain give the pitch diameters and leave `belt_mm` at 0.
    """

    kind: Annotated[Literal["flat", "v", "toothed", "chain"], Told("the kind of drive")]
    drum_diameter_m: Annotated[float, Told("diameter of the driving drum at the wheel", 0.05, 20, "m")]
    pulley_diameter_m: Annotated[float, Told("diameter of the pulley at the alternator", 0.01, 3, "m")]
    belt_mm: Annotated[float, Told("thickness of a flat belt", 0, 30, "mm")] = 0.0
    creep: Annotated[float, Told("share of speed lost in healthy running", 0, 0.05)] = 0.0
    loss_nm: Annotated[float, Told("torque lost at the pulley whatever the load", 0, 200, "N m")] = 0.0
    loss_per_nm: Annotated[float, Told("share of the pulley's torque that is lost", 0, 0.5)] = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Alternator:
    """A permanent-magnet alternator, star connected, with a three-phase bridge."""

    pole_pairs: Annotated[int, Told("number of pole pairs", 1, 60)]
    v_per_rpm: Annotated[
        float,
        Told("mean DC volts per turn a minute, without bridge drop, current and overlap", 0.001, 5, "V"),
    ]
    resistance_ohm: Annotated[float, Told("resistance of one phase, star", 0.001, 100, "ohm")]
    inductance_h: Annotated[float, Told("inductance of one phase, star", 0, 0.5, "H")]
    iron_nm: Annotated[float, Told("torque of iron and bearings without current", 0, 100, "N m")]
    diode_v: Annotated[float, Told("drop of one diode of the bridge", 0.1, 2, "V")]
    rated_w: Annotated[float, Told("rated power", 1, 50_000, "W")]
    cogging_nm: Annotated[
        float | None, Told("torque with which its magnets hold it at rest, beside iron_nm", 0, 100, "N m")
    ] = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FoldBackConverter:
    """A converter that takes only as much as keeps its input above a set voltage."""

    kind: Annotated[Literal["fold-back"], Told("the kind of converter")]
    start_v: Annotated[float, Told("input voltage at which it starts", 3, 500, "V")]
    stop_v: Annotated[float, Told("input voltage at which it stops", 2, 500, "V")]
    a_per_v: Annotated[float, Told("input current per volt above start_v", 0.01, 100, "A/V")]
    output_limit_a: Annotated[float, Told("largest output current", 0.1, 500, "A")]
    efficiency: Annotated[float, Told("output power over input power", 0.5, 1.0)]
    largest_input_v: Annotated[float, Told("largest input voltage, from its data sheet", 5, 1000, "V")]
    parts_v: Annotated[
        float, Told("lowest rating of the capacitor, bridge and clamp before it", 5, 2000, "V")
    ]
    output_limit_v: Annotated[
        float | None, Told("output voltage above which it takes less, if it has such a limit", 5, 100, "V")
    ] = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FixedConverter:
    """A converter of fixed output, limited in current, with under-voltage lock-out and restart delay."""

    kind: Annotated[Literal["fixed"], Told("the kind of converter")]
    start_v: Annotated[float, Told("input voltage at which it starts", 3, 500, "V")]
    stop_v: Annotated[float, Told("input voltage at which its lock-out stops it", 2, 500, "V")]
    restart_s: Annotated[float, Told("how long it waits before it starts again", 0, 600, "s")]
    output_limit_a: Annotated[float, Told("output current to which it is set", 0.1, 500, "A")]
    efficiency: Annotated[float, Told("output power over input power", 0.5, 1.0)]
    largest_input_v: Annotated[float, Told("largest input voltage, from its data sheet", 5, 1000, "V")]
    parts_v: Annotated[
        float, Told("lowest rating of the capacitor, bridge and clamp before it", 5, 2000, "V")
    ]
    output_limit_v: Annotated[
        float | None, Told("output voltage above which it takes less, if it has such a limit", 5, 100, "V")
    ] = None


@dataclass(frozen=True, slots=True, kw_only=True)
class NoConverter:
    """The bridge straight on the battery."""

    kind: Annotated[Literal["none"], Told("the kind of converter")]
    parts_v: Annotated[
        float, Told("lowest rating of the bridge, capacitor and cable parts before the battery", 5, 2000, "V")
    ]


Converter = FoldBackConverter | FixedConverter | NoConverter


@dataclass(frozen=True, slots=True, kw_only=True)
class Controller:
    """What keeps the battery from overcharge. Charge voltages are those at 25 °C."""

    topology: Annotated[
        Literal["diversion-at-battery", "diversion-in-controller", "series", "none"],
        Told("where the charge goes when the battery is full"),
    ]
    absorption_v: Annotated[float, Told("absorption voltage at 25 °C", 5, 100, "V")]
    float_v: Annotated[float, Told("float voltage at 25 °C", 5, 100, "V")]
    v_per_degc: Annotated[float, Told("change of both per degree above 25 °C", -0.4, 0, "V/°C")] = 0.0
    dump_w: Annotated[float | None, Told("power of the diversion load", 1, 50_000, "W")] = None
    load_terminals: Annotated[bool, Told("whether loads are fed from the controller's load terminals")] = (
        False
    )
    open_test_every_s: Annotated[
        float | None, Told("how often it opens the circuit to test its source, if it does", 10, 86_400, "s")
    ] = None
    open_test_s: Annotated[float, Told("how long it then keeps it open", 0.05, 10, "s")] = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Protection:
    """What acts without this program when the load is lost. Nothing counts unless it is written here."""

    clamp_v: Annotated[
        float | None, Told("voltage at which a clamp or dump at the bridge takes the load", 5, 1000, "V")
    ] = None
    water_trap: Annotated[bool, Told("whether a gate or trap in the launder shuts the water by itself")] = (
        False
    )
    brake: Annotated[bool, Told("whether a brake acts on the wheel or the alternator by itself")] = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Battery:
    """The bank."""

    chemistry: Annotated[Literal["flooded", "sealed", "lfp"], Told("lead-acid flooded or sealed, or LiFePO4")]
    nominal_v: Annotated[float, Told("nominal voltage of the bank", 12, 48, "V")]
    capacity_ah: Annotated[float, Told("capacity at the 20 hour rate", 1, 10_000, "Ah")]
    resistance_ohm: Annotated[float, Told("internal resistance with its cables", 0.0001, 1, "ohm")]
    overcharge_v: Annotated[float, Told("voltage at 25 °C that it must never pass for long", 10, 100, "V")]
    coldest_degc: Annotated[float, Told("the coldest it gets where it stands", -40, 25, "°C")] = -5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Inverter:
    """What turns the battery's voltage into mains; a plant without one has no idle loss."""

    idle_w: Annotated[float, Told("what it takes without a load", 0, 500, "W")] = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class OtherSource:
    """Something else that charges the same battery: `battery_a` then says nothing about the wheel."""

    kind: Annotated[Literal["solar", "charger", "engine"], Told("what it is")]
    rated_w: Annotated[float, Told("rated power", 1, 50_000, "W")]


@dataclass(frozen=True, slots=True, kw_only=True)
class Node:
    """The microcontroller that reads the sensors naming it. A plant with one node need not describe it."""

    id: Annotated[str, Told("the node's id on the wire: 1 to 32 of a-z, 0-9 and -")]
    record_s: Annotated[int, Told("length of a record", 5, 60, "s")] = 10
    i2c_bus: Annotated[int, Told("number of the I2C bus", 0, 3)] = 0
    i2c_sda: Annotated[int, Told("pin of the I2C data line", 0, 48)] = 4
    i2c_scl: Annotated[int, Told("pin of the I2C clock line", 0, 48)] = 5
    i2c_hz: Annotated[int, Told("I2C clock", 10_000, 400_000, "Hz")] = 400_000
    parked_pin: Annotated[int | None, Told('pin of the switch "working here", to ground', 0, 48)] = None
    parked_min: Annotated[int, Told("after which a closed switch counts as forgotten", 30, 1440, "min")] = 240
    guard_lamp_pin: Annotated[int | None, Told("pin of the guard's lamp at the wheel", 0, 48)] = None
    guard_buzzer_pin: Annotated[int | None, Told("pin of the guard's buzzer at the wheel", 0, 48)] = None
    guard_act_pin: Annotated[
        int | None, Told("pin of what the guard may set off; it needs the reset button", 0, 48)
    ] = None
    guard_act_level: Annotated[
        int, Told("level of that pin when it has acted: 1, or 0 where a held relay drops", 0, 1)
    ] = 1
    guard_reset_pin: Annotated[
        int | None, Told("pin of the button at the wheel that resets what has acted, to ground", 0, 48)
    ] = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitOverrides:
    """Alarm limits set by hand in place of those derived from the plant."""

    slow_rpm: Annotated[float | None, Told("wheel speed below which it is slow", 0.1, 200, "rpm")] = None
    slow_after_s: Annotated[float | None, Told("how long before slow is said", 1, 86_400, "s")] = None
    charging_a: Annotated[float | None, Told("current above which it charges", 0.005, 50, "A")] = None
    overcharge_warning_v: Annotated[float | None, Told("overcharge warning at 25 °C", 5, 100, "V")] = None
    overcharge_hard_v: Annotated[float | None, Told("overcharge alarm at 25 °C", 5, 100, "V")] = None
    rectified_warning_v: Annotated[float | None, Told("over-voltage warning", 5, 1000, "V")] = None
    rectified_guard_v: Annotated[float | None, Told("over-voltage alarm", 5, 1000, "V")] = None
    hunting_per_min: Annotated[
        float | None, Told("swings of speed or current a minute that are hunting", 1, 60, "1/min")
    ] = None
    hunting_swing_a: Annotated[
        float | None, Told("swing of the charging current that counts for hunting", 0.05, 500, "A")
    ] = None
    telemetry_lost_after_s: Annotated[
        float | None, Told("silence after which a node is called lost", 15, 86_400, "s")
    ] = None
    telemetry_urgent_after_s: Annotated[
        float | None,
        Told(
            "silence after which somebody goes and looks, where it was last heard in danger", 60, 86_400, "s"
        ),
    ] = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Service:
    """After how much use, or time, something is looked after. Common practice, no source."""

    tension_mturns: Annotated[
        float, Told("alternator turns between looks at the belt", 0.1, 1000, "million")
    ] = 10.0
    belt_mturns: Annotated[float, Told("alternator turns that a belt lasts", 1, 10_000, "million")] = 200.0
    grease_mturns: Annotated[
        float, Told("wheel turns between greasings of its bearings", 0.05, 100, "million")
    ] = 2.0
    water_ah_per_ah: Annotated[
        float,
        Told("charge above the gassing voltage between toppings up, per Ah of capacity", 0.05, 20, "Ah/Ah"),
    ] = 1.0
    hydrometer_days: Annotated[int, Told("time between measurements of the acid", 7, 365, "d")] = 30
    equalise_days: Annotated[int, Told("time between equalisations", 14, 730, "d")] = 90
    alarm_days: Annotated[
        int, Told("time between trials of an alarm, from the wheel to a person", 7, 365, "d")
    ] = 30


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """Something of the plant that was changed, and the plant before it; see `wheelpit.plant.history`.

    `at_ms` is when [Unix ms], `keys` what differs, such as `belt.pulley_diameter_m` or `sensor.charge_a.shunt_ohm`.
    """

    at_ms: int
    what: str
    keys: tuple[str, ...]
    before: Plant


@dataclass(frozen=True, slots=True, kw_only=True)
class Plant:
    """The whole installation, as `plant.toml` tells it."""

    site: Site
    water: Water
    wheel: Wheel
    belt: Belt
    alternator: Alternator
    converter: Converter
    controller: Controller
    battery: Battery
    sensors: tuple[Sensor, ...]
    weir: Weir | None = None
    protection: Protection = Protection()
    inverter: Inverter = Inverter()
    other_sources: tuple[OtherSource, ...] = ()
    nodes: tuple[Node, ...] = ()
    limits: LimitOverrides = LimitOverrides()
    service: Service = Service()
    changes: tuple[Change, ...] = ()

    @property
    def channels(self) -> frozenset[str]:
        """The channels that are fitted."""
        return frozenset(sensor.channel for sensor in self.sensors)

    @property
    def node_ids(self) -> tuple[str, ...]:
        """The nodes that have sensors, in the order in which they are first named."""
        return tuple(dict.fromkeys(sensor.node for sensor in self.sensors))

    def node(self, node_id: str) -> Node:
        """Return the node of that id; one that is not described has the usual settings."""
        return next((node for node in self.nodes if node.id == node_id), Node(id=node_id))

    def sensor(self, channel: str) -> Sensor | None:
        """Return the sensor of a channel, or None where it is not fitted."""
        return next((sensor for sensor in self.sensors if sensor.channel == channel), None)
