"""Reading plant.toml: what is right is taken, and everything that is wrong is told at once."""

from __future__ import annotations

import tomllib
from dataclasses import fields, is_dataclass
from typing import TYPE_CHECKING, Any

import pytest
from tests.plant.pieces import RATING, STAGE

from wheelpit.plant import Plant, PlantError, demo_plant_path, load_plant, parse_plant
from wheelpit.plant.description import FixedConverter, FoldBackConverter, NoConverter, RatedWeir, ShuntSensor

if TYPE_CHECKING:
    from pathlib import Path

_DEMO = demo_plant_path().read_text(encoding="utf-8")

_INVERTER = "[inverter]"


def _with(channel: str, rest: str) -> str:
    """Return one more sensor, before the table of the inverter."""
    return f'[[sensor]]\nchannel = "{channel}"\nnode = "wheel"\n{rest}\n[inverter]'


def _problems(text: str) -> list[str]:
    with pytest.raises(PlantError) as caught:
        parse_plant(text)
    assert str(caught.value).splitlines() == [f"plant.toml: {line}" for line in caught.value.problems]
    return list(caught.value.problems)


def _changed(*changes: tuple[str, str]) -> str:
    text = _DEMO
    for old, new in changes:
        assert old in text, f"the demo plant no longer says {old!r}"
        text = text.replace(old, new, 1)
    return text


def test_attribute_paths_are_the_keys_of_the_file() -> None:
    plant = load_plant(demo_plant_path())
    told = tomllib.loads(_DEMO)
    for table, values in told.items():
        if isinstance(values, list):
            continue
        for key, value in values.items():
            assert getattr(getattr(plant, table), key) == value
    for sensor, values in zip(plant.sensors, told["sensor"], strict=True):
        assert {key: getattr(sensor, key) for key in values} == values


def test_whole_numbers_are_taken_where_a_fraction_may_stand() -> None:
    plant = parse_plant(_changed(("head_m = 1.80", "head_m = 2")))
    assert isinstance(plant.water.head_m, float)


