"""What the service is made of: its dependencies fit, are pinned and have licences we can live with; no file holds a secret.

Offline as far as it goes: whether a pinned version has a known hole is asked of nobody here (DEVELOPERS.md, Threats).
"""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from importlib import metadata
from pathlib import Path
from typing import Final

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name
from packaging.version import Version

ROOT: Final = Path(__file__).parents[2]
PROJECT: Final = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
PINNED: Final = {
    canonicalize_name(name): version
    for name, version in re.findall(r"^([\w.-]+)==(\S+)$", (ROOT / "constraints.txt").read_text(encoding="utf-8"), re.MULTILINE)
}
SECRETS: Final = {
    "a key of ours": r"plr_[0-9a-f]{16}_[A-Za-z0-9_-]{43}",
    "a secret that signs webhooks": r"whsec_[A-Za-z0-9+/]{40,}={0,2}",
    "a private key": r"-----BEGIN (?:[A-Z]+ )?PRIVATE KEY",
    "a cloud key": r"\b(?:AKIA|ASIA)[0-9A-Z]{16}\b",
    "a token of a code host": r"\b(?:gh[opsu]_[A-Za-z0-9]{36}|github_pat_\w{50,}|glpat-[\w-]{20})",
    "a JSON web token": r"\beyJ[\w-]{10,}\.eyJ[\w-]{10,}\.[\w-]{10,}",
    "an address with a password": r"\b[a-z+]+://[^\s:/@'\"{<]+:(?!password@|secret@|p@|%s@)[^\s/@'\"{<$]+@\w",
    "a password that is set": r"(?i)\b(?:password|passwd|api_key|secret_key|access_token)\s*[=:]\s*['\"][^'\"{<$]{8,}['\"]",
}
"""What a secret looks like that was left behind by mistake."""
EXAMPLES: Final = {"whsec_bm90IGEgcmVhbCBzZWNyZXQsIGp1c3QgYW4gZXhhbXBsZQ=="}
"""What looks like one and is said to be none: its text says so ("not a real secret, just an example")."""
GOOD_LICENCES: Final = re.compile(
    r"MIT|BSD|Apache|ISC|PSF|Python Software Foundation|Unlicense|HPND|Zlib|MPL[- ]2\.0|Mozilla Public License 2\.0|LGPL|CC0|Public Domain",
    re.IGNORECASE,
)
"""Licences under which a service may use a library as it is. MPL and LGPL ask for the library's own source only."""


def files() -> Iterator[Path]:
    """Every file of the project, made and downloaded ones left out."""
    for folder in (".", "shared", "solver", "service", "api-tests", "docker", ".ci"):
        for path in sorted((ROOT / folder).glob("*") if folder == "." else (ROOT / folder).rglob("*")):
            inner = path.relative_to(ROOT / folder)
            if path.is_file() and not any(part == "__pycache__" or part.startswith(".") for part in inner.parts):
                yield path


def needed(extras: tuple[str, ...]) -> dict[str, metadata.Distribution]:
    """Every installed distribution that the project needs, what those need included."""
    optional = PROJECT["optional-dependencies"]
    waiting = [Requirement(one) for one in (*PROJECT["dependencies"], *(line for extra in extras for line in optional[extra]))]
    found: dict[str, metadata.Distribution] = {}
    seen: set[tuple[str, frozenset[str]]] = set()
    while waiting:
        wanted = waiting.pop()
        name = canonicalize_name(wanted.name)
        if (name, frozenset(wanted.extras)) in seen:
            continue
        seen.add((name, frozenset(wanted.extras)))
        found[name] = metadata.distribution(name)
        for line in found[name].requires or ():
            inner = Requirement(line)
            contexts = [{"extra": extra} for extra in (*wanted.extras, "")]
            if inner.marker is None or any(inner.marker.evaluate(context) for context in contexts):
                waiting.append(inner)
    return found


def test_what_is_installed_fits_together() -> None:
    checked = subprocess.run([sys.executable, "-m", "pip", "check"], capture_output=True, text=True, check=False)
    assert checked.returncode == 0, checked.stdout


def test_every_library_that_is_needed_is_pinned_and_installed_as_it_is_pinned() -> None:
    found = needed(("service", "solver", "dev"))
    assert len(found) > 80
    assert sorted(set(found) - set(PINNED)) == [], "pip freeze --exclude-editable into constraints.txt"
    assert {name: one.version for name, one in found.items() if Version(one.version) != Version(PINNED[name])} == {}
    asked = [Requirement(one) for extra in PROJECT["optional-dependencies"].values() for one in extra]
    assert [str(one) for one in asked if not one.specifier.contains(PINNED[canonicalize_name(one.name)])] == []


