"""Draws the wiring of these notes: `python hardware_notes/drawings/draw.py` writes the SVG files beside it."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Final

HERE: Final = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))

from sheet import Sheet, c  # noqa: E402 - found on the path that was just set


def plant() -> Sheet:  # noqa: PLR0915 - a drawing is a list of lines
    """The whole plant: where each shunt sits and where each voltage is taken."""
    s = Sheet(1180, 560, "The plant's circuit with shunts and points of measurement")
    top, low = 150, 420
    # wheel, belt, alternator
    s.circle(80, 270, 58, "wheel")
    s.circle(236, 270, 40, "alter-\nnator")
    s.wire((86, 212), (240, 230))
    s.wire((86, 328), (240, 310))
    s.text(160, 286, "belt", 13, c.QUIET, "middle")
    s.dot(80, 218, sense=True)
    s.wire((80, 218), (80, 112), sense=True)
    s.text(24, 100, "wheel_rpm: 4 magnets", 14, c.WATER)
    for y in (256, 270, 284):
        s.wire((276, y), (316, y))
    s.box(316, 232, 78, 76, "bridge")
    # positive and negative before the converter
    s.wire((355, 232), (355, top), (544, top))
    s.wire((355, 308), (355, low), (408, low))
    s.wire((456, low), (1110, low))
    a, b = s.shunt(432, low)
    s.wire(a, (a[0], 470), sense=True)
    s.wire(b, (b[0], 470), sense=True)
    s.text(432, 492, "rectified_a", 14, c.WATER, "middle")
    s.wire((418, top), (418, 240))
    s.dot(418, top)
    s.wire((418, 252), (418, 388), (380, 388), (380, low))
    s.dot(380, low)
    s.capacitor(418, 246)
    s.wire((486, top), (486, 388), (418, 388))
    s.dot(486, top)
    s.dot(418, 388)
    s.box(452, 222, 68, 76, "bleeder,\nclamp", 13)
    s.fuse(520, top)
    s.dot(386, top, sense=True)
    s.wire((386, top), (386, 112), sense=True)
    s.fuse(386, 128, upright=True, sense=True)
    s.text(386, 100, "rectified_v", 14, c.WATER, "middle")
    s.box(544, 110, 100, 80, "converter,\ncontroller")
    s.wire((594, 190), (594, low))
    s.dot(594, low)
    # charge shunt, battery node
    s.wire((644, top), (1110, top))
    a, b = s.shunt(692, top, taps=-1)
    s.wire(a, (a[0], 112), sense=True)
    s.wire(b, (b[0], 112), sense=True)
    s.text(692, 100, "charge_a", 14, c.WATER, "middle")
    s.text(786, 134, "battery node", 13, c.QUIET, "middle")
    # battery
    s.wire((786, top), (786, 246))
    s.dot(786, top)
    s.fuse(786, 190, upright=True)
    s.text(774, 195, "fuse at the post", 13, c.QUIET, "end")
    s.box(736, 246, 100, 60, "battery")
    s.text(750, 266, "+", 16)
    s.text(750, 300, "\N{MINUS SIGN}", 16)
    s.wire((786, 306), (786, low))
    a, b = s.shunt(786, 360, upright=True)
    s.wire(a, (836, a[1]), sense=True)
    s.wire(b, (836, b[1]), sense=True)
    s.text(844, 365, "battery_a", 14, c.WATER)
    s.dot(786, low)
    s.dot(836, 258, sense=True)
    s.wire((836, 258), (876, 258), sense=True)
    s.fuse(858, 258, sense=True)
    s.text(884, 263, "battery_v", 14, c.WATER)
    # diversion load
    s.wire((962, top), (962, low))
    s.dot(962, top)
    s.dot(962, low)
    s.box(918, 182, 88, 56, "diversion\nload", 13)
    a, b = s.shunt(962, 360, upright=True)
    s.wire(a, (1008, a[1]), sense=True)
    s.wire(b, (1008, b[1]), sense=True)
    s.text(1014, 365, "dump_a", 14, c.WATER)
    # loads
    s.wire((1110, top), (1110, low))
    s.fuse(1110, 190, upright=True)
    s.box(1062, 246, 100, 60, "inverter,\nloads")
    # words
    s.text(
        24,
        540,
        "heavy: power; thin blue: sensing only; each sense wire on a positive conductor has its fuse at the source end",
        13,
        c.QUIET,
    )
    s.warn(
        600,
        492,
        "Only the shunt is on the battery's negative post.\nEverything left of the converter is live while the wheel can turn.",
    )
    return s


def node_pins() -> Sheet:  # noqa: PLR0915 - a drawing is a list of lines
    """A Pico W with pickup, switch, three monitor chips, divider and temperature sensor."""
    s = Sheet(1040, 640, "The node's pins on a Pico W")
    s.box(410, 70, 180, 500)
    s.text(500, 330, "Pico W", 18, at="middle")
    s.text(500, 558, "in brackets: place on the board", 11, c.QUIET, "middle")
    left = {130: "GP4 (6)", 190: "GP5 (7)", 400: "GP14 (19)", 470: "GP15 (20)"}
    right = {
        110: "VSYS (39)",
        160: "GND (38)",
        210: "3V3 (36)",
        290: "RUN (30)",
        370: "GP26 (31)",
        450: "GP27 (32)",
    }
    right[520] = "AGND (33)"
    for y, words in left.items():
        s.text(420, y + 5, words, 13)
    for y, words in right.items():
        s.text(580, y + 5, words, 13, at="end")
    # monitor chips on the bus
    s.wire((410, 130), (30, 130), sense=True)
    s.wire((410, 190), (30, 190), sense=True)
    s.text(36, 122, "data", 13, c.QUIET)
    s.text(36, 207, "clock", 13, c.QUIET)
    for number, (address, words) in enumerate(
        (("0x40", "charge_a\nbattery_v"), ("0x41", "battery_a"), ("0x44", "dump_a"))
    ):
        x = 110 + number * 92
        s.dot(x - 12, 130, sense=True)
        s.dot(x + 12, 190, sense=True)
        s.wire((x - 12, 130), (x - 12, 238), sense=True)
        s.wire((x + 12, 190), (x + 12, 238), sense=True)
        s.box(x - 40, 238, 80, 48, f"INA226\n{address}", 13)
        s.text(x, 306, words, 13, c.WATER, "middle")
    for x in (350, 384):
        s.resistor(x, 88, upright=True, sense=True)
    s.wire((350, 110), (350, 130), sense=True)
    s.dot(350, 130, sense=True)
    s.wire((384, 110), (384, 190), sense=True)
    s.dot(384, 190, sense=True)
    s.wire((350, 66), (350, 48), (384, 48), (384, 66), sense=True)
    s.text(342, 52, "3.3 V", 13, c.QUIET, "end")
    s.text(332, 92, "2 x 4.7 kohm", 13, c.QUIET, "end")
    # switch
    s.wire((410, 400), (200, 400), sense=True)
    s.wire((200, 400), (166, 384), sense=True)
    s.wire((160, 400), (120, 400), (120, 416), sense=True)
    s.ground(120, 416)
    s.text(190, 376, "switch: working here", 13, c.WATER)
    # pickup
    s.box(60, 448, 92, 70, "Hall\nswitch")
    s.wire((152, 470), (410, 470), sense=True)
    s.resistor(250, 520, upright=True, sense=True)
    s.wire((250, 470), (250, 498), sense=True)
    s.dot(250, 470, sense=True)
    s.wire((250, 542), (250, 562), sense=True)
    s.text(250, 580, "3.3 V", 13, c.QUIET, "middle")
    s.text(264, 524, "4.7 kohm", 13, c.QUIET)
    s.text(60, 540, "its own supply 3.3 V;\nmagnets on the shaft", 13, c.QUIET)
    s.resistor(340, 470, sense=True)
    s.text(340, 456, "1 kohm", 13, c.QUIET, "middle")
    # supply
    s.wire((590, 110), (680, 110))
    s.box(680, 84, 120, 52, "12 to 5 V,\ncuts off low", 13)
    s.text(636, 98, "diode", 13, c.QUIET, "middle")
    s.wire((800, 110), (950, 110))
    s.fuse(880, 110)
    s.text(956, 115, "battery +", 13)
    s.text(880, 92, "1 A", 13, c.QUIET, "middle")
    s.wire((590, 160), (950, 160))
    s.text(940, 180, "negative bus,\nthe shunt's far side", 13, at="middle")
    s.wire((740, 136), (740, 160))
    s.dot(740, 160)
    s.wire((590, 210), (660, 210), sense=True)
    s.text(668, 215, "3.3 V for chips, sensor and pull-ups", 13, c.QUIET)
    s.wire((590, 290), (680, 290), sense=True)
    s.box(680, 268, 120, 44, "supervisor", 13)
    s.text(812, 295, "holds RUN low until 3 V stands", 13, c.QUIET)
    # divider and sensor
    s.wire((590, 370), (680, 370), sense=True)
    s.box(680, 344, 120, 52, "divider,\nclamp", 13)
    s.wire((800, 370), (950, 370), sense=True)
    s.fuse(880, 370, sense=True)
    s.text(956, 375, "bridge +", 13)
    s.text(880, 352, "fuse there", 13, c.QUIET, "middle")
    s.wire((590, 450), (680, 450), sense=True)
    s.box(680, 424, 120, 52, "sensor\n10 mV/\N{DEGREE SIGN}C", 13)
    s.text(812, 455, "battery_degc, on a middle cell", 13, c.WATER)
    s.wire((590, 520), (740, 520), sense=True)
    s.wire((740, 476), (740, 536), sense=True)
    s.dot(740, 520, sense=True)
    s.ground(740, 536)
    s.text(756, 525, "one quiet ground for divider and sensor", 13, c.QUIET)
    s.warn(
        60,
        618,
        "No pin stands more than 3.3 V. No pull-downs. The INA226 stands 36 V and never sees the bridge's positive.",
    )
    return s


def divider() -> Sheet:
    """The divider for rectified_v: fuse at the source, resistors, clamp."""
    s = Sheet(1000, 430, "Divider for rectified_v with its fuse at the source end and a clamp at the pin")
    y, low = 140, 350
    s.box(30, 96, 110, 88, "bridge +\nup to 64 V")
    s.wire((140, y), (240, y))
    s.fuse(190, y)
    s.text(190, 82, "fuse 100 mA,\nDC-rated, here", 13, at="middle")
    s.wire((240, y), (520, y), sense=True)
    s.text(306, 122, "sense wire, any length", 13, c.QUIET, "middle")
    s.resistor(430, y, sense=True)
    s.resistor(500, y, sense=True)
    s.text(465, 120, "2 x 50 kohm", 13, at="middle")
    s.wire((522, y), (900, y), sense=True)
    s.dot(580, y, sense=True)
    s.wire((580, y), (580, 226), sense=True)
    s.resistor(580, 248, upright=True, sense=True)
    s.wire((580, 270), (580, low), sense=True)
    s.text(566, 253, "3.3 kohm", 13, at="end")
    s.dot(660, y, sense=True)
    s.wire((660, y), (660, 242), sense=True)
    s.wire((642, 242), (678, 242), sense=True)
    s.wire((642, 254), (678, 254), sense=True)
    s.wire((660, 254), (660, low), sense=True)
    s.text(684, 253, "100 nF", 13)
    s.resistor(800, y, sense=True)
    s.text(800, 122, "1 kohm", 13, at="middle")
    s.dot(740, y, sense=True)
    s.wire((740, y), (740, 52), sense=True)
    s.diode(740, 92)
    s.text(740, 44, "3.3 V of the node", 13, at="middle")
    s.text(756, 97, "clamp", 13)
    s.box(900, 96, 80, 88, "GP26")
    s.wire((940, 184), (940, low), (140, low), sense=True)
    s.dot(580, low, sense=True)
    s.dot(660, low, sense=True)
    s.box(30, 316, 110, 68, "negative\nbus")
    s.text(560, 376, "node's ground", 13, c.QUIET, "middle")
    s.warn(
        160,
        410,
        "A sense wire without a fuse at its source is itself the fuse. Live while the wheel can turn.",
    )
    return s


def battery_post() -> Sheet:
    """Where the shunt sits at the battery, and what may be on each post."""
    s = Sheet(1000, 470, "Shunt, fuse and sense wires at the battery's posts")
    s.box(60, 150, 190, 240, "battery")
    s.circle(250, 190, 20, "+")
    s.circle(250, 350, 20, "\N{MINUS SIGN}")
    s.wire((270, 190), (860, 190))
    s.fuse(350, 190)
    s.text(350, 222, "fuse, DC-rated, breaks\nthe bank's full current", 13, at="middle")
    s.box(860, 150, 110, 80, "positive\nbus")
    s.wire((270, 350), (860, 350))
    a, b = s.shunt(440, 350, taps=-1)
    s.text(440, 388, "shunt 0.75 mohm: nothing else on this post", 13, at="middle")
    s.box(860, 310, 110, 80, "negative\nbus")
    # monitor chips
    s.box(556, 30, 190, 82)
    s.text(651, 54, "INA226 at 0x41", 13, at="middle")
    s.box(766, 30, 150, 82)
    s.text(841, 54, "INA226 at 0x40", 13, at="middle")
    for x, pin in ((590, "IN+"), (650, "IN\N{MINUS SIGN}"), (710, "GND"), (800, "VBUS"), (876, "GND")):
        s.text(x, 102, pin, 13, at="middle")
    s.wire(a, (a[0], 268), (590, 268), (590, 112), sense=True)
    s.wire(b, (b[0], 290), (650, 290), (650, 112), sense=True)
    s.text(500, 258, "a twisted pair", 13, c.QUIET, "middle")
    s.wire((710, 112), (710, 270), (820, 270), (820, 350), sense=True)
    s.wire((876, 112), (876, 132), (710, 132), sense=True)
    s.dot(710, 132, sense=True)
    s.dot(820, 350, sense=True)
    s.wire((800, 112), (800, 148), (330, 148), (330, 70), (250, 70), (250, 170), sense=True)
    s.dot(250, 170, sense=True)
    s.fuse(250, 110, upright=True, sense=True)
    s.text(266, 115, "500 mA", 13)
    s.text(236, 66, "battery_v: own wire from the post", 13, c.WATER, "end")
    s.text(
        612,
        420,
        "Loads, inverter, controller and node return to the negative bus, none to the post.",
        13,
        c.QUIET,
        "middle",
    )
    s.warn(
        60, 452, "Rings off, insulated tools, goggles. The node lives outside the battery's box: hydrogen."
    )
    return s


def bridge() -> Sheet:
    """Bleeder and clamp at the bridge, before everything that can open."""
    s = Sheet(1000, 440, "Bleeder and clamp at the bridge")
    top, low = 110, 340
    s.circle(90, 225, 48, "alter-\nnator")
    for y in (205, 225, 245):
        s.wire((138, y), (190, y))
    s.box(190, 180, 90, 90, "bridge")
    s.wire((235, 180), (235, top), (880, top))
    s.wire((235, 270), (235, low), (880, low))
    s.dot(340, top)
    s.dot(340, low)
    s.wire((340, top), (340, 219))
    s.wire((340, 231), (340, low))
    s.capacitor(340, 225)
    s.text(364, 230, "4700 uF", 13)
    s.dot(470, top)
    s.dot(470, low)
    s.wire((470, top), (470, low))
    s.resistor(470, 225, upright=True)
    s.text(486, 220, "bleeder\n2.2 kohm\n5 W", 13)
    s.dot(600, top)
    s.dot(600, low)
    s.wire((600, top), (600, low))
    s.box(564, 140, 72, 44, "clamp\n60 V", 13)
    s.resistor(600, 250, upright=True, long=60)
    s.text(616, 246, "10 ohm,\n400 W,\nin free air", 13)
    s.fuse(740, top)
    s.text(740, 86, "fuse and whatever else can open", 13, at="middle")
    s.box(880, 80, 100, 290, "converter")
    s.text(
        500,
        372,
        "In this order: what can open comes after the clamp, never before it.",
        14,
        c.SLATE,
        "middle",
    )
    s.warn(40, 412, "Stop the wheel, wait two minutes, then measure: below 2 V before a hand goes in.")
    s.text(250, 96, "nothing opens between bridge and clamp", 13, c.QUIET)
    return s


def guard() -> Sheet:
    """The guard's outputs with their drivers, its reset button, and the switch "working here"."""
    s = Sheet(1000, 520, "Outputs of the guard with drivers, its reset button, and the switch 'working here'")
    s.box(30, 50, 110, 420, "node")
    for pin, y, words in ((14, 90, "switch\n'working here'"), (19, 170, "reset button,\nat the wheel")):
        s.text(150, y - 8, f"GP{pin}", 13)
        s.wire((140, y), (420, y), sense=True)
        s.resistor(300, y, sense=True)
        s.text(300, y - 16, "1 kohm", 13, at="middle")
        s.box(420, y - 28, 150, 56, words)
        s.wire((570, y), (640, y), (640, y + 14), sense=True)
        s.ground(640, y + 14)
    s.text(690, 96, "both close to ground; pull-up of\n4.7 to 10 kohm to 3.3 V at the node", 13, c.QUIET)
    for pin, y, words in ((16, 260, "lamp"), (17, 340, "buzzer"), (18, 430, "relay coil,\ndiode across")):
        s.text(150, y - 8, f"GP{pin}", 13)
        s.wire((140, y), (330, y), sense=True)
        s.resistor(240, y, sense=True)
        s.text(240, y - 16, "1 kohm", 13, at="middle")
        s.box(330, y - 28, 150, 56, "low-side driver,\n10 kohm to ground", 13)
        s.wire((480, y), (570, y))
        s.box(570, y - 28, 130, 56, words)
        s.wire((700, y), (900, y))
        s.fuse(800, y)
    s.wire((900, 430), (900, 226))
    s.dot(900, 260)
    s.dot(900, 340)
    s.text(900, 214, "12 V, fused", 13, at="middle")
    s.text(715, 470, "its contact acts when it drops", 13, c.QUIET)
    s.warn(
        40,
        504,
        "An aid, never the protection: what acts must act without the node, and stay until reset by hand.",
    )
    return s


DRAWINGS: Final = {
    "plant": plant,
    "node-pins": node_pins,
    "divider": divider,
    "battery-post": battery_post,
    "bridge": bridge,
    "guard": guard,
}


def main() -> None:
    """Write every drawing beside this file."""
    for name, draw in DRAWINGS.items():
        (HERE / f"{name}.svg").write_text(draw().svg(), encoding="utf-8")


if __name__ == "__main__":
    main()
