"""A throw-away PostgreSQL cluster from the system's own binaries (on Debian the package `postgresql`)."""

from __future__ import annotations

import os
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from pathlib import Path

import psycopg
import pytest

FOLDERS = sorted(Path("/usr/lib/postgresql").glob("*/bin"), key=lambda path: float(path.parent.name))
BINARIES = FOLDERS[-1] if FOLDERS else Path(found).parent if (found := shutil.which("initdb")) else None
ABSENT = "PostgreSQL's binaries are not installed (Debian: apt-get install postgresql)"

needs_postgresql = pytest.mark.skipif(BINARIES is None, reason=ABSENT)
DATABASES = ["sqlite", pytest.param("postgresql", marks=needs_postgresql)]
"""The databases that a test runs on, as its parameters."""


class Cluster:
    """A cluster in a folder of its own, on a free port of this computer; it starts at once. `url` is an empty database's."""

    def __init__(self) -> None:
        # Not under pytest's own folder, where nobody else may look: PostgreSQL refuses to run as root.
        self.folder = folder = Path(tempfile.mkdtemp(prefix="platerota-"))
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port: int = free.getsockname()[1]
        self.url = f"postgresql://postgres@127.0.0.1:{self.port}/postgres"
        self._server: subprocess.Popen[bytes] | None = None
        if os.geteuid() == 0:
            shutil.chown(folder, "postgres", "postgres")
        self._run("initdb", "-D", str(folder / "data"), "-A", "trust", "-U", "postgres", "--no-sync", "-E", "UTF8", "--locale=C")
        self.start()

    def start(self) -> None:
        """Start the server and wait until it answers; after a kill it cannot before its own processes have ended."""
        last = time.monotonic() + 60
        while not self._answers():
            assert time.monotonic() < last, (self.folder / "log").read_text()
            if self._server is None or self._server.poll() is not None:
                with (self.folder / "log").open("ab") as log:
                    words = [
                        "-D", str(self.folder / "data"), "-p", str(self.port), "-k", str(self.folder),
                        "-c", "listen_addresses=127.0.0.1", "-c", "max_connections=300",
                    ]
                    self._server = subprocess.Popen(self._command("postgres", *words), cwd=self.folder, stdout=log, stderr=log)
            time.sleep(0.1)

    def kill(self) -> None:
        """End it as a power cut would."""
        self._end(signal.SIGKILL)

    def stop(self) -> None:
        """End it at once, in good order, and remove it."""
        self._end(signal.SIGQUIT)
        shutil.rmtree(self.folder)

    def _end(self, number: signal.Signals) -> None:
        assert self._server is not None
        self._server.send_signal(number)
        self._server.wait()

    def _answers(self) -> bool:
        try:
            psycopg.connect(self.url, connect_timeout=2).close()
        except psycopg.OperationalError:
            return False
        return True

    def new_database(self, name: str) -> str:
        """The URL of a new, empty database."""
        self._run("createdb", "-h", "127.0.0.1", "-p", str(self.port), "-U", "postgres", name)
        return self.url.removesuffix("postgres") + name

    def _run(self, command: str, *words: str) -> None:
        done = subprocess.run(self._command(command, *words), cwd=self.folder, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr

    def _command(self, command: str, *words: str) -> list[str]:
        assert BINARIES is not None
        as_user = ["setpriv", "--reuid=postgres", "--regid=postgres", "--clear-groups"] if os.geteuid() == 0 else []
        return [*as_user, str(BINARIES / command), *words]
