"""What goes into the wheel: the three packages whole, and nothing else."""

from pathlib import Path
from zipfile import ZipFile

import pytest
from hatchling.builders.wheel import WheelBuilder

ROOT = Path(__file__).parents[2]
PACKAGES = {"platerota_shared": "shared", "platerota_solver": "solver", "platerota_service": "service"}


@pytest.fixture(scope="module")
def contents(tmp_path_factory: pytest.TempPathFactory) -> set[str]:
    """Names of the files in a wheel built from this checkout."""
    folder = tmp_path_factory.mktemp("wheel")
    wheel = next(iter(WheelBuilder(str(ROOT)).build(directory=str(folder), versions=["standard"])))
    with ZipFile(wheel) as archive:
        return set(archive.namelist())


def test_the_wheel_holds_three_packages_and_nothing_else(contents: set[str]) -> None:
    tops = {name.split("/")[0] for name in contents}
    assert {top for top in tops if not top.endswith(".dist-info")} == set(PACKAGES)


@pytest.mark.parametrize("package", PACKAGES)
def test_no_file_of_a_package_is_left_out(contents: set[str], package: str) -> None:
    """Hatchling skips a missing folder, and a file that .gitignore names, without a word."""
    folder = ROOT / PACKAGES[package]
    kept = {str(path.relative_to(folder)) for path in (folder / package).rglob("*") if path.is_file() and "__pycache__" not in path.parts}
    assert f"{package}/py.typed" in kept
    assert kept == {name for name in contents if name.startswith(f"{package}/")}


def test_no_tests_and_no_benchmarks_in_the_wheel(contents: set[str]) -> None:
    assert [name for name in contents if "tests" in name or "benchmarks" in name or "test_" in name] == []


def test_the_wheel_carries_its_licence_and_command(contents: set[str]) -> None:
    inside = {name.split("/", 1)[1] for name in contents if ".dist-info/" in name}
    assert {"METADATA", "entry_points.txt", "licenses/LICENSE"} <= inside
