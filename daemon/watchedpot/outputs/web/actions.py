"""What people say through the interface: an input to the core like any other.

Who says it is the name of their token, never a part of what they say. It is answered when it is
recorded.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import Annotated, TypeAlias

from fastapi import APIRouter, Request, Response, Security
from fastapi.security import HTTPBearer
from pydantic import BaseModel, ConfigDict, Field, FiniteFloat

from watchedpot.core.model import Check, Entry, EntryKind, Instant, Loading
from watchedpot.outputs.web.gate import WHO, Caller
from watchedpot.outputs.web.model import Answer, Refusal, Who

_Words: TypeAlias = Annotated[str, Field(max_length=2000)]
_Word: TypeAlias = Annotated[str, Field(max_length=200)]

_LONGEST_NS = 2**63 - 1

REFUSALS: dict[int | str, dict[str, object]] = {
    401: {"model": Refusal, "description": "No token, or none that anybody has"},
    421: {"model": Refusal, "description": "Asked by a name that is not of this computer"},
    429: {"model": Refusal, "description": "Too many tries"},
}


class Asked(BaseModel):
    """A part of what is said."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class LoadingAsked(Asked):
    """What is said of a charge that was loaded; see ``Loading``."""

    age_s: FiniteFloat | None = None
    preheat_c: FiniteFloat | None = None
    preheat_s: FiniteFloat = 0.0
    mass_kg: FiniteFloat | None = None
    is_refill: bool = False
    lot: _Word = ""
    expires_utc_ns: Annotated[int, Field(ge=0, le=_LONGEST_NS)] | None = None
    out_of_store_s: FiniteFloat | None = None


class CheckAsked(Asked):
    """A zone compared with a reference probe: what that said, and what the zone did. [degC]."""

    true_c: FiniteFloat
    read_c: FiniteFloat


class ActionAsked(Asked):
    """What somebody says."""

    kind: EntryKind
    target: _Word
    """The alarm, ``cell/zone/kind`` or ``cell/kind``; the zone, ``cell/zone``; or the cell."""
    why: _Words = ""
    subject: _Words = ""
    word: _Word = ""
    duration_s: FiniteFloat = 0.0
    is_one_shot: bool = False
    loading: LoadingAsked | None = None
    check: CheckAsked | None = None

    def entry(self, who: str) -> Entry:
        """The same as the core takes it; when it was said is for the daemon to say."""
        loading, check = self.loading, self.check
        return Entry(
            kind=self.kind,
            target=self.target,
            at=Instant(0, 0),
            who=who,
            why=self.why,
            subject=self.subject,
            word=self.word,
            duration_s=self.duration_s,
            is_one_shot=self.is_one_shot,
            loading=None if loading is None else Loading(**loading.model_dump()),
            check=None if check is None else Check(**check.model_dump()),
        )


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of an entry.

    Attributes
    ----------
    is_taken
        Whether the core took it.
    is_recorded
        Whether that is in the record by now.
    """

    is_taken: bool
    is_recorded: bool
    sentence: str


Enter: TypeAlias = Callable[[Entry], Awaitable[Outcome]]
"""Judges an entry and waits, bounded, until it is recorded."""


def actions(enter: Enter) -> APIRouter:
    """The routes of those who act."""
    router = APIRouter(dependencies=[Security(HTTPBearer(auto_error=False))])

    @router.post(
        "/api/v1/actions",
        responses={
            **REFUSALS,
            400: {"model": Refusal, "description": "Not to be read at all"},
            409: {"model": Answer, "description": "The cell does not take it"},
            413: {"model": Refusal, "description": "Too large"},
            415: {"model": Refusal, "description": "Not JSON"},
            422: {"model": Refusal, "description": "Not what an action looks like"},
            503: {"model": Answer, "description": "Not recorded, or not yet"},
        },
    )
    async def act(asked: ActionAsked, request: Request, response: Response) -> Answer:
        """Say something; answered when it is recorded."""
        outcome = await enter(asked.entry(_caller(request).name))
        if not outcome.is_recorded:
            response.status_code = 503
            response.headers["retry-after"] = "5"
        elif not outcome.is_taken:
            response.status_code = 409
        is_taken = outcome.is_taken and outcome.is_recorded
        return Answer(is_taken=is_taken, sentence=outcome.sentence)

    @router.get(WHO, responses=REFUSALS)
    async def who(request: Request) -> Who:
        """Whose token it is."""
        return Who(name=_caller(request).name)

    return router


def _caller(request: Request) -> Caller:
    caller: Caller = request.state.caller
    return caller
