"""Every error as RFC 9457 problem details: the one place where errors become HTTP."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Mapping
from http import HTTPStatus
from typing import Any
from uuid import uuid4

from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from pydantic import BaseModel, ConfigDict, Field
from pydantic_core import ErrorDetails
from sqlalchemy.exc import DBAPIError, InterfaceError, InternalError, OperationalError
from sqlalchemy.exc import TimeoutError as PoolTimeout
from starlette.exceptions import HTTPException
from starlette.routing import compile_path

from platerota_service.access.headers import SAFE_HEADERS
from platerota_service.access.tokens import without_secrets
from platerota_service.engine import AlreadyEnded, EngineClosed, EngineError, EngineWarming, NoWorker, QueueFull, UnknownPlan
from platerota_service.kinds import (
    ALREADY_ENDED,
    BUSY,
    FAULTS,
    HTTP,
    INTERNAL,
    NO_WORKER,
    NOT_FOUND,
    STORE,
    TAKEN,
    TOO_LARGE,
    UNKNOWN_PLAN,
    UNREADABLE,
    WARMING,
    WRONG_METHOD,
    Kind,
)
from platerota_shared.faults import Fault, RequestRefused, Unreadable, pointer
from platerota_shared.wording import said

PROBLEM_JSON = "application/problem+json"
_log = logging.getLogger(__name__)


_BY_STATUS = {404: NOT_FOUND, 405: WRONG_METHOD}
_STORE_FAULTS = (OperationalError, InterfaceError, InternalError, PoolTimeout)
_CLOSING = "the service is closing"
_OWN_FAULT = "the service met a fault of its own"
_RETRY_SECONDS = 10
_RETRY_COMPILING_SECONDS = 20


class ProblemFault(BaseModel):
    """One fault of a request."""

    pointer: str | None = Field(
        default=None, description="JSON pointer (RFC 6901) into the request; not given where the request is a workbook.",
        examples=["/shop/plates/3/mount"],
    )
    sheet: str | None = Field(default=None, description="In a workbook: the sheet; in a zip of CSV files: the table.", examples=["plates"])
    row: int | None = Field(default=None, description="In a workbook: the row as the spreadsheet numbers it, from 1.", examples=[5])
    column: str | None = Field(default=None, description="In a workbook: the letters of the column.", examples=["D"])
    code: str = Field(description="The kind of fault, from one catalogue.")
    detail: str = Field(description="What is wrong, in words of the trade.")
    mend: str = Field(description="What to change.")


class Problem(BaseModel):
    """Problem details (RFC 9457)."""

    model_config = ConfigDict(title="Problem")

    type: str = Field(description="The kind of problem, an address that says more.")
    title: str = Field(description="The kind of problem in few words.")
    status: int = Field(description="The HTTP status.")
    detail: str = Field(description="What is wrong with this call and what to do.")
    instance: str | None = Field(default=None, description="What the log calls this problem; only for faults of the service.")
    errors: list[ProblemFault] | None = Field(default=None, description="Every fault of the request, where it was read.")


class ProblemError(Exception):
    """A call that is answered with a problem of `kind`; `detail` says what is wrong with this one."""

    def __init__(
        self, kind: Kind, detail: str, headers: Mapping[str, str] | None = None, errors: list[ProblemFault] | None = None,
    ) -> None:
        super().__init__(detail)
        self.kind = kind
        self.detail = detail
        self.headers = headers
        self.errors = errors


class TakenError(Exception):
    """What a call asked for is stored at the address `location`, but cannot be answered; the error that it was raised from says why."""

    def __init__(self, location: str) -> None:
        super().__init__(location)
        self.location = location


def install_problem_handlers(app: FastAPI) -> None:
    """Make every error of `app` problem details, those of the framework included."""
    app.add_exception_handler(ProblemError, _own)
    app.add_exception_handler(RequestRefused, _refused)
    app.add_exception_handler(EngineError, _engine)
    app.add_exception_handler(TakenError, _taken)
    for kind in _STORE_FAULTS:
        app.add_exception_handler(kind, _store)
    app.add_exception_handler(HTTPException, _framework)
    app.add_exception_handler(RequestValidationError, _parameters)
    app.add_exception_handler(Exception, _internal)


async def _own(_request: Request, error: Exception) -> Response:
    assert isinstance(error, ProblemError)
    return problem_response(error.kind, error.detail, headers=error.headers, errors=error.errors)


async def _refused(_request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestRefused)
    errors = [problem_fault(one) for one in error.faults]
    if any(one.code == "too-large" for one in error.faults):
        return problem_response(TOO_LARGE, errors[0].detail, errors=errors)
    if isinstance(error, Unreadable):
        return problem_response(UNREADABLE, errors[0].detail, errors=errors)
    count = "1 fault" if len(errors) == 1 else f"{len(errors)} faults"
    return problem_response(FAULTS, f"the request has {count}; nothing was stored", errors=errors)


def problem_fault(fault: Fault) -> ProblemFault:
    """A fault of a request as a problem lists it."""
    return ProblemFault(pointer=fault.pointer, code=fault.code, detail=fault.detail, mend=fault.mend)


async def _engine(_request: Request, error: Exception) -> Response:
    if isinstance(error, UnknownPlan):
        return problem_response(UNKNOWN_PLAN, f"there is no plan with the id '{error.plan_id}'")
    if isinstance(error, AlreadyEnded):
        return problem_response(ALREADY_ENDED, f"the plan '{error.plan_id}' is {error.status}; it cannot be stopped any more")
    if isinstance(error, EngineWarming):
        words = "the optimiser is being compiled for this machine, once, which takes two to three minutes"
        seconds = _RETRY_COMPILING_SECONDS if error.compiling else 1
        headers = {"Retry-After": str(seconds)}
        return problem_response(WARMING, words if error.compiling else "the optimiser is being loaded", headers=headers)
    if isinstance(error, NoWorker):
        return problem_response(NO_WORKER, "no worker is at the database", headers={"Retry-After": str(_RETRY_SECONDS)})
    if isinstance(error, QueueFull):
        return problem_response(BUSY, f"{error.limit} plans wait already", headers={"Retry-After": str(_RETRY_SECONDS)})
    return closing_response()


def closing_response() -> Response:
    """What is answered while the service ends."""
    return problem_response(BUSY, _CLOSING, headers={"Retry-After": str(_RETRY_SECONDS)})


async def _store(_request: Request, error: Exception) -> Response:
    return problem_response(STORE, _store_words(error), headers={"Retry-After": str(_RETRY_SECONDS)})


def _store_words(error: Exception) -> str:
    """What the database says, in words that give nothing away; all of it goes into the log."""
    _log.error("the database cannot be reached or written: %s", error)
    cause = error.orig if isinstance(error, DBAPIError) and error.orig is not None else error
    known = next((words for words in ("disk is full", "readonly database", "disk I/O error") if words in str(cause)), None)
    return f"the database says: {known}" if known is not None else "the database does not answer"


async def _taken(_request: Request, error: Exception) -> Response:
    assert isinstance(error, TakenError)
    cause, instance = error.__cause__, None
    if isinstance(cause, (EngineClosed, asyncio.CancelledError)):
        words = _CLOSING
    elif isinstance(cause, _STORE_FAULTS):
        words = _store_words(cause)
    else:
        words, instance = _OWN_FAULT, _logged(error)
    headers = {"Location": error.location, "Retry-After": str(_RETRY_SECONDS)}
    return problem_response(TAKEN, f"what was asked for is at {error.location}, but {words}", headers=headers, instance=instance)


async def _framework(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    kind = _BY_STATUS.get(error.status_code, HTTP)
    words = f"{request.method} {request.url.path}: {HTTPStatus(error.status_code).phrase}"
    headers = dict(error.headers or {})
    if "Allow" in headers:
        known = _described_methods(request) or {headers["Allow"]}
        headers["Allow"] = ", ".join(sorted(known | {"HEAD"} if "GET" in known else known))
    return problem_response(kind, words, status=error.status_code, headers=headers)


def _described_methods(request: Request) -> set[str]:
    """The methods of the address; the framework itself names those of the first route that fits, though another may know more.

    Where several described paths fit, the address is the one with the fewest parameters: `/v1/shops/main/plan` is no table.
    """
    paths = request.app.openapi()["paths"]
    fitting = [path for path in paths if compile_path(path)[0].match(request.url.path)]
    return {method.upper() for method in paths[min(fitting, key=lambda path: path.count("{"))]} if fitting else set()


async def _parameters(_request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)
    return problem_response(FAULTS, "the call has faults", errors=[_parameter(one) for one in error.errors()])


def _parameter(error: ErrorDetails) -> ProblemFault:
    """What is wrong with a parameter, in the words that tables have for the same."""
    _, words, mend = said(error)
    return ProblemFault(pointer=pointer(*error["loc"]), code="parameter", detail=f"{error['loc'][-1]} {words}", mend=mend)


async def _internal(_request: Request, error: Exception) -> Response:
    # Only a fault outside of the routes comes here. The framework answers it outside of everything else, so the headers of every
    # answer are given here.
    return internal_response(error, headers=SAFE_HEADERS)


def internal_response(error: Exception, headers: Mapping[str, str] | None = None) -> Response:
    """What is answered where the service met a fault of its own: nothing of it but a name for the log."""
    return problem_response(INTERNAL, _OWN_FAULT, headers=headers, instance=_logged(error))


def _logged(error: Exception) -> str:
    """What the log calls a fault of ours, which it now holds."""
    instance = f"urn:uuid:{uuid4()}"
    _log.error("fault %s: %s", instance, type(error).__name__, exc_info=error)
    return instance


def problem_response(
    kind: Kind, detail: str, *, status: int | None = None, headers: Mapping[str, str] | None = None, **more: Any,
) -> Response:
    """The answer that is a problem of `kind`; `detail` says what is wrong with this call, `more` are further members."""
    problem = Problem(type=kind.type, title=kind.title, status=status or kind.status, detail=f"{detail}. {kind.advice}", **more)
    body = without_secrets(problem.model_dump_json(exclude_none=True))
    return Response(body, status_code=problem.status, headers=dict(headers or {}), media_type=PROBLEM_JSON)
