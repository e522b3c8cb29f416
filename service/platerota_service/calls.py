"""What the routes of every call share: the engine, the settings and the preferences, each named once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from fastapi import Depends, Path, Request

from platerota_service.engine import Engine
from platerota_service.preferences import Preferences, read_preferences
from platerota_service.settings import ServiceSettings
from platerota_service.store import Store


@dataclass(frozen=True, slots=True)
class Parts:
    """The parts that :func:`platerota_service.app.create_app` put together."""

    settings: ServiceSettings
    store: Store
    engine: Engine


def _parts(call: Request) -> Parts:
    parts = call.app.state.parts
    assert isinstance(parts, Parts)
    return parts


async def _engine(call: Request) -> Engine:
    return _parts(call).engine


async def _store(call: Request) -> Store:
    return _parts(call).store


async def _settings(call: Request) -> ServiceSettings:
    return _parts(call).settings


async def _preferences(call: Request) -> Preferences:
    return read_preferences(call.headers.getlist("prefer"))


StoreOf = Annotated[Store, Depends(_store)]
EngineOf = Annotated[Engine, Depends(_engine)]
SettingsOf = Annotated[ServiceSettings, Depends(_settings)]
PreferencesOf = Annotated[Preferences, Depends(_preferences)]
PlanId = Annotated[str, Path(description="The id of a plan, as its Location says.", examples=["3f2b8a4c9d5e4f60a1b2c3d4e5f60718"])]
