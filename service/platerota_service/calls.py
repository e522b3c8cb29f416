"""What the routes of every call share: the engine, the settings and the preferences, each named once."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field
from typing import Annotated

from fastapi import Depends, Path, Request

from platerota_service.access.keys import KeyBook
from platerota_service.comparisons import Comparisons
from platerota_service.engine import Engine
from platerota_service.preferences import Preferences, read_preferences
from platerota_service.questions.book import Questions
from platerota_service.risk_process import Simulations
from platerota_service.settings import ServiceSettings
from platerota_service.shelf import Shelf
from platerota_service.store import Store
from platerota_service.watch.metrics import Metrics
from platerota_service.webhooks.outbox import Outbox


@dataclass(frozen=True, slots=True)
class Parts:
    """The parts that :func:`platerota_service.app.create_app` put together."""

    settings: ServiceSettings
    store: Store
    engine: Engine
    metrics: Metrics
    outbox: Outbox
    keys: KeyBook
    comparisons: Comparisons
    simulations: Simulations
    questions: Questions
    drawing: asyncio.Semaphore = field(default_factory=lambda: asyncio.Semaphore(1))
    """Held while a PNG is drawn: each keeps a core busy for seconds."""
    shelf: Shelf = field(default_factory=Shelf)


def parts_of(call: Request) -> Parts:
    """The parts of the service that a call came to."""
    parts = call.app.state.parts
    assert isinstance(parts, Parts)
    return parts


async def _parts(call: Request) -> Parts:
    return parts_of(call)


async def _engine(call: Request) -> Engine:
    return parts_of(call).engine


async def _store(call: Request) -> Store:
    return parts_of(call).store


async def _settings(call: Request) -> ServiceSettings:
    return parts_of(call).settings


async def _preferences(call: Request) -> Preferences:
    return read_preferences(call.headers.getlist("prefer"))


async def _simulations(call: Request) -> Simulations:
    return parts_of(call).simulations


async def _questions(call: Request) -> Questions:
    return parts_of(call).questions


async def _drawing(call: Request) -> asyncio.Semaphore:
    return parts_of(call).drawing


PartsOf = Annotated[Parts, Depends(_parts)]
StoreOf = Annotated[Store, Depends(_store)]
EngineOf = Annotated[Engine, Depends(_engine)]
SettingsOf = Annotated[ServiceSettings, Depends(_settings)]
PreferencesOf = Annotated[Preferences, Depends(_preferences)]
SimulationsOf = Annotated[Simulations, Depends(_simulations)]
QuestionsOf = Annotated[Questions, Depends(_questions)]
DrawingTurn = Annotated[asyncio.Semaphore, Depends(_drawing)]
QuestionId = Annotated[
    str, Path(description="The id of a question, as its Location says.", examples=["5d1c9a7be04f4c3e8a6b2f9d7c3e1a05"]),
]
PlanId = Annotated[str, Path(description="The id of a plan, as its Location says.", examples=["3f2b8a4c9d5e4f60a1b2c3d4e5f60718"])]
