"""LibreOffice without a window, for tests: whether it is here, and one of a test's own to run macros in."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any
from uuid import uuid4

import pytest

NEEDED = "PLATEROTA_TESTS_NEED"
"""Names in this variable (`libreoffice`) must be there: CI sets it, so that it notices where tests would be left out."""

PACKAGES = "libreoffice-calc python3-uno libreoffice-script-provider-python"
PYTHONS = ("/usr/bin/python3", "/usr/lib/libreoffice/program/python", "/opt/libreoffice/program/python")


def bridge() -> str | None:
    """A Python that knows LibreOffice's bridge."""
    for python in PYTHONS:
        if Path(python).exists() and subprocess.run([python, "-I", "-c", "import uno"], capture_output=True, check=False).returncode == 0:
            return python
    return None


def needed() -> tuple[str, str]:
    """The commands of LibreOffice and of a Python with its bridge; without them the test is left out, with a word."""
    office, python = shutil.which("soffice"), bridge()
    if office is None or python is None:
        words = f"LibreOffice and its bridge for Python are not here: apt-get install --no-install-recommends {PACKAGES}"
        if "libreoffice" in os.environ.get(NEEDED, ""):
            pytest.fail(words)
        raise pytest.skip.Exception(words)
    return office, python


class Office:
    """A running LibreOffice; `profile` is the folder of its settings."""

    def __init__(self, folder: Path) -> None:
        self._office, self.python = needed()
        self.pipe, self.profile, self._temporary = f"platerota-{uuid4().hex}", folder / "profile", folder / "temporary"
        self._temporary.mkdir()
        self.begin()

    def begin(self) -> None:
        """Start the program."""
        command = [
            self._office, "--headless", "--invisible", "--norestore", "--nologo", "--nodefault",
            f"--accept=pipe,name={self.pipe};urp;", f"-env:UserInstallation={self.profile.as_uri()}",
        ]
        environment = {name: value for name, value in os.environ.items() if not name.startswith(("PYTHON", "XDG_"))}
        # The Python inside it looks for its library beside the first python3 of the path, and that of another Python is not for it.
        environment["PATH"] = "/usr/bin:/bin"
        # A folder of temporary files of its own: what another LibreOffice left in the machine's is none of its business. A home too.
        environment["TMPDIR"] = environment["HOME"] = str(self._temporary)
        self._process = subprocess.Popen(
            command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=environment, start_new_session=True)

    def end(self) -> None:
        """End it, and whatever is left of it."""
        with suppress(ProcessLookupError):
            os.killpg(self._process.pid, signal.SIGTERM)  # the command is a script around the program; all of its group are its own
        self._process.wait()

    def run(self, command: str, *words: str | Path, fails: bool = False) -> Any:
        """What :mod:`uno_driver` prints for a command; where it `fails`, what it says on standard error.

        Beside much else LibreOffice has fallen over by itself, and its bridge without a word: then another one is asked, once.
        """
        done = self._driven(command, *words)
        if done.returncode < 0 or (done.returncode != 0 and self._fell()):
            self.end()
            self.begin()
            done = self._driven(command, *words)
        assert (done.returncode != 0) is fails, f"ended with {done.returncode}: {done.stderr}"
        return done.stderr if fails else json.loads(done.stdout)

    def _driven(self, command: str, *words: str | Path) -> subprocess.CompletedProcess[str]:
        driver = Path(__file__).with_name("uno_driver.py")
        given = [self.python, "-E", str(driver), self.pipe, command, *map(str, words)]
        return subprocess.run(given, capture_output=True, text=True, timeout=120, check=False)

    def _fell(self) -> bool:
        """Whether the program has ended by itself; it takes a moment to."""
        with suppress(subprocess.TimeoutExpired):
            self._process.wait(3)
        return self._process.poll() is not None

    def install(self, macro: str, name: str) -> None:
        """Put a Python macro into the user's folder."""
        folder = self.profile / "user" / "Scripts" / "python"
        folder.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(macro, encoding="utf-8")


@contextmanager
def running(folder: Path) -> Iterator[Office]:
    """A LibreOffice with settings in `folder`, until the block ends."""
    office = Office(folder)
    try:
        yield office
    finally:
        office.end()
