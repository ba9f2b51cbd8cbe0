"""The kinds of observations: each a record of facts, registered under the word that stored observations carry."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

C = TypeVar("C")


KINDS: dict[str, type[Any]] = {}


def facts(kind: str) -> Callable[[type[C]], type[C]]:
    """Register a record of facts under its stable kind, the word that stored observations carry.

    Raises:
        ValueError: Another class has the kind already, or the record has a field named kind.
    """

    def register(cls: type[C]) -> type[C]:
        if "kind" in getattr(cls, "__annotations__", {}):
            raise ValueError(
                f"{cls.__qualname__} has a field named kind, which is the observation's own word"
            )
        known = KINDS.setdefault(kind, cls)
        if known is not cls and (known.__module__, known.__qualname__) != (cls.__module__, cls.__qualname__):
            raise ValueError(f"observation kind {kind!r} belongs to {known.__module__}.{known.__qualname__}")
        KINDS[kind] = cls
        cls.kind = kind  # type: ignore[attr-defined]
        return cls

    return register


def readable(data: bytes, limit: int = 512) -> str:
    """Decode what a device wrote: UTF-8 where it is, `\\xNN` where it is not, cut at `limit` bytes."""
    return data[:limit].decode("utf-8", "backslashreplace")
