"""Faults sown into the audit, one at a time, to see whether its tests notice: ``python -m proof_tools.mutants [--every N] [--only FILE]``.

Each mutant is one small change of the code: a comparison with or without its limit, a sum for a difference, a number one higher, a
condition turned round, a statement left out. Its tests run against it in a child process; a mutant is *killed* where one of them
fails, or where they do not end. What survives is printed: a test is missing there, or the change changes nothing (as where two
things are never equal); it is for a person to say which.
"""

from __future__ import annotations

import argparse
import ast
import importlib
import importlib.abc
import importlib.util
import os
import signal
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import redirect_stderr, redirect_stdout, suppress
from dataclasses import dataclass, replace
from importlib.machinery import ModuleSpec
from pathlib import Path
from types import CodeType, ModuleType
from typing import Any, Final

SHARED: Final = Path(__file__).parents[1]
AUDIT: Final = SHARED / "platerota_shared" / "audit"
TESTS: Final = ("test_audit.py", "test_audit_spans.py", "test_audit_corners.py", "test_audit_mutations.py")
"""The quick ones first: what they notice need not wait for the others to be collected."""
LIMIT_SECONDS: Final = 240
"""Seconds after which tests that do not end have noticed."""
KILLED: Final = 1
_COMPARISONS: Final[dict[type[ast.cmpop], type[ast.cmpop]]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq, ast.Is: ast.IsNot,
    ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In,
}
_OPERATORS: Final[dict[type[ast.operator], type[ast.operator]]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.FloorDiv, ast.FloorDiv: ast.Mult, ast.Div: ast.Mult, ast.BitOr: ast.BitAnd,
    ast.BitAnd: ast.BitOr,
}
_NAMES: Final = {"min": "max", "max": "min", "any": "all", "all": "any"}


@dataclass(frozen=True)
class Mutant:
    """One change of one file: which node of its tree, in the order of `ast.walk`, and which change of that; None changes nothing."""

    path: Path
    node: int = 0
    change: int | None = None

    def tree(self) -> tuple[ast.Module, ast.AST]:
        """The changed file, and the node that changed."""
        tree = ast.parse(self.path.read_text("utf-8"))
        victim = next(node for place, node in enumerate(ast.walk(tree)) if place == self.node)
        if self.change is not None:
            _changes(victim)[self.change]()
        return ast.fix_missing_locations(tree), victim

    def code(self) -> CodeType:
        """The changed file, compiled."""
        return compile(self.tree()[0], str(self.path), "exec")

    def __str__(self) -> str:
        """Where it is and what it changes, on one line."""
        before, after = replace(self, change=None).tree()[1], self.tree()[1]
        words = "  ->  ".join(" ".join(ast.unparse(node).split()) for node in (before, after))
        return f"{self.path.relative_to(SHARED)}:{getattr(before, 'lineno', 0)}: {words}"


def mutants(path: Path) -> Iterator[Mutant]:
    """Every mutant of a file, in the order of its nodes; text, types and decorators are left alone."""
    tree = ast.parse(path.read_text("utf-8"))
    decorators = {
        inner for node in ast.walk(tree) for decorator in getattr(node, "decorator_list", []) for inner in ast.walk(decorator)
    }
    for number, node in enumerate(ast.walk(tree)):
        for change in range(0 if node in decorators else len(_changes(node))):
            yield Mutant(path, number, change)


def _changes(node: ast.AST) -> list[_Change]:
    """What may be changed at a node, each as a call that does it."""
    if isinstance(node, ast.Compare):
        return [_Change(node.ops, place, _COMPARISONS[type(op)]()) for place, op in enumerate(node.ops)]
    if isinstance(node, ast.BinOp | ast.AugAssign) and type(node.op) in _OPERATORS and not _of_types(node):
        return [_Change(node, "op", _OPERATORS[type(node.op)]())]
    if isinstance(node, ast.BoolOp):
        return [_Change(node, "op", ast.And() if isinstance(node.op, ast.Or) else ast.Or())]
    if isinstance(node, ast.Constant) and isinstance(node.value, bool | int | float):
        return [_Change(node, "value", not node.value if isinstance(node.value, bool) else node.value + 1)]
    if isinstance(node, ast.If | ast.IfExp | ast.While):
        return [_Change(node, "test", ast.UnaryOp(ast.Not(), node.test))]
    if isinstance(node, ast.comprehension):
        return [_Change(node.ifs, place, ast.UnaryOp(ast.Not(), test)) for place, test in enumerate(node.ifs)]
    if isinstance(node, ast.Name) and node.id in _NAMES and isinstance(node.ctx, ast.Load):
        return [_Change(node, "id", _NAMES[node.id])]
    return _left_out(node)


def _left_out(node: ast.AST) -> list[_Change]:
    """Statements of a body that may be left out: calls, what is yielded, what is added up, and ways out of a loop."""
    body: list[ast.stmt] = getattr(node, "body", []) if isinstance(node, ast.FunctionDef | ast.For) else []
    return [
        _Change(body, place, ast.Pass()) for place, one in enumerate(body)
        if isinstance(one, ast.AugAssign | ast.Continue | ast.Break)
        or (isinstance(one, ast.Expr) and not isinstance(one.value, ast.Constant))
    ]


