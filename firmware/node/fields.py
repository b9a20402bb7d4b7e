"""Fields of a JSON object: takes them out one by one, and notes everything that is wrong with them."""

import json

_ID_LETTERS = "abcdefghijklmnopqrstuvwxyz0123456789-"
_LONGEST_SHOWN = 60
_MISSING = object()


class SettingsError(Exception):
    """Something in the settings is wrong; `problems` lists every line, `str()` joins them."""

    def __init__(self, problems: list[str]) -> None:
        super().__init__("\n".join(problems))
        self.problems = problems


class Part:
    """One object of the JSON text: takes fields out, notes what is wrong, and what nobody asked for."""

    __slots__ = ("_hide", "_path", "_problems", "_seen", "_told")

    def __init__(
        self, path: str, told: "dict[str, object]", problems: list[str], *, hide: bool = False
    ) -> None:
        self._path = path + "." if path else ""
        self._told = told
        self._problems = problems
        self._seen: list[str] = []
        self._hide = hide

    def wrong(self, field: str, value: object, what: str) -> None:
        """Note a problem of a field."""
        shown = "(hidden)" if self._hide else _shown(value)
        self._problems.append(f"{self._path}{field} {shown}: {what}")

    def has(self, field: str) -> bool:
        """Say whether the field is there at all."""
        return field in self._told

    def _take(self, field: str, default: object) -> object:
        self._seen.append(field)
        if field in self._told:
            return self._told[field]
        if default is _MISSING:
            self._problems.append(f"{self._path}{field} is missing: add it")
        return default

    def whole(self, field: str, least: int, most: int, default: object = _MISSING) -> int:
        """Take a whole number."""
        value = self._take(field, default)
        if value is _MISSING:
            return least
        if not isinstance(value, int) or isinstance(value, bool):
            self.wrong(field, value, f"must be a whole number from {least} to {most}")
            return least
        if not least <= value <= most:
            self.wrong(field, value, f"must lie between {least} and {most}")
            return least
        return value

    def flag(self, field: str, *, default: bool) -> bool:
        """Take a yes or no."""
        value = self._take(field, default)
        if not isinstance(value, bool):
            self.wrong(field, value, "must be true or false")
            return default
        return value

    def text(self, field: str, longest: int) -> str:
        """Take a text that is not empty."""
        self._take(field, _MISSING)
        return self.text_or_none(field, longest) or ""

    def text_or_none(self, field: str, longest: int) -> "str | None":
        """Take a text that is not empty, or None when the field is not there."""
        if not self.has(field):
            return None
        value = self._take(field, None)
        if isinstance(value, str) and 0 < len(value) <= longest:
            return value
        self.wrong(field, value, f"must be a text of 1 to {longest} characters")
        return None

    def one_of(self, field: str, choices: tuple[str, ...], default: object = _MISSING) -> str:
        """Take one of a few words."""
        value = self._take(field, default)
        if value is _MISSING:
            return ""
        if value not in choices:
            self.wrong(field, value, "use one of: " + ", ".join(choices))
            return ""
        return value

    def pin_or_name(self, field: str) -> "int | str | None":
        """Take a pin of the board, by its number or by the name that the board gives it."""
        if isinstance(self._told.get(field), str):
            return self.text_or_none(field, 16)
        return self.whole(field, 0, 48)

    def some_of(self, field: str, choices: tuple[str, ...], default: tuple[str, ...]) -> tuple[str, ...]:
        """Take a list of some of a few words."""
        value = self._take(field, list(default))
        if not isinstance(value, list) or any(word not in choices for word in value):
            self.wrong(field, value, "must be a list of some of: " + ", ".join(choices))
            return default
        return tuple(value)

    def texts(self, field: str, most: int, longest: int) -> "list[str]":
        """Take a list of one to a few texts."""
        value = self._take(field, _MISSING)
        if value is _MISSING:
            return []
        if isinstance(value, list) and 0 < len(value) <= most:
            found = [text for text in value if isinstance(text, str) and 0 < len(text) <= longest]
            if len(found) == len(value):
                return found
        self.wrong(field, value, f"must be a list of 1 to {most} texts of 1 to {longest} characters")
        return []

    def an_id(self, field: str) -> str:
        """Take the id of a site or node, as topics allow it."""
        value = self.text(field, 32)
        if any(letter not in _ID_LETTERS for letter in value):
            self.wrong(field, value, "use only a-z, 0-9 and -")
        return value

    def part(self, field: str, *, needed: bool = False) -> "Part":
        """Take an object within this one."""
        value = self._take(field, _MISSING if needed else {})
        if value is _MISSING:
            value = {}
        if not isinstance(value, dict):
            self.wrong(field, value, "must be an object {...}")
            value = {}
        return Part(self._path + field, value, self._problems)

    def end(self, what: str = "is not a field of these settings; correct or remove it") -> None:
        """Note every field that nobody took."""
        for field in self._told:
            if field not in self._seen:
                self._problems.append(f"{self._path}{field}: {what}")


def _shown(value: object) -> str:
    text = json.dumps(value)
    return text if len(text) <= _LONGEST_SHOWN else text[:_LONGEST_SHOWN] + "..."
