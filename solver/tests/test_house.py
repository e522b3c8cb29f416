"""The rules of the house, checked over every file: length, docstrings, import directions, what no file may carry."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
FOLDERS = ("shared", "solver", "service", "api-tests", "docker")
PACKAGES = {name: ROOT / folder / name for folder in FOLDERS[:3] for name in (f"platerota_{folder}",)}
MAX_LINES = 400
SOURCES = {".py", ".html", ".j2", ".css", ".js", ".sql", ".sh"}
WEB = ("fastapi", "starlette", "uvicorn", "jinja2", "typer")
MATHS = ("ortools", "numpy", "numba", "scipy")
FORBIDDEN_IMPORTS = {
    "platerota_shared": ("platerota_solver", "platerota_service", *WEB, *MATHS),
    "platerota_solver": ("platerota_service", *WEB),
    "platerota_service": MATHS,
}
# Each pattern is written so that it does not match itself.
NO_FILE_MAY_CARRY = {
    "a package registry's host": r"pypi\.org|python[h]osted\.|registry\.npm[j]s|npmjs\.[o]rg|deb\.debian\.[o]rg|proxy\.golang\.[o]rg",
    "a registry setting": r"index[-]url|--find[-]links|registry\s*=\s*\W?http",
    "a path of one machine": r"(?<![\w./-])/(?:work|root|home|farm)/\w",
    "unfinished work": r"\b(?:TO[D]O|FIX[M]E|XX[X]|HAC[K])\b|NotImplemented[E]rror",
    "a test that never runs": r"pytest\.mark\.(?:ski[p]|xfai[l])\b|pytest\.ski[p]\(",
}


def files() -> Iterator[Path]:
    """Every text file of the project, built and downloaded things left out."""
    for path in sorted(ROOT.iterdir()):
        if path.is_file() and path.name not in ("LICENSE", ".git"):  # a file in a worktree of git
            yield path
    for folder in (*FOLDERS, ".ci"):
        for path in sorted((ROOT / folder).rglob("*")):
            if path.is_file() and not any(part == "__pycache__" or part.startswith(".") for part in path.relative_to(ROOT / folder).parts):
                yield path


def text(path: Path) -> str:
    """The file as text, empty for a binary one."""
    try:
        return path.read_text("utf-8")
    except UnicodeDecodeError:
        return ""


def names(paths: list[Path]) -> list[str]:
    """Paths as a reader knows them."""
    return [str(path.relative_to(ROOT)) for path in paths]


def modules() -> list[Path]:
    """Every Python file outside tests."""
    return [path for path in files() if path.suffix == ".py" and "tests" not in path.parts and "api-tests" not in path.parts]


def test_the_walk_sees_the_house() -> None:
    found = names(list(files()))
    assert {"README.md", "Makefile", ".ci/run", "shared/platerota_shared/tables.py", "solver/tests/test_house.py"} <= set(found)


def test_no_file_is_longer_than_400_lines() -> None:
    lengths = {str(path.relative_to(ROOT)): len(text(path).splitlines()) for path in files() if path.suffix in SOURCES}
    assert {name: lines for name, lines in lengths.items() if lines > MAX_LINES} == {}


def test_every_folder_says_what_lives_there() -> None:
    assert [folder for folder in FOLDERS if not (ROOT / folder / "README.md").is_file()] == []


def undocumented(body: list[ast.stmt], prefix: str) -> Iterator[str]:
    """Public classes, functions and methods without a docstring."""
    for node in body:
        if not isinstance(node, ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef) or node.name.startswith("_"):
            continue
        overloaded = any("overload" in ast.unparse(decorator) for decorator in node.decorator_list)
        if ast.get_docstring(node) is None and not overloaded:
            yield f"{prefix}.{node.name}"
        if isinstance(node, ast.ClassDef):
            yield from undocumented(node.body, f"{prefix}.{node.name}")


def test_every_public_name_has_a_docstring() -> None:
    bare: list[str] = []
    for path in modules():
        tree = ast.parse(text(path))
        name = str(path.relative_to(ROOT))
        if tree.body and ast.get_docstring(tree) is None:
            bare.append(name)
        bare.extend(undocumented(tree.body, name))
    assert bare == []


def imported(path: Path) -> Iterator[str]:
    """Full names of the modules that a file imports, wherever the import stands."""
    for node in ast.walk(ast.parse(text(path))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            yield node.module


@pytest.mark.parametrize("package", PACKAGES)
def test_imports_point_one_way(package: str) -> None:
    wrong = [
        f"{path.relative_to(ROOT)} imports {module}"
        for path in PACKAGES[package].rglob("*.py")
        for module in imported(path)
        if module.split(".")[0] in FORBIDDEN_IMPORTS[package]
    ]
    assert wrong == []


def test_api_tests_know_http_only() -> None:
    wrong = [str(path) for path in (ROOT / "api-tests").rglob("*.py") for module in imported(path) if module.split(".")[0] in PACKAGES]
    assert wrong == []


@pytest.mark.parametrize("what", NO_FILE_MAY_CARRY)
def test_no_file_carries(what: str) -> None:
    pattern = re.compile(NO_FILE_MAY_CARRY[what])
    found = [
        f"{path.relative_to(ROOT)}:{number}: {line.strip()[:100]}"
        for path in files()
        for number, line in enumerate(text(path).splitlines(), 1)
        if pattern.search(line)
    ]
    assert found == []


def test_make_help_lists_every_target() -> None:
    makefile = text(ROOT / "Makefile")
    declared = re.search(r"^\.PHONY: (.+)$", makefile, re.MULTILINE)
    assert declared is not None
    explained = re.findall(r"^([a-z-]+):.*## \w", makefile, re.MULTILINE)
    targets = re.findall(r"^([a-z-]+):(?!=)", makefile, re.MULTILINE)
    assert sorted(explained) == sorted(targets) == sorted(declared[1].split())


def test_every_dependency_is_pinned() -> None:
    rows = [line for line in text(ROOT / "constraints.txt").splitlines() if line and not line.startswith("#")]
    assert rows
    assert [row for row in rows if not re.fullmatch(r"[\w.-]+==[\w.+!]+", row)] == []


@pytest.mark.parametrize("module", [name for name in names(modules()) if name.endswith("__init__.py") and "__all__" in text(ROOT / name)])
def test_all_names_what_a_package_offers(module: str) -> None:
    tree = ast.parse(text(ROOT / module))
    imported_here = {alias.asname or alias.name for node in tree.body if isinstance(node, ast.ImportFrom) for alias in node.names}
    defined = {node.name for node in tree.body if isinstance(node, ast.FunctionDef | ast.ClassDef) and not node.name.startswith("_")}
    assigned = {ast.unparse(target) for node in tree.body if isinstance(node, ast.Assign) for target in node.targets}
    listed = next(
        ast.literal_eval(node.value) for node in tree.body if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "__all__"
    )
    assert len(set(listed)) == len(listed)
    assert defined <= set(listed) <= defined | imported_here | assigned