def licence(one: metadata.Distribution) -> str:
    """The licence of a distribution, wherever it says it."""
    fields = one.metadata
    classifiers = [text.rpartition("::")[2].strip() for text in fields.get_all("Classifier") or () if text.startswith("License")]
    said = str(fields.get("License-Expression") or "") or "; ".join(classifiers) or str(fields.get("License") or "")
    texts = [one.read_text(encoding="utf-8") for one in one.files or () if not said and one.name.upper().startswith("LICEN")]
    known = "MIT (its text)" if any("Permission is hereby granted, free of charge" in text for text in texts) else ""
    return " ".join((said or known).split())[:100]


def licences() -> str:
    """A line for each library that the service is shipped with: its name and its licence."""
    return "".join(f"{name}: {licence(one)}\n" for name, one in sorted(needed(("service", "solver")).items()))


def test_every_library_that_is_shipped_with_has_a_licence_that_allows_it() -> None:
    lines = licences().splitlines()
    assert [line for line in lines if not GOOD_LICENCES.search(line.partition(": ")[2])] == []
    assert [line for line in lines if re.search(r"(?<!L)GPL", line.partition(": ")[2])] == []
    stored = (ROOT / "service" / "licences.txt").read_text(encoding="utf-8").splitlines()
    assert sorted(set(lines) - set(stored)) == [], "python service/tests/test_supply.py > service/licences.txt"


@pytest.mark.parametrize("what", SECRETS)
def test_no_file_holds(what: str) -> None:
    pattern, walked, found = re.compile(SECRETS[what]), 0, []
    for path in files():
        walked += 1
        text = path.read_text(encoding="utf-8", errors="ignore")
        found += [f"{path.relative_to(ROOT)}: {one[0][:12]}…" for one in pattern.finditer(text) if one[0] not in EXAMPLES]
    assert walked > 300
    assert found == []


def test_the_patterns_find_what_they_are_for() -> None:
    made = {
        "a key of ours": "plr_" + "0" * 16 + "_" + "a" * 43, "a secret that signs webhooks": "whsec_" + "A" * 43 + "=",
        "a private key": "-----BEGIN " + "RSA PRIVATE KEY-----", "a cloud key": "AKIA" + "A" * 16,
        "a token of a code host": "ghp_" + "a" * 36, "a JSON web token": "eyJ" + "a" * 12 + ".eyJ" + "b" * 12 + "." + "c" * 20,
        "an address with a password": "postgresql://" + "u:hunter22@db",
        "a password that is set": "pass" + "word = 'correct horse'",
    }
    assert [what for what, text in made.items() if not re.search(SECRETS[what], text)] == []
    assert set(made) == set(SECRETS)


def test_templates_escape_everything() -> None:
    """Every environment of templates escapes; the words that switch it off stand where only text of our own is put."""
    sources = {path: path.read_text(encoding="utf-8") for path in files() if path.suffix in (".py", ".j2") and "tests" not in path.parts}
    made = {str(path.relative_to(ROOT)): text for path, text in sources.items() if "Environment(" in text}
    assert len(made) == 3
    escaping = re.compile(r"autoescape=(True|select_autoescape\(default=True, default_for_string=True\))")
    assert [name for name, text in made.items() if not escaping.search(text)] == []
    unescaped = {str(path.relative_to(ROOT)) for path, text in sources.items() if re.search(r"\|\s*safe\b|autoescape false|Markup\(", text)}
    board = "service/platerota_service/board"
    assert unescaped == {f"{board}/frame.py", f"{board}/templates/form_parts.j2", "service/platerota_service/docs_page.py"}


def test_every_threat_names_a_test_that_is_there() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    rows = [line for line in text.partition("## Threats")[2].partition("\n## ")[0].splitlines() if line.startswith("| **")]
    assert len(rows) >= 10
    for row in rows:
        named = re.findall(r"`((?:api-tests/|calls/)?test_\w+\.py)`", row.rpartition(" | ")[2])
        assert named, row
        for name in named:
            assert (ROOT / name).is_file() or (ROOT / "service" / "tests" / name).is_file(), name


if __name__ == "__main__":
    sys.stdout.write(licences())