def test_everything_that_is_wrong_is_told_at_once() -> None:
    problems = _problems(
        _changed(
            ("head_m = 1.80", "head_m = 180.0"),
            ("latitude_deg = 54.3", 'latitude_deg = "54 N"'),
            ("pole_pairs = 8", "pole_pairs = 8.5"),
            ("width_m", "widht_m"),
            ("diode_v = 0.8\n", ""),
        )
    )
    assert len(problems) == 6
    text = "\n".join(problems)
    assert "water.head_m = 180.0: outside what is believed; give a value from 0.2 to 20 m" in text
    assert 'site.latitude_deg = "54 N": write a number from -90 to 90 °' in text
    assert "alternator.pole_pairs = 8.5: write a whole number from 1 to 60" in text
    assert "wheel.widht_m: unknown key; did you mean width_m?" in text
    assert "wheel.width_m: missing; add it: inner width of the buckets, from 0.05 to 5 m" in text
    assert "alternator.diode_v: missing; add it: drop of one diode of the bridge, from 0.1 to 2 V" in text


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ("[wheel]", "[weel]", "weel: unknown key; did you mean wheel?"),
        ("[belt]", "[chain_drive]", "belt: missing; add the table [belt] with kind, drum_diameter_m"),
        ('kind = "fold-back"', 'kind = "foldback"', 'converter.kind = "foldback": use one of "fold-back", "fixed", "none"'),
        ('kind = "fold-back"\n', "", 'converter.kind missing: use one of "fold-back", "fixed", "none"'),
        ("largest_input_v = 80.0\n", "", "converter.largest_input_v: missing; add it: largest input voltage"),
        ("[battery]", "[[battery]]", "write a table, [battery]"),
        ("idle_w = 9.0", "idle_w = nan", "inverter.idle_w = nan: outside what is believed"),
        ("idle_w = 9.0", "idle_w = true", "inverter.idle_w = true: write a number from 0 to 500 W"),
        ('name = "Sallow Ghyll"', 'name = ""', 'site.name = "": write a text in "quotes"'),
        ('chemistry = "flooded"', 'chemistry = "wet"', 'battery.chemistry = "wet": use one of "flooded", "sealed", "lfp"'),
        ("dump_w = 250.0", "dump_w = 250.0\nload_terminals = 1", "controller.load_terminals = 1: write true or false"),
        ("magnets = 4", "magnets = 0", "sensor[1] wheel_rpm.magnets = 0: outside what is believed"),
        ("magnets = 4", "magnet = 4", "sensor[1] wheel_rpm.magnet: unknown key; did you mean magnets?"),
        ('kind = "pickup"', 'kind = "hall"', 'sensor[1] wheel_rpm.kind = "hall": use one of "pickup"'),
        ("[water]", "sensor = 3\n[water]", "unknown key"),
    ],
)  # fmt: skip
def test_a_slip_is_named_with_its_remedy(old: str, new: str, expected: str) -> None:
    assert expected in "\n".join(_problems(_changed((old, new))))


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ("lowest_flow_l_s = 2.0", "lowest_flow_l_s = 30.0", "water.lowest_flow_l_s = 30: give less than"),
        ("bucket_radius_m = 0.71", "bucket_radius_m = 0.9", "wheel.bucket_radius_m = 0.9: the water lies inside"),
        ("spill_deg = 125.0", "spill_deg = 170.0", "wheel.spill_deg = 170: give less than empty_deg, 160"),
        ("spill_deg = 125.0", "spill_deg = 60.0", "wheel.spill_deg_per_fill = 45: a full bucket would spill before"),
        ("entry_fall_m = 0.12", "entry_fall_m = 2.0", "wheel.entry_fall_m = 2: give less than water.head_m"),
        ("belt_mm = 6.0\n", "", "belt.belt_mm: missing; add the belt's thickness"),
        ('kind = "flat"', 'kind = "v"', 'belt.belt_mm = 6: only for kind = "flat"'),
        ("stop_v = 15.0", "stop_v = 17.0", "converter.stop_v = 17: give at most start_v, 16"),
        ("largest_input_v = 80.0", "largest_input_v = 15.5", "converter.start_v = 16: give less than largest_input_v"),
        ("float_v = 13.4", "float_v = 14.5", "controller.float_v = 14.5: give at most absorption_v"),
        ("overcharge_v = 15.0", "overcharge_v = 14.0", "battery.overcharge_v = 14: give more than"),
        ("nominal_v = 12.0", "nominal_v = 24.0", "controller.absorption_v = 14.4: not of a 24 V bank"),
        ("nominal_v = 12.0", "nominal_v = 13.0", "battery.nominal_v = 13: use 12, 24 or 48"),
        ("dump_w = 250.0\n", "", "controller.dump_w: missing; add the power of the diversion load"),
        ('"diversion-at-battery"', '"series"', 'controller.dump_w = 250: topology = "series" has no diversion load'),
        (
            "dump_w = 250.0",
            "dump_w = 250.0\nopen_test_every_s = 12\nopen_test_s = 8",
            "controller.open_test_s = 8: give less than half of open_test_every_s, 12",
        ),
        (
            '"diversion-at-battery"',
            '"none"\nopen_test_every_s = 300',
            'controller.open_test_every_s = 300: topology = "none" has no controller that tests its source',
        ),
        ('chemistry = "flooded"', 'chemistry = "lfp"', "battery.overcharge_v = 15: LiFePO4 cells take at most 3.65 V"),
        ("Europe/London", "Europe/Sallow", 'site.time_zone = "Europe/Sallow": no such zone'),
        ('id = "sallow-ghyll"', 'id = "Sallow Ghyll"', "site.id 'Sallow Ghyll': use 1 to 32"),
        ('node = "wheel"', 'node = "host"', 'sensor wheel_rpm.node = "host": the host speaks under that name'),
        ("pin = 26", "pin = 15", "sensor rectified_v.pin = 15: already used by wheel_rpm"),
        ("pin = 26", "pin = 4", "sensor rectified_v.pin = 4: already used by the I2C data line"),
        ("address = 0x41", "address = 0x40", "sensor battery_a.address = 0x40: that chip already gives charge_a"),
        ("range_a = 100.0", "range_a = 200.0", "sensor battery_a.range_a = 200: the drop at 0.00075 ohm passes the chip's"),
        ('at = "battery-negative-post"', 'at = "loads"', 'sensor battery_a.at = "loads": battery_a is measured at'),
        ('channel = "dump_a"', 'channel = "charge_a"', 'sensor.channel = "charge_a": given by 2 sensors; keep one'),
        ('channel = "dump_a"', 'channel = "dumped_a"', 'sensor dumped_a.channel = "dumped_a": no such channel'),
        ('channel = "wheel_rpm"', 'channel = "water_degc"', 'sensor water_degc.kind = "pickup": cannot give'),
        ("address = 0x41", 'address = 0x41\nchip = "ina219"', 'sensor[6] battery_a.chip = "ina219": use one of "ina226", "ina228"'),
        ("pin = 26", "pin = 2\naddress = 0x48", "sensor rectified_v.full_mv = 3300: the converter's full scales are 256,"),
        ("pin = 26", "pin = 4\naddress = 0x48\nfull_mv = 4096", "sensor rectified_v.pin = 4: the converter at 0x48 has"),
        ("address = 0x45", 'address = 0x40\nchip = "ina228"', "sensor rectified_a.address = 0x40: there is already an ina226"),
        (_INVERTER, _with("alternator_rpm", 'kind = "phase"\npin = 15'), "sensor wheel_rpm.pin = 15: already used by alternator_rpm"),
        (_INVERTER, _with("wheel_rpm", 'kind = "phase"\npin = 16'), 'sensor wheel_rpm.kind = "phase": cannot give wheel_rpm'),
        (_INVERTER, _with("battery_v", 'kind = "thermometer"\npin = 16'), "cannot give battery_v"),
        (_INVERTER, _with("water_degc", 'kind = "thermometer"\npin = 16\nrom = "10ff"'), 'sensor water_degc.rom = "10ff": write 16'),
        (
            _INVERTER,
            _with("water_degc", 'kind = "thermometer"\npin = 16').removesuffix(_INVERTER)
            + _with("alternator_degc", 'kind = "thermometer"\npin = 16'),
            "sensor alternator_degc.rom: several share the wire at pin 16; give each its own",
        ),
        (
            _INVERTER,
            _with("shaft_nm", 'kind = "load-cell"\ndata_pin = 16\nclock_pin = 16\ncodes_per_nm = 0'),
            "sensor shaft_nm.codes_per_nm = 0: pull with a known force",
        ),
        ("mv_per_unit = 10.0", "mv_per_unit = 0", "sensor battery_degc.mv_per_unit = 0: the whole scale would be"),
        ("v_per_rpm = 0.14", "v_per_rpm = 0.02", "alternator.v_per_rpm = 0.02: charging would start at 47 rpm, above 33"),
        ("[inverter]", "[limits]\nslow_rpm = 9\n[inverter]", "limits.slow_rpm = 9: give at least the cut-out speed, 6.34"),
        ("[inverter]", '[[node]]\nid = "weel"\n[inverter]', 'node.id = "weel": no [[sensor]] names it'),
        ("[inverter]", '[[node]]\nid = "wheel"\nrecord_s = 11\n[inverter]', "node.record_s = 11: use 5, 6, 10"),
        ("[inverter]", '[[node]]\nid = "wheel"\nparked_pin = 5\n[inverter]', "node.parked_pin = 5: already used by"),
        (
            "[inverter]",
            "[limits]\nrectified_warning_v = 60\nrectified_guard_v = 50\n[inverter]",
            "limits.rectified_warning_v = 60: give at most rectified_guard_v, 50",
        ),
        (
            "[inverter]",
            "[limits]\novercharge_warning_v = 15.5\n[inverter]",
            "limits.overcharge_warning_v = 15.5: give at most the hard limit, 15",
        ),
        (
            "[inverter]",
            '[weir]\nkind = "v-notch"\nnotch_deg = 90\ncrest_height_m = 0.5\nchannel_width_m = 1\n[inverter]',
            "weir: no [[sensor]] gives stage_m",
        ),
    ],
)  # fmt: skip
def test_a_contradiction_is_named_with_its_remedy(old: str, new: str, expected: str) -> None:
    assert expected in "\n".join(_problems(_changed((old, new))))


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ('kind = "rating"', 'kind = "broad"', 'weir.kind = "broad": use one of "v-notch", "rating"'),
        ('kind = "rating"\n', "", 'weir.kind missing: use one of "v-notch", "rating"'),
        ("zero_m = -0.02\n", "", "weir.zero_m: missing; add it: level at which flow begins"),
        (
            "exponent = 2.4",
            "exponent = 24",
            "weir.exponent = 24: outside what is believed; give a value from 0.3 to 6",
        ),
        ("exponent = 2.4", "notch_deg = 90", "weir.notch_deg: unknown key"),
        ("flow_u_pct = 4.0", "flow_u_pct = 0", "weir.flow_u_pct = 0: outside what is believed"),
        ("from_m = 0.1", "from_m = -0.02", "weir.from_m = -0.02: give more than zero_m"),
        ("to_m = 0.3", "to_m = 0.1", "weir.to_m = 0.1: give more than from_m"),
        ("coefficient_l_s = 320.0", "coefficient_l_s = 0.32", "weir.coefficient_l_s = 0.32: it would make"),
        (
            "coefficient_l_s = 320.0",
            "coefficient_l_s = 320000",
            "weir.coefficient_l_s = 320000: it would make",
        ),
    ],
)
def test_a_rating_that_cannot_be_is_named_with_its_remedy(old: str, new: str, expected: str) -> None:
    text = _DEMO + STAGE + RATING
    assert isinstance(parse_plant(text).weir, RatedWeir)
    assert old in RATING
    assert expected in "\n".join(_problems(_DEMO + STAGE + RATING.replace(old, new)))


