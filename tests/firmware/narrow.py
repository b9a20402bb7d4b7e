"""The firmware with every float forced through 32 bits, as on boards whose interpreter is built with single precision.

The modules are loaded anew with the result of each operation and call, and each constant, passed through `narrowed`: an
integer comes out as it is, a float as the nearest one of IEEE 754 binary32.
"""

from __future__ import annotations

import ast
import importlib.abc
import importlib.util
import struct
import sys
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from interpreters import FIRMWARE

if TYPE_CHECKING:
    from collections.abc import Iterator
    from importlib.machinery import ModuleSpec
    from types import ModuleType


class Narrowing:
    """Counts what passes; narrow: whether floats lose their last bits, or only pass."""

    def __init__(self, *, narrow: bool) -> None:
        self.narrow = narrow
        self.passed = 0
        self.floats = 0

    def __call__(self, value: Any) -> Any:
        """Return what a board would have in place of a value."""
        self.passed += 1
        if type(value) is not float:
            return value
        self.floats += 1
        return struct.unpack("f", struct.pack("f", value))[0] if self.narrow else value


class _Wrapping(ast.NodeTransformer):
    def _wrapped(self, node: ast.expr) -> ast.expr:
        self.generic_visit(node)
        return ast.Call(ast.Name("narrowed", ast.Load()), [node], [])

    visit_BinOp = visit_UnaryOp = visit_Call = _wrapped  # noqa: N815 - ast asks for these names

    def visit_Constant(self, node: ast.Constant) -> ast.expr:
        return self._wrapped(node) if isinstance(node.value, float) else node

    def visit_AugAssign(self, node: ast.AugAssign) -> list[ast.stmt]:
        target = ast.parse(ast.unparse(node.target), mode="eval").body
        done = ast.Assign([node.target], self._wrapped(target), lineno=node.lineno)
        return [node, done]


class _Loader(importlib.abc.InspectLoader):
    def __init__(self, narrowing: Narrowing, changes: dict[str, tuple[str, str]]) -> None:
        self.narrowing = narrowing
        self.changes = changes

    def get_source(self, fullname: str) -> str:
        source = (FIRMWARE / f"{fullname.replace('.', '/')}.py").read_text()
        if fullname in self.changes:
            before, after = self.changes[fullname]
            assert before in source
            source = source.replace(before, after)
        return source

    def exec_module(self, module: ModuleType) -> None:
        module.__dict__["narrowed"] = self.narrowing
        tree = _Wrapping().visit(ast.parse(self.get_source(module.__name__)))
        exec(compile(ast.fix_missing_locations(tree), module.__name__, "exec"), module.__dict__)  # noqa: S102 - a transformed module


class _Finder(importlib.abc.MetaPathFinder):
    def __init__(self, loader: _Loader) -> None:
        self.loader = loader

    def find_spec(self, fullname: str, _path: object, _target: object = None) -> ModuleSpec | None:
        if fullname == "node":  # it is empty
            return importlib.util.spec_from_file_location(fullname, FIRMWARE / "node" / "__init__.py")
        return (
            importlib.util.spec_from_loader(fullname, self.loader) if fullname.startswith("node.") else None
        )


@contextmanager
def narrowed_firmware(
    narrowing: Narrowing, changes: dict[str, tuple[str, str]] | None = None
) -> Iterator[None]:
    """Import the firmware's modules in this way while the block lasts; changes: a text to replace, by module."""
    finder = _Finder(_Loader(narrowing, changes or {}))
    kept = {
        name: module for name, module in sys.modules.items() if name == "node" or name.startswith("node.")
    }
    for name in kept:
        del sys.modules[name]
    sys.meta_path.insert(0, finder)
    try:
        yield
    finally:
        sys.meta_path.remove(finder)
        for name in [name for name in sys.modules if name == "node" or name.startswith("node.")]:
            del sys.modules[name]
        sys.modules.update(kept)
