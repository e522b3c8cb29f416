"""`platerota keys`: made, shown once, listed without their secret, ended."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from platerota_service import command_line
from platerota_service.access.keys import KeyBook, live, scopes_of
from platerota_service.access.tokens import Token
from platerota_service.settings import ServiceSettings
from platerota_service.store import Store, now_ms

Run = Callable[..., Result]


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, store: Store, settings: ServiceSettings) -> Run:
    monkeypatch.setenv("PLATEROTA_DATA_DIRECTORY", str(settings.data_directory))

    def invoke(*arguments: str, **more: Any) -> Result:
        return CliRunner().invoke(command_line.app, ["keys", *arguments], **more)

    return invoke


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("create", "--scope", "everything"), "read, plan, shop, admin, watch"), (("create", "--tenant", " "), "1 to 64"),
        (("create", "--tenant", "x" * 65), "1 to 64"), (("create", "--days", "0"), "--days"), (("revoke", "0123456789abcdef"), "keys list"),
    ],
)
def test_what_cannot_be_is_refused_with_words(run: Run, arguments: tuple[str, ...], words: str) -> None:
    result = run(*arguments)
    assert (result.exit_code, result.stdout) == (2, "")
    assert words in result.stderr


def test_a_database_that_cannot_be_used_is_said(run: Run, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    monkeypatch.setenv("PLATEROTA_DATA_DIRECTORY", str(tmp_path / "file"))
    result = run("list")
    assert result.exit_code == 2
    assert "cannot be used" in result.stderr


def test_no_keys(run: Run) -> None:
    assert (run("list").exit_code, run("list").stdout) == (0, "")


def test_a_key_is_printed_once_alone_and_works(run: Run, store: Store) -> None:
    result = run("create", "--name", "spreadsheet", "--scope", "read", "--scope", "shop", "--scope", "read", "--days", "30")
    token = Token.read(result.stdout)
    assert token is not None
    assert result.stdout == f"{token}\n"
    assert token.secret not in result.stderr
    row = KeyBook(store).find(token)
    assert row is not None
    assert (row.tenant, row.name, scopes_of(row)) == ("local", "spreadsheet", {"read", "shop"})
    assert row.expires_ms is not None
    assert live(row, row.expires_ms - 1)
    assert not live(row, row.expires_ms)
    assert 29 < (row.expires_ms - now_ms()) / 86_400_000 <= 30


def test_the_usual_key_may_do_everything_but_set_the_service_up(run: Run, store: Store) -> None:
    token = Token.read(run("create").stdout)
    assert token is not None
    row = KeyBook(store).find(token)
    assert row is not None
    assert scopes_of(row) == {"read", "plan", "shop"}


def test_a_list_shows_every_key_and_no_secret(run: Run) -> None:
    made = [Token.read(run("create", "--tenant", tenant).stdout) for tenant in ("north", "south")]
    assert None not in made
    assert run("revoke", made[0].key_id if made[0] else "").exit_code == 0
    first, second = run("list").stdout.splitlines()
    assert first.split("\t")[:4] == [made[0].key_id if made[0] else "", "north", "-", "read,plan,shop"]
    assert ("revoked 20" in first, "no end" in second, "never used" in second) == (True, True, True)
    assert not any(token.secret in first + second for token in made if token)


def test_two_keys_live_beside_each_other_until_one_is_revoked(run: Run, store: Store) -> None:
    old, new = (Token.read(run("create").stdout) for _ in range(2))
    assert old is not None
    assert new is not None
    assert KeyBook(store).find(old) is not None
    assert KeyBook(store).find(new) is not None
    assert run("revoke", old.key_id).exit_code == run("revoke", old.key_id).exit_code == 0
    assert KeyBook(store).find(old) is None
    assert KeyBook(store).find(new) is not None
    assert KeyBook(store).any_live()
