"""Small things that outlive a restart: each a JSON object in a file that is there as a whole, before or after."""

import json
import os

from node.flash_files import Folder


class Kept:
    """The files in one folder. What cannot be read counts as not there: nothing here may keep a node from starting."""

    def __init__(self, path: str) -> None:
        self.files = Folder(path)

    def read(self, name: str) -> "dict[str, object]":
        """Return what was written last, an empty dictionary when there is nothing."""
        try:
            with open(self.files.path + "/" + name, encoding="utf-8") as file:
                told = json.load(file)
        except (OSError, ValueError):
            return {}
        return told if isinstance(told, dict) else {}

    def there(self, name: str) -> bool:
        """Say whether there is such a file, readable or not."""
        try:
            os.stat(self.files.path + "/" + name)
        except OSError:
            return False
        return True

    def write(self, name: str, told: "dict[str, object]") -> None:
        """Keep an object; raise OSError when the flash does not take it."""
        self.files.make()
        self.files.replace(name, json.dumps(told).encode())


def whole(told: "dict[str, object]", key: str) -> int:
    """Return a whole number of an object, 0 when there is none."""
    value = told.get(key)
    return value if isinstance(value, int) and not isinstance(value, bool) else 0


class NotKept(Kept):
    """For a node without a file system: nothing outlives a restart."""

    def __init__(self) -> None:
        super().__init__("")

    def read(self, _name: str) -> "dict[str, object]":
        """Return an empty dictionary."""
        return {}

    def write(self, _name: str, _told: "dict[str, object]") -> None:
        """Keep nothing."""

    def there(self, _name: str) -> bool:
        """Return that there is none."""
        return False
