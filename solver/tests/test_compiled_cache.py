"""Compiled code is kept where it can be written, beside no code of other versions; where nothing can be written, that is said."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numba
import pytest

import platerota_solver
from platerota_solver.kernel.cache import choose_cache, digest

PACKAGE = Path(platerota_solver.__file__).parent
OWN = PACKAGE / "__pycache__"
Denying = Callable[..., None]


@pytest.fixture(autouse=True)
def settings(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Numba's own setting comes back; the home and the temporary files of this user are empty folders."""
    config: Any = numba.config
    monkeypatch.setattr(config, "CACHE_DIR", config.CACHE_DIR)
    monkeypatch.delenv("NUMBA_CACHE_DIR", raising=False)
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "home"))
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))


@pytest.fixture
def denied(monkeypatch: pytest.MonkeyPatch) -> Denying:
    """Some folders cannot be written, as on a disk that is full or read only."""
    writing = tempfile.TemporaryFile

    def deny(*folders: Path) -> None:
        def write(*, dir: Path) -> Any:
            if any(dir.is_relative_to(folder) for folder in folders):
                raise OSError("read-only file system")
            return writing(dir=dir)

        monkeypatch.setattr(tempfile, "TemporaryFile", write)

    return deny


def test_a_folder_that_was_asked_for_comes_first_and_other_versions_in_it_go(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path))
    for name in ("kernel-of-before", "something-else"):
        (tmp_path / name).mkdir()
    config: Any = numba.config
    assert choose_cache() == tmp_path / f"kernel-{digest(PACKAGE)}" == Path(config.CACHE_DIR)
    assert sorted(path.name for path in tmp_path.iterdir()) == [f"kernel-{digest(PACKAGE)}", "something-else"]


def test_an_installed_package_that_cannot_be_written_keeps_it_in_the_home_of_the_user(denied: Denying, tmp_path: Path) -> None:
    denied(OWN)
    assert choose_cache().parent == tmp_path / "home" / "platerota"


def test_a_user_without_a_home_keeps_it_among_temporary_files_of_its_own(denied: Denying, tmp_path: Path) -> None:
    denied(OWN, tmp_path / "home")
    assert choose_cache().parent == tmp_path / f"platerota-{os.getuid()}"


def test_where_nothing_can_be_written_the_folders_are_named(denied: Denying, tmp_path: Path) -> None:
    denied(OWN, tmp_path)
    with pytest.raises(OSError, match="NUMBA_CACHE_DIR") as found:
        choose_cache()
    assert str(OWN) in str(found.value)
    assert str(tmp_path / "home" / "platerota") in str(found.value)


def test_a_folder_that_belongs_to_somebody_else_is_not_used(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Whoever owns it could put other code in."""
    monkeypatch.setattr(os, "getuid", lambda: tmp_path.stat().st_uid + 1)
    with pytest.raises(OSError, match="no folder to keep compiled code in"):
        choose_cache()
