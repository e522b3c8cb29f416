"""Where compiled code is kept: a folder named after the sources it was compiled from.

numba looks only at the date and size of the file a function stands in, so a function that calls a changed one in another
file would go on using the old code; a folder per version of all sources cannot be stale.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import tempfile
from pathlib import Path
from typing import Any

import numba


def choose_cache() -> Path:
    """Point numba to the folder of these sources and return it.

    The package's own folder, else the user's cache folder, else a private one among the temporary files; `NUMBA_CACHE_DIR`
    in the environment comes before all. Folders of other versions beside it are removed.
    """
    package = Path(__file__).parent.parent
    name = f"kernel-{digest(package)}"
    home = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
    owner = os.getuid() if hasattr(os, "getuid") else 0
    bases = [package / "__pycache__", home / "platerota", Path(tempfile.gettempdir()) / f"platerota-{owner}"]
    if given := os.environ.get("NUMBA_CACHE_DIR"):
        bases.insert(0, Path(given))
    for base in bases:
        if _ours(base / name):
            for other in base.glob("kernel-*"):
                if other.name != name:
                    shutil.rmtree(other, ignore_errors=True)
            settings: Any = numba.config
            settings.CACHE_DIR = str(base / name)
            return base / name
    raise OSError(f"no folder to keep compiled code in: tried {', '.join(map(str, bases))}; set NUMBA_CACHE_DIR to one that can be written")


def digest(package: Path) -> str:
    """A short name for all sources that are compiled, and what compiles them."""
    total = hashlib.sha256(numba.__version__.encode())
    for path in sorted([package / "problem.py", *package.glob("kernel/*.py"), *package.glob("exact/walk*.py")]):
        total.update(path.read_bytes())
    return total.hexdigest()[:16]


def _ours(folder: Path) -> bool:
    """Whether the folder is there, or could be made, and can be written by us alone or with us."""
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        with tempfile.TemporaryFile(dir=folder):
            pass
    except OSError:
        return False
    return not hasattr(os, "getuid") or folder.stat().st_uid == os.getuid()
