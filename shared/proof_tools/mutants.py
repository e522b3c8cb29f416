"""Faults sown into the audit, one at a time, to see whether its tests notice: ``python -m proof_tools.mutants [--every N] [--only FILE]``.

Each mutant is one small change of the code: a comparison with or without its limit, a sum for a difference, a number one higher, a
condition turned round, a statement left out. Its tests run against it in a child process; a mutant is *killed* where one of them
fails, or where they do not end. What survives is printed: a test is missing there, or the change changes nothing (as where two
things are never equal); it is for a person to say which, and to write the latter down in :data:`EQUIVALENT` with the reason.

The tests are collected once, and run once to see which of them enter which function. A change inside a function is put into that
function in a forked child, which runs the tests that enter it, those first that noticed a change there before. A change of what is
done at import (a constant, a table) needs a child that imports everything anew.
"""

from __future__ import annotations

import argparse
import ast
import gc
import importlib
import importlib.abc
import importlib.util
import inspect
import os
import resource
import sys
import time
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator, Sequence
from contextlib import redirect_stderr, redirect_stdout, suppress
from dataclasses import dataclass, field, replace
from importlib.machinery import ModuleSpec
from pathlib import Path
from types import CodeType, ModuleType
from typing import TYPE_CHECKING, Any, Final

import coverage

from proof_tools.equivalent import EQUIVALENT

if TYPE_CHECKING:
    import pytest

SHARED: Final = Path(__file__).parents[1]
AUDIT: Final = SHARED / "platerota_shared" / "audit"
TESTS: Final = (
    "test_audit.py", "test_audit_spans.py", "test_audit_corners.py", "test_audit_edges.py", "test_audit_mutations.py",
    "test_audit_score.py", "test_audit_sequence.py", "test_audit_at_once.py", "test_audit_words.py", "test_moves.py", "test_levers.py",
    "test_costs.py",
)
LIMIT_SECONDS: Final = 30
"""Seconds of processor time after which tests that do not end have noticed; all of them together take a fifth of it."""
LIMIT_BYTES: Final = 4 << 30
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
    """One change of one file: which node of its tree, in the order of `ast.walk`, and which change of that; None changes nothing.

    `inside` is the qualified name of the function that the change is inside; empty where it is none.
    """

    path: Path
    node: int = 0
    change: int | None = None
    inside: str = ""

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

    @property
    def module(self) -> str:
        """The name of the module that the file is."""
        return ".".join(self.path.relative_to(SHARED).with_suffix("").parts).removesuffix(".__init__")

    @property
    def words(self) -> str:
        """What it changes, and in which function of which file: its name in :data:`EQUIVALENT`."""
        before, after = (" ".join(ast.unparse(one.tree()[1]).split()) for one in (replace(self, change=None), self))
        return f"{self.path.name} {self.inside}: {before}  ->  {after}"

    def __str__(self) -> str:
        """Where it is and what it changes, on one line."""
        return f"{self.path.relative_to(SHARED).parent}/{self.words}, line {getattr(self.tree()[1], 'lineno', 0)}"


def mutants(path: Path) -> Iterator[Mutant]:
    """Every mutant of a file, in the order of its nodes; text, types and decorators are left alone."""
    tree = ast.parse(path.read_text("utf-8"))
    decorators = {
        inner for node in ast.walk(tree) for decorator in getattr(node, "decorator_list", []) for inner in ast.walk(decorator)
    }
    inside = {node: name for name, function in _functions(tree) for line in function.body for node in ast.walk(line)}
    inside |= {function: name for name, function in _functions(tree)}
    for number, node in enumerate(ast.walk(tree)):
        for change in range(0 if node in decorators else len(_changes(node))):
            yield Mutant(path, number, change, inside.get(node, ""))


def _functions(tree: ast.Module | ast.ClassDef) -> Iterator[tuple[str, ast.FunctionDef]]:
    """The functions of a module and of its classes by qualified name; those inside others belong to these."""
    for node in tree.body:
        if isinstance(node, ast.FunctionDef):
            yield node.name, node
        elif isinstance(node, ast.ClassDef):
            yield from ((f"{node.name}.{name}", function) for name, function in _functions(node))


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
        self.name = mutant.module
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


def _forked(work: Callable[[], int]) -> int:
    """Do work in a child process with bounded time and memory; the code that it ends with, below 0 where it was ended."""
    child = os.fork()
    if child == 0:
        code = KILLED
        # A change that breaks even the collecting has been noticed.
        with open(os.devnull, "w") as nowhere, redirect_stdout(nowhere), redirect_stderr(nowhere), suppress(BaseException):
            resource.setrlimit(resource.RLIMIT_CPU, (LIMIT_SECONDS, LIMIT_SECONDS))
            resource.setrlimit(resource.RLIMIT_AS, (LIMIT_BYTES, LIMIT_BYTES))
            code = work()
        os._exit(code)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def _pytest(*plugins: object) -> int:
    """Run the tests; returns pytest's exit code."""
    import pytest

    # Only the plugins that these tests need: loading the others takes longer than most tests.
    os.environ["PYTEST_DISABLE_PLUGIN_AUTOLOAD"] = "1"
    # What is loaded already is not rewritten by pytest, which is no fault here.
    options = ["-x", "-s", "-o", "addopts=--import-mode=importlib", "-W", "ignore::pytest.PytestAssertRewriteWarning"]
    options += [f"-p{name}" for name in ("no:cacheprovider", "no:terminal", "pytest_timeout", "_hypothesis_pytestplugin")]
    return int(pytest.main([*options, *(str(SHARED / "tests" / name) for name in TESTS)], plugins=list(plugins)))


