"""The commands `platerota keys create`, `list` and `revoke`.

A key is made and ended where the database is, by whoever may run commands there: there is no call that makes a first key.
"""

from __future__ import annotations

import json
from collections.abc import Generator
from contextlib import closing, contextmanager
from datetime import timedelta
from typing import Annotated
from zoneinfo import ZoneInfo

import typer

from platerota_service.access.keys import SCOPES, USUAL_SCOPES, KeyBook, Scope, live
from platerota_service.command_words import refuse, say, settings_or_exit
from platerota_service.store import LOCAL_TENANT, KeyRow, Store, StoreError, now_ms
from platerota_shared.instants import local_text

keys_app = typer.Typer(no_args_is_help=True, help="The keys that callers of the service show.")

_SCOPE_HELP = "What it may do, once for each: " + "; ".join(f"{name}: {words}" for name, words in SCOPES.items()) + "."


@keys_app.command("create")
def create(
    tenant: Annotated[str, typer.Option(help="Whose it is: keys of one tenant see the same plans and shops.")] = LOCAL_TENANT,
    name: Annotated[str, typer.Option(help="What it is for, such as the spreadsheet or the person.")] = "",
    scope: Annotated[list[str] | None, typer.Option(help=_SCOPE_HELP)] = None,
    days: Annotated[int | None, typer.Option(min=1, max=3_660, help="Days that it lives; until it is revoked where not given.")] = None,
) -> None:
    """Make a key and print it, this once: only a hash of it is kept.

    To change a key for another without a gap: create the new one, give it to its callers, then revoke the old one.
    """
    if not 1 <= len(tenant.strip()) <= 64:
        refuse("--tenant is 1 to 64 characters")
    expires = now_ms() + int(timedelta(days=days).total_seconds() * 1000) if days is not None else None
    scopes = _scopes(scope)
    with _book() as book:
        token = book.create(tenant.strip(), name, scopes, expires)
    say(f"key {token.key_id} of tenant '{tenant.strip()}'; keep it now, it cannot be shown again:")
    print(token)


@keys_app.command("list")
def list_() -> None:
    """Show every key, never the key itself: id, tenant, name, scopes, when it was made, ends, was used last."""
    with _book() as book:
        rows = book.all()
    for row in rows:
        print("\t".join((
            row.id, row.tenant, row.name or "-", ",".join(json.loads(row.scopes)), f"made {_day(row.created_ms)}", _end(row),
            f"used {_day(row.used_ms)}" if row.used_ms is not None else "never used",
        )))


@keys_app.command("revoke")
def revoke(key_id: Annotated[str, typer.Argument(metavar="ID", help="The key's id, as `list` shows it.")]) -> None:
    """End a key at once; links that were signed with it end too."""
    with _book() as book:
        found = book.revoke(key_id)
    if not found:
        refuse(f"there is no key with the id '{key_id}'; 'platerota keys list' shows them all")
    say(f"key {key_id} is revoked")


def _scopes(given: list[str] | None) -> tuple[Scope, ...]:
    unknown = [name for name in given or () if name not in SCOPES]
    if unknown:
        refuse(f"there is no scope '{unknown[0]}', only {', '.join(SCOPES)}")
    return tuple(scope for scope in SCOPES if scope in given) if given else USUAL_SCOPES


@contextmanager
def _book() -> Generator[KeyBook]:
    """The keys in the database that the environment names; one that is embedded is made where it is missing."""
    settings = settings_or_exit()
    try:
        with closing(Store(settings.database_url, settings.data_directory)) as store:
            store.prepare()
            yield KeyBook(store)
    except StoreError as error:
        refuse(str(error))


def _end(row: KeyRow) -> str:
    if row.revoked_ms is not None:
        return f"revoked {_day(row.revoked_ms)}"
    if row.expires_ms is None:
        return "no end"
    return f"{'ends' if live(row, now_ms()) else 'ended'} {_day(row.expires_ms)}"


def _day(instant_ms: int) -> str:
    return local_text(instant_ms // 1000, ZoneInfo("UTC")).removesuffix("+00:00") + "Z"