def _of_types(node: ast.BinOp | ast.AugAssign) -> bool:
    """Whether it is a union of types, as in `int | None`."""
    return isinstance(node.op, ast.BitOr) and isinstance(node, ast.BinOp) and any(
        (isinstance(side, ast.Constant) and side.value is None) or (isinstance(side, ast.Name) and side.id[:1].isupper())
        for side in (node.left, node.right)
    )


@dataclass(frozen=True)
class _Change:
    """An attribute of a node, or an item of a list, and what it becomes."""

    holder: Any
    place: str | int
    becomes: Any

    def __call__(self) -> None:
        if isinstance(self.place, int):
            self.holder[self.place] = self.becomes
        else:
            setattr(self.holder, self.place, self.becomes)


class _Finder(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Loads the changed module where the tests import it."""

    def __init__(self, mutant: Mutant) -> None:
        inside = mutant.path.relative_to(SHARED).with_suffix("")
        self.name = ".".join(inside.parts).removesuffix(".__init__")
        self._mutant = mutant

    def find_spec(self, fullname: str, path: Sequence[str] | None, target: ModuleType | None = None) -> ModuleSpec | None:
        """The changed module, by its name alone."""
        if fullname != self.name:
            return None
        package = [str(self._mutant.path.parent)] if self._mutant.path.name == "__init__.py" else None
        return importlib.util.spec_from_file_location(fullname, self._mutant.path, loader=self, submodule_search_locations=package)

    def exec_module(self, module: ModuleType) -> None:
        """Run the changed code as the module."""
        exec(self._mutant.code(), module.__dict__)


def killed(mutant: Mutant) -> bool:
    """Whether the tests of the audit notice it; they run in a child process that ends with it."""
    child = os.fork()
    if child == 0:
        _try(mutant)
    ends = time.monotonic() + LIMIT_SECONDS
    while True:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            return os.waitstatus_to_exitcode(status) != 0
        if time.monotonic() > ends:
            os.kill(child, signal.SIGKILL)
            os.waitpid(child, 0)
            return True
        time.sleep(0.02)


def _try(mutant: Mutant) -> None:
    import pytest

    sys.meta_path.insert(0, _Finder(mutant))
    code = KILLED
    # What is loaded already is not rewritten by pytest, which is no fault here.
    quiet = ["-x", "-q", "-p", "no:cacheprovider", "--no-header", "--tb=no", "-W", "ignore::pytest.PytestAssertRewriteWarning"]
    # Only the plugins that these tests need: loading the others takes longer than most tests.
    os.environ["PYTEST_DISABLE_PLUGIN_AUTOLOAD"] = "1"
    quiet += ["-p", "pytest_timeout", "-p", "_hypothesis_pytestplugin"]
    # A change that breaks even the collecting has been noticed.
    with open(os.devnull, "w") as nowhere, redirect_stdout(nowhere), redirect_stderr(nowhere), suppress(BaseException):
        code = next((found for name in TESTS if (found := int(pytest.main([*quiet, str(SHARED / "tests" / name)])))), 0)
    os._exit(code)


def main(arguments: Sequence[str]) -> int:
    """Try the mutants and print what survives, with the score; 0 where at least 95 of 100 were killed."""
    options = _options().parse_args(arguments)
    for needed in ("hypothesis", "platerota_shared.reading"):
        importlib.import_module(needed)  # once, here, for all children
    assert not any(name.startswith("platerota_shared.audit") for name in sys.modules), "what is to be changed is loaded already"

    paths = [path for path in sorted(AUDIT.glob("*.py")) if options.only in (None, path.name)]
    every = [mutant for path in paths for mutant in mutants(path)]
    chosen = every[options.first::options.every]
    if killed(Mutant(AUDIT / "__init__.py")):
        print("the tests fail without any change: mend that first")
        return 2
    print(f"{len(chosen)} of {len(every)} mutants in {len(paths)} files", flush=True)
    left: list[Mutant] = []
    for number, mutant in enumerate(chosen, 1):
        if not killed(mutant):
            left.append(mutant)
            print(f"survives: {mutant}", flush=True)
        if number % 50 == 0:
            print(f"{number} tried, {number - len(left)} killed", flush=True)
    share = 1 - len(left) / max(1, len(chosen))
    print(f"{len(chosen) - len(left)} of {len(chosen)} killed: {share:.1%}")
    return 0 if share >= 0.95 else 1


def _options() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m proof_tools.mutants", description="Sow faults into the audit.")
    parser.add_argument("--every", type=int, default=1, help="try every N-th mutant only: a sample")
    parser.add_argument("--first", type=int, default=0, help="begin with that mutant: another sample")
    parser.add_argument("--only", help="one file of the audit, such as people.py")
    return parser


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
