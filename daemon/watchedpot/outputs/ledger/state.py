"""The core's state as JSON and back."""

from __future__ import annotations

from typing import Any, TypeVar, cast

from pydantic import TypeAdapter, ValidationError
from pydantic_core import to_json

from watchedpot.errors import LedgerError

State = TypeVar("State")


def dump_state(state: object) -> bytes:
    """State as JSON, exact: the shortest text of each float that reads back the same."""
    return _json(state, _adapter(type(state)))


def load_state(kind: type[State], text: bytes) -> State:
    """State of a type from its JSON.

    Raises
    ------
    LedgerError
        The text is of another type or of another version of it: a field more, less or changed.
    """
    adapter = _adapter(kind)
    try:
        state = cast("State", adapter.validate_json(text, strict=True))
    except ValidationError as exc:
        fault = exc.errors()[0]
        place = ".".join(str(part) for part in fault["loc"])
        raise _unlike(kind, f"{place or 'text'}: {fault['msg']}") from exc
    if _json(state, adapter) != text:
        raise _unlike(kind, "it has other fields")
    return state


_ADAPTERS: dict[type[Any], TypeAdapter[Any]] = {}


def _adapter(kind: type[Any]) -> TypeAdapter[Any]:
    """Adapter of a type; building one takes longer than using it."""
    if kind not in _ADAPTERS:
        _ADAPTERS[kind] = TypeAdapter(kind)
    return _ADAPTERS[kind]


def _json(state: object, adapter: TypeAdapter[Any]) -> bytes:
    return to_json(adapter.dump_python(state), inf_nan_mode="constants")


def _unlike(kind: type[Any], fault: str) -> LedgerError:
    return LedgerError(
        f"state of type {kind.__name__}",
        f"what was recorded does not read back, {fault}",
        hint="start the version of watchedpot that recorded it, or begin a new ledger",
    )