def test_two_nodes_may_use_the_same_pins() -> None:
    plant = parse_plant(
        _DEMO
        + '\n[[sensor]]\nchannel = "water_degc"\nnode = "weir"\nkind = "linear"\npin = 26\nmv_per_unit = 10.0\n'
    )
    assert plant.node_ids == ("wheel", "weir")


_FIXED = """kind = "fixed"
start_v = 16
stop_v = 10
restart_s = 2
output_limit_a = 5
efficiency = 0.9
largest_input_v = 80
parts_v = 100
output_limit_v = 14.4
"""


@pytest.mark.parametrize(
    ("text", "kind"), [(_FIXED, FixedConverter), ('kind = "none"\nparts_v = 100\n', NoConverter)]
)
def test_each_kind_of_converter_has_its_own_keys(text: str, kind: type[object]) -> None:
    start = _DEMO.index("[converter]") + len("[converter]\n")
    end = _DEMO.index("[controller]")
    assert isinstance(parse_plant(_DEMO[:start] + text + _DEMO[end:]).converter, kind)
    assert isinstance(parse_plant(_DEMO).converter, FoldBackConverter)


def test_what_may_be_left_out_has_a_plain_meaning() -> None:
    text = _changed(("[inverter]\nidle_w = 9.0\n", ""), ("[protection]\nclamp_v = 60.0", ""))
    plant = parse_plant(
        text.replace(" # at the bridge; the dump at the battery cannot help when the converter opens", "")
    )
    assert plant.inverter.idle_w == 0.0
    assert plant.protection.clamp_v is None
    assert plant.other_sources == ()
    assert plant.node("wheel").record_s == 10


