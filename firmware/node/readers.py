"""Makes the drivers and readers that the settings ask for; a driver that nobody asks for takes no memory."""

# ruff: noqa: PLC0415 - each driver is imported only where its chip is fitted

from node.chipsettings import (
    AdcSettings,
    ConverterSettings,
    LoadCellSettings,
    MonitorSettings,
    ThermometerSettings,
)

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Protocol

    from hal import Board, I2cBus

    from node.ads1115 import Ads1115
    from node.chipsettings import ChannelSettings
    from node.ina226 import Ina226
    from node.ina228 import Ina228
    from node.settings import Settings

    class Driver(Protocol):
        """A chip."""

        def update(self) -> None:
            """Read it once per sample; never raises."""

    class Reader(Protocol):
        """A channel."""

        fault: "str | None"

        def read(self) -> "int | None":
            """Return its value in steps, or None and why in `fault`."""


def _unchecked(what: str) -> ValueError:
    """Return the error for settings that would never have passed their checks."""
    return ValueError(what)


class Readers:
    """All measured channels of a node but the shafts' speeds.

    drivers: to be updated once per sample, before reading. readers: each with the index of its channel.
    """

    def __init__(self, settings: "Settings", board: "Board") -> None:
        self._settings = settings
        self._board = board
        self._chips: "dict[int, Ina226 | Ina228 | Ads1115]" = {}
        self.drivers: "list[Driver]" = []
        self.readers: "list[tuple[int, Reader]]" = [
            (settings.layout.index(told.channel), self._reader(told)) for told in settings.channels
        ]

    def _reader(self, told: "ChannelSettings") -> "Reader":
        if isinstance(told, AdcSettings):
            from node.analogue import AnalogueReader

            return AnalogueReader(self._board.adc(told.pin), told)
        if isinstance(told, MonitorSettings):
            return self._monitor(told)
        if isinstance(told, ConverterSettings):
            return self._converter(told)
        if isinstance(told, ThermometerSettings):
            return self._thermometer(told)
        return self._load_cell(told)

    def _monitor(self, told: MonitorSettings) -> "Reader":
        address = told.address
        if told.chip == "ina226":
            from node import ina226

            if address not in self._chips:
                self._add(address, ina226.Ina226(self._bus(), address))
            small = self._chips[address]
            if not isinstance(small, ina226.Ina226):
                raise _unchecked(told.channel)
            return ina226.BusReader(small) if told.reads == "bus" else ina226.CurrentReader(small, told)
        from node import ina228

        if address not in self._chips:
            uohm, range_ma = self._shunt(address)
            self._add(address, ina228.Ina228(self._bus(), address, uohm, range_ma, self._board.ticks_ms))
        large = self._chips[address]
        if not isinstance(large, ina228.Ina228):
            raise _unchecked(told.channel)
        return ina228.FineBusReader(large) if told.reads == "bus" else ina228.FineCurrentReader(large, told)

    def _shunt(self, address: int) -> "tuple[int, int]":
        """Return resistance and range of the shunt that the chip at an address reads, zeros without one."""
        for told in self._settings.channels:
            if isinstance(told, MonitorSettings) and told.address == address and told.reads == "current":
                return told.shunt_uohm, told.range_ma
        return 0, 0

    def _converter(self, told: ConverterSettings) -> "Reader":
        from node import ads1115

        if told.address not in self._chips:
            self._add(told.address, ads1115.Ads1115(self._bus(), told.address))
        chip = self._chips[told.address]
        if not isinstance(chip, ads1115.Ads1115):
            raise _unchecked(told.channel)
        return ads1115.ConverterReader(chip, told)

    def _thermometer(self, told: ThermometerSettings) -> "Reader":
        from node.ds18b20 import Thermometer

        found = Thermometer(self._board.one_wire(told.wire_pin), told)
        self.drivers.append(found)
        return found

    def _load_cell(self, told: LoadCellSettings) -> "Reader":
        from node.hx711 import LoadCell

        found = LoadCell(self._board.clocked_in(told.data_pin, told.clock_pin), told)
        self.drivers.append(found)
        return found

    def _add(self, address: int, chip: "Ina226 | Ina228 | Ads1115") -> None:
        self._chips[address] = chip
        self.drivers.append(chip)

    def _bus(self) -> "I2cBus":
        bus = self._settings.i2c
        if bus is None:
            raise _unchecked("i2c")
        return self._board.i2c(bus.bus, bus.sda, bus.scl, bus.freq_hz)
