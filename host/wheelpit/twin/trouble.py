"""What can go wrong with the twin, said to a person."""

from __future__ import annotations

from typing import TYPE_CHECKING

from wheelpit.errors import WheelpitError

if TYPE_CHECKING:
    from pathlib import Path


class TwinError(WheelpitError):
    """Something about the twin that a person must change."""


class UnmodelledError(TwinError):
    """A plant that the twin has no model of; `problems` has one line for each part."""

    def __init__(self, problems: list[str]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(problems))


class NoTwinError(TwinError):
    """No twin runs in a state folder."""

    def __init__(self, state: Path) -> None:
        super().__init__(
            f"no twin runs in {state}; start one with `wheelpit twin` or `wheelpit demo`, "
            "or give the folder of a running one with --state"
        )


class TwinRunsError(TwinError):
    """A twin runs already in a state folder."""

    def __init__(self, state: Path, pid: int) -> None:
        super().__init__(f"a twin runs already in {state}, as process {pid}; end it, or give another --state")


class TwinSilentError(TwinError):
    """A twin that was announced does not answer."""

    def __init__(self, port: int, why: str) -> None:
        super().__init__(f"the twin at 127.0.0.1:{port} does not answer ({why}); end it and start it again")


class TwinRefusedError(TwinError):
    """The twin would not do what it was told."""


class FaultError(TwinError):
    """A fault that is not known, that this plant cannot have, or of a severity that there is not."""


class ElsewhereError(FaultError):
    """A fault of a part that the twin does not run."""

    def __init__(self, name: str, where: str, remedy: str) -> None:
        super().__init__(f'fault "{name}" is of the {where}: the twin alone cannot do it; {remedy}')