def killed_anew(mutant: Mutant) -> bool:
    """Whether the tests notice it, in a child process that imports the audit and its tests anew."""
    def work() -> int:
        sys.meta_path.insert(0, _Finder(mutant))
        return _pytest()

    return _forked(work) != 0


def _put_in(mutant: Mutant) -> None:
    """Give the loaded function its changed code."""
    code = mutant.code()
    found: Any = None
    for name in mutant.inside.split("."):
        code = next(inner for inner in code.co_consts if isinstance(inner, CodeType) and inner.co_name == name)
        found = vars(found or sys.modules[mutant.module])[name]
    function = inspect.unwrap(getattr(found, "fget", None) or getattr(found, "func", None) or found)  # of a property, or a cached one
    function.__code__ = code


@dataclass
class _Hunt:
    """A plugin of pytest that runs the collected tests once to see what they enter, and then against each mutant."""

    chosen: Sequence[Mutant]
    tell: Callable[[Mutant, bool], None]
    entering: dict[tuple[str, str], list[int]] = field(default_factory=dict[tuple[str, str], list[int]])
    seconds: list[float] = field(default_factory=list[float])
    noticed: dict[tuple[str, str], Counter[int]] = field(default_factory=lambda: defaultdict(Counter))

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        """In place of pytest's own loop."""
        self._look(session.items)
        gc.freeze()  # so that children need not copy what they only look through
        for mutant in self.chosen if not session.testsfailed else ():
            self.tell(mutant, self._killed(session, mutant))
        return True

    def _look(self, items: Sequence[pytest.Item]) -> None:
        """Run every test, and note its seconds and the functions that it enters."""
        traced = coverage.Coverage(data_file=None, config_file=False, include=[f"{AUDIT}/*"])
        traced.start()
        for number, item in enumerate(items):
            traced.switch_context(str(number))
            begun = time.process_time()
            _run(item)
            self.seconds.append(time.process_time() - begun)
        traced.stop()
        for path in AUDIT.glob("*.py"):
            tests = traced.get_data().contexts_by_lineno(str(path))
            for name, function in _functions(ast.parse(path.read_text("utf-8"))):
                lines = range(function.body[0].lineno, (function.end_lineno or 0) + 1)
                self.entering[str(path), name] = sorted({int(test) for line in lines for test in tests.get(line, ()) if test})

    def _killed(self, session: pytest.Session, mutant: Mutant) -> bool:
        function = (str(mutant.path), mutant.inside)
        here, anywhere = self.noticed[function], self.noticed["", ""]
        order = sorted(self.entering[function], key=lambda number: (-here[number], -anywhere[number], self.seconds[number]))
        read, write = os.pipe()

        def work() -> int:
            _put_in(mutant)
            for number in order:
                _run(session.items[number])
                if session.testsfailed:
                    os.write(write, str(number).encode())
                    return KILLED
            return 0

        code = _forked(work)
        os.close(write)
        with open(read, encoding="ascii") as pipe:
            for number in map(int, pipe.read().split()):
                here[number] += 1
                anywhere[number] += 1
        return code != 0


def _run(item: pytest.Item) -> None:
    with open(os.devnull, "w") as nowhere, redirect_stdout(nowhere):
        item.ihook.pytest_runtest_protocol(item=item, nextitem=None)


@dataclass
class _Count:
    """What has been tried, and what was found."""

    of: int
    tried: int = 0
    survivors: int = 0
    wrong: int = 0

    def tell(self, mutant: Mutant, killed: bool) -> None:
        """Count a mutant, and print it where a person should look."""
        self.tried += 1
        reason = EQUIVALENT.get(mutant.words)
        if killed and reason is not None:
            self.wrong += 1
            print(f"is called equivalent, but is killed: {mutant}", flush=True)
        elif not killed and reason is None:
            self.survivors += 1
            print(f"survives: {mutant}", flush=True)
        if self.tried % 100 == 0:
            print(f"{self.tried} of {self.of} tried", flush=True)


def main(arguments: Sequence[str]) -> int:
    """Try the mutants and print what survives, with the score; 0 where at least 95 of 100 were killed."""
    options = _options().parse_args(arguments)
    for needed in ("hypothesis", "platerota_shared.reading"):
        importlib.import_module(needed)  # once, here, for all children
    assert not any(name.startswith("platerota_shared.audit") for name in sys.modules), "what is to be changed is loaded already"

    paths = [path for path in sorted(AUDIT.glob("*.py")) if not options.only or path.name in options.only]
    every = [mutant for path in paths for mutant in mutants(path)]
    chosen = every[options.first::options.every]
    print(f"{len(chosen)} of {len(every)} mutants in {len(paths)} files", flush=True)
    count = _Count(len(chosen))
    for mutant in chosen:
        if not mutant.inside:
            count.tell(mutant, killed_anew(mutant))
    # Last, as it loads the audit.
    if _pytest(_Hunt([mutant for mutant in chosen if mutant.inside], count.tell)):
        print("the tests fail without any change: mend that first")
        return 2
    counted = count.tried - sum(mutant.words in EQUIVALENT for mutant in chosen)
    share = 1 - count.survivors / max(1, counted)
    print(f"{counted - count.survivors} of {counted} killed: {share:.1%}; {count.tried - counted} more change nothing")
    return 0 if share >= 0.95 and not count.wrong else 1


def _options() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m proof_tools.mutants", description="Sow faults into the audit.")
    parser.add_argument("--every", type=int, default=1, help="try every N-th mutant only: a sample")
    parser.add_argument("--first", type=int, default=0, help="begin with that mutant: another sample")
    parser.add_argument("--only", nargs="*", help="some files of the audit, such as people.py")
    return parser


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
