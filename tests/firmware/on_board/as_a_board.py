"""Makes the Linux interpreter a board: a littlefs of its own for a root, a board's names, its `main.py` at start.

Arguments: the image of the flash, the chip's family, the board's description, the `.mpy` format it claims to load
(0: the true one). The firmware's own `hal` needs the chip's hardware; one that has nothing on its pins replaces it.
"""

import os
import sys
import time

import vfs

IMAGE, PLATFORM, MACHINE, MPY = sys.argv[1:5]
BLOCK = 4096


class Flash:
    """A block device in a file."""

    def __init__(self, path):
        self.file = open(path, "r+b")  # noqa: SIM115 - as long as the board
        self.blocks = self.file.seek(0, 2) // BLOCK

    def readblocks(self, block, buffer, offset=0):
        self.file.seek(block * BLOCK + offset)
        self.file.readinto(buffer)

    def writeblocks(self, block, buffer, offset=0):
        self.file.seek(block * BLOCK + offset)
        self.file.write(buffer)

    def ioctl(self, what, argument):
        if what == 3:
            self.file.flush()
        return {4: self.blocks, 5: BLOCK}.get(what, 0)


class Names:
    """A module: its own names first, then those of the real one."""

    def __init__(self, real=None, **names):
        self._real = real
        for name, value in names.items():
            setattr(self, name, value)

    def __getattr__(self, name):
        if self._real is None:
            raise AttributeError(name)
        return getattr(self._real, name)


class Nothing:
    """What hangs on the pins: a pickup that sees no magnet, a silent bus, no network."""

    exact, lost = True, 0

    def readfrom_mem_into(self, address, register, buffer):
        raise OSError(5)

    writeto_mem = readfrom_mem_into

    def read_u16(self):
        return 0

    def read_into(self, ticks):
        return 0

    def feed(self):
        pass

    recover = feed

    def connect(self, ssid, password):
        print("joining", ssid)

    def connected(self):
        return False

    def address(self):
        return None


class Board:
    """The board as the firmware sees it, with the pause at the start that a board has."""

    name, chip = MACHINE, "e661010203040506"
    wlan = Nothing()

    def maintenance(self):
        print("waiting for a person")
        time.sleep(1)
        return False

    def reset_cause(self):
        return "power"

    def ticks_ms(self):
        return time.ticks_ms() & 0x3FFFFFFF

    def ticks_us(self):
        return time.ticks_us() & 0x3FFFFFFF

    def i2c(self, bus, sda, scl, freq_hz):
        return Nothing()

    def adc(self, pin):
        return Nothing()

    edges = watchdog = adc

    def switch(self, pin):
        return lambda: 0

    def random_bytes(self, count):
        return os.urandom(count)

    async def open_connection(self, host, port):
        raise OSError(113)

    def restart(self):
        reset()


def reset():
    """End at once, as a reset does; whoever started this starts it again."""
    os.system("kill -9 $PPID")  # noqa: S605 - the interpreter has no other way to end itself so
    time.sleep(5)


flash = Flash(IMAGE)
try:
    root = vfs.VfsLfs2(flash)
except OSError:
    vfs.VfsLfs2.mkfs(flash)
    root = vfs.VfsLfs2(flash)
vfs.umount("/")
vfs.mount(root, "/")
os.chdir("/")
sys.path[:] = ["", ".frozen", "/lib"]
told = sys.implementation
sys.modules["sys"] = Names(
    sys,
    argv=[""],
    platform=PLATFORM,
    implementation=Names(name=told.name, version=told.version, _machine=MACHINE, _mpy=int(MPY) or told._mpy),
)
sys.modules["machine"] = Names(reset=reset)
sys.modules["hal"] = Names(board=Board)
try:
    os.stat("main.py")
    here = True
except OSError:
    here = False
if here:
    with open("main.py") as file:
        program = file.read()
    exec(program, {"__name__": "__main__"})  # noqa: S102 - as a board does; a stop or an error leads to the prompt
