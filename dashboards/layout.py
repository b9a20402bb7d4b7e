"""Where things stand in the drawing: one arrangement for a desk, one for a phone.

Units are pixels at full size. The wheel is large and to the left, the launder comes in over it from the left, the
belt goes right to the alternator; then bridge, converter, bank, diversion load and loads.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Mapping

Spot = tuple[float, float, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """One arrangement.

    `sky` is how much of the top is empty where nothing is measured at the headrace or at the node's supply.
    `wheel` and `alternator` are centre and radius; `pedestal` is half its width at the axle and at the foot;
    `bridge` and `converter` are centres of squares of side `box`.
    `roof`, `phases`, `direct` (through the place of the converter), `charge`, `positive` and `negative` (of the
    bank) are paths; the bar of the battery node runs along `bus_x` at `bus_y`. `spots` has for each group of
    values the (x, baseline, text-anchor) of its first line, `names` the same for a part's name where no value
    stands there, `marks` the middle of an alarm's tag.
    """

    width: float
    height: float
    sky: float
    wheel: tuple[float, float, float]
    pedestal: tuple[float, float]
    abutment_x: float
    lip_x: float
    bed_y: float
    shed_x: float
    floor_y: float
    roof: str
    alternator: tuple[float, float, float]
    phases: str
    bridge: tuple[float, float]
    converter: tuple[float, float]
    box: float
    direct: str
    charge: str
    charge_shunt: tuple[float, float]
    bus_x: tuple[float, float]
    bus_y: float
    bank: tuple[float, float, float, float]
    positive: str
    negative: str
    bank_shunt: tuple[float, float]
    ground: tuple[float, float]
    dump: tuple[float, float]
    loads: tuple[float, float]
    spots: Mapping[str, Spot]
    names: Mapping[str, Spot]
    marks: Mapping[str, tuple[float, float]]


WIDE: Final = Layout(
    width=1200,
    height=572,
    sky=40,
    wheel=(272, 322, 200),
    pedestal=(34, 72),
    abutment_x=48,
    lip_x=298,
    bed_y=562,
    shed_x=548,
    floor_y=474,
    roof="M520 112L1200 76M520 122L1200 86M556 120V230M1194 87V474",
    alternator=(646, 406, 42),
    phases="M632 367V216H690M646 364V226H690M660 367V236H690",
    bridge=(718, 226),
    converter=(868, 226),
    box=56,
    direct="M718 226H896",
    charge="M896 226H992",
    charge_shunt=(940, 226),
    bus_x=(992, 1146),
    bus_y=226,
    bank=(846, 382, 180, 92),
    positive="M1017.9 226V376",
    negative="M854.1 376V362H828V440",
    bank_shunt=(828, 410),
    ground=(828, 440),
    dump=(1074, 268),
    loads=(1138, 288),
    spots={
        "headrace": (14, 34, "start"),
        "wheel": (272, 424, "middle"),
        "alternator": (698, 352, "start"),
        "bridge": (790, 152, "middle"),
        "charge": (946, 152, "middle"),
        "bank_a": (818, 438, "end"),
        "bank_v": (868, 340, "start"),
        "dump": (1074, 388, "middle"),
        "loads": (1138, 354, "middle"),
        "node": (574, 154, "start"),
    },
    names={
        "alternator": (698, 404, "start"),
        "bridge": (718, 274, "middle"),
        "converter": (868, 274, "middle"),
        "bank": (936, 502, "middle"),
        "dump": (1074, 384, "middle"),
        "loads": (1138, 352, "middle"),
    },
    marks={
        "wheel": (272, 254),
        "belt": (520, 262),
        "bridge": (718, 306),
        "charge": (868, 306),
        "bank": (936, 446),
        "dump": (1074, 432),
        "node": (640, 190),
        "headrace": (130, 60),
    },
)

NARROW: Final = Layout(
    width=380,
    height=786,
    sky=30,
    wheel=(150, 212, 126),
    pedestal=(30, 54),
    abutment_x=14,
    lip_x=166,
    bed_y=372,
    shed_x=290,
    floor_y=322,
    roof="",
    alternator=(334, 276, 27),
    phases="M325 250V216H371V446H358M334 249V222H365V452H358M343 250V228H359V458H358",
    bridge=(334, 452),
    converter=(190, 452),
    box=48,
    direct="M334 452H166",
    charge="M166 452H60V524",
    charge_shunt=(108, 452),
    bus_x=(44, 340),
    bus_y=524,
    bank=(18, 632, 168, 84),
    positive="M178.4 524V626",
    negative="M25.6 626V614H7V718",
    bank_shunt=(7, 690),
    ground=(10, 718),
    dump=(246, 562),
    loads=(332, 582),
    spots={
        "headrace": (8, 22, "start"),
        "wheel": (150, 288, "middle"),
        "alternator": (376, 106, "end"),
        "bridge": (264, 404, "middle"),
        "charge": (98, 404, "middle"),
        "bank_a": (24, 758, "start"),
        "bank_v": (20, 588, "start"),
        "dump": (246, 676, "middle"),
        "loads": (332, 644, "middle"),
        "node": (376, 22, "end"),
    },
    names={
        "alternator": (376, 206, "end"),
        "bridge": (334, 496, "middle"),
        "converter": (190, 496, "middle"),
        "bank": (102, 734, "middle"),
        "dump": (246, 676, "middle"),
        "loads": (332, 644, "middle"),
    },
    marks={
        "wheel": (150, 172),
        "belt": (286, 190),
        "bridge": (318, 510),
        "charge": (104, 480),
        "bank": (102, 690),
        "dump": (246, 720),
        "node": (316, 60),
        "headrace": (80, 50),
    },
)