def test_other_sources_are_read() -> None:
    plant = parse_plant(_DEMO + '\n[[other_source]]\nkind = "solar"\nrated_w = 400.0\n')
    assert [source.kind for source in plant.other_sources] == ["solar"]


def test_a_sensor_is_found_by_its_channel() -> None:
    plant = parse_plant(_DEMO)
    found = plant.sensor("charge_a")
    assert isinstance(found, ShuntSensor)
    assert found.at == "controller-to-battery-node"
    assert plant.sensor("shaft_nm") is None


def test_a_file_that_is_not_there_or_no_toml(tmp_path: Path) -> None:
    with pytest.raises(PlantError, match="not found; give the path"):
        load_plant(tmp_path / "plant.toml")
    (tmp_path / "plant.toml").write_text("[site\n", encoding="utf-8")
    with pytest.raises(PlantError, match="is not TOML"):
        load_plant(tmp_path / "plant.toml")
    (tmp_path / "plant.toml").write_bytes(b"\xff\xfe[site]")
    with pytest.raises(PlantError, match="cannot be read"):
        load_plant(tmp_path / "plant.toml")


def test_every_key_tells_its_meaning_and_every_number_its_range() -> None:
    seen: list[str] = []

    def visit(kind: Any) -> None:
        for field in fields(kind):
            annotation = str(field.type)
            if annotation.startswith("Annotated["):
                seen.append(field.name)
                assert "Told(" in annotation
                number = annotation.startswith(("Annotated[float", "Annotated[int"))
                assert not number or annotation.count(",") >= 3, f"{kind.__name__}.{field.name} has no range"

    from wheelpit.plant import description  # noqa: PLC0415 - walked as a module

    for thing in vars(description).values():
        if isinstance(thing, type) and is_dataclass(thing) and thing is not Plant:
            visit(thing)
    assert "v_per_rpm" in seen
