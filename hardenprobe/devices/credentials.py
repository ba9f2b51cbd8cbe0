"""The fleet's own secrets: SNMPv3 users and communities. YAML, or environment variables that the file names.

Rule: a secret goes only to a device that the inventory lists and that a question without a secret has confirmed: it
stated the inventory's serial, the inventory's engine id, or the inventory's pinned key. A digest that a device calls
wrong stops that user for the whole fleet, so that one mistyped password is one alarm and not one alarm a device.
"""

from __future__ import annotations

import asyncio
import os
import stat
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from hardenprobe.errors import FileInvalid
from hardenprobe.model.yaml_file import Document, Spot, load_yaml

FORMAT = "hardenprobe.secrets/1"
# RFC 3414 sections 6 and 7, RFC 7860 section 4; RFC 3414 section 8, RFC 3826.
AUTH = ("MD5", "SHA-1", "SHA-224", "SHA-256", "SHA-384", "SHA-512")
PRIV = ("DES", "AES-128")
SHORTEST = 8  # characters of a password, RFC 3414 section 11.2
USER_KEYS = ("name", "auth", "auth_password", "priv", "priv_password")
COMMUNITY_KEYS = ("label", "community")


class Secret:
    """A text that shows itself only where it is asked to. It cannot be pickled, compared or formatted into a message."""

    __slots__ = ("_text",)

    def __init__(self, text: str) -> None:
        self._text = text

    def reveal(self) -> bytes:
        """The bytes themselves, for a codec."""
        return self._text.encode()

    def __repr__(self) -> str:
        return "Secret('***')"

    __str__ = __repr__

    def __format__(self, spec: str) -> str:
        return repr(self)

    def __reduce__(self) -> Any:
        raise TypeError("a secret is not written down")


@dataclass(frozen=True, kw_only=True)
class User:
    """An SNMPv3 user, with the one pair of algorithms that is ever tried.

    Attributes:
        auth: One of AUTH, None for a user without authentication.
        priv: One of PRIV, None for a user without privacy.
    """

    name: str
    auth: str | None = None
    auth_password: Secret | None = None
    priv: str | None = None
    priv_password: Secret | None = None

    @property
    def levels(self) -> tuple[str, ...]:
        """The security levels that can be tried, the weakest first: it sends no digest."""
        return ("noAuthNoPriv", *(["authNoPriv"] if self.auth else []), *(["authPriv"] if self.priv else []))


@dataclass(frozen=True, kw_only=True)
class Community:
    """A community of the fleet's own.

    Attributes:
        label: How reports call it.
    """

    label: str
    community: Secret


@dataclass(kw_only=True)
class Secrets:
    """What a scan was given.

    Attributes:
        stopped: Users whose digest was called wrong, and by which address; they are not sent any more.
    """

    users: tuple[User, ...] = ()
    communities: tuple[Community, ...] = ()
    stopped: dict[str, str] = field(default_factory=dict)
    _turns: dict[str, asyncio.Lock] = field(default_factory=dict)

    def turn(self, user: User) -> asyncio.Lock:
        """Held while a user is sent: one device at a time, or a wrong digest would be many at once."""
        return self._turns.setdefault(user.name, asyncio.Lock())

    def stop(self, user: User, address: str) -> None:
        """Do not send this user to any device again."""
        self.stopped.setdefault(user.name, address)

    @property
    def labels(self) -> tuple[str, ...]:
        """What a plan may say of them."""
        users = (f"SNMPv3 user {u.name!r} ({u.auth or 'no'}/{u.priv or 'no'})" for u in self.users)
        return (*users, *(f"community {c.label!r}" for c in self.communities))


def load(path: Path) -> Secrets:
    """Read a secrets file. No message ever shows a value.

    Raises:
        FileInvalid: With file and line.
    """
    try:
        if path.stat().st_mode & (stat.S_IROTH | stat.S_IWOTH):
            raise FileInvalid(str(path), None, "everybody on this machine may read it; run chmod 600 on it")
    except OSError as exc:
        raise FileInvalid(str(path), None, f"cannot be read: {exc.strerror}") from exc
    document = _read(path)
    if document.data.get("secrets") != FORMAT:
        raise document.fault(("secrets",), f"the key 'secrets' must be {FORMAT!r}")
    _only(document, (), document.data, ("secrets", "users", "communities"))
    users = [_user(document, spot, given) for spot, given in _items(document, "users", USER_KEYS)]
    communities = [
        Community(
            label=_plain(document, spot, given, "label", required=True) or "",
            community=_secret(document, spot, given, "community", shortest=1),
        )
        for spot, given in _items(document, "communities", COMMUNITY_KEYS)
    ]
    for key, names in (("users", [u.name for u in users]), ("communities", [c.label for c in communities])):
        if len(set(names)) != len(names):
            raise document.fault((key,), f"{key}: a name is repeated")
    return Secrets(users=tuple(users), communities=tuple(communities))


def _read(path: Path) -> Document:
    """Read the YAML; what its reader would quote of a faulty line stays unsaid."""
    try:
        return load_yaml(path)
    except FileInvalid as exc:
        if exc.line is None:
            raise
        line = exc.line
    raise FileInvalid(str(path), line, "cannot be read as YAML (the text is not shown, it may be a secret)")


def _items(document: Document, key: str, known: tuple[str, ...]) -> Iterator[tuple[Spot, dict[str, Any]]]:
    given = document.data.get(key, [])
    if not isinstance(given, list):
        raise document.fault((key,), f"{key} must be a list")
    for i, item in enumerate(given):
        if not isinstance(item, dict):
            raise document.fault((key, i), f"an item of {key} must have the keys {', '.join(known)}")
        _only(document, (key, i), item, known)
        yield (key, i), item


def _only(document: Document, spot: Spot, given: dict[str, Any], known: tuple[str, ...]) -> None:
    for key in given:
        if key not in known:
            raise document.fault((*spot, key), f"unknown key; known are {', '.join(known)}")


def _user(document: Document, spot: Spot, given: dict[str, Any]) -> User:
    auth = _plain(document, spot, given, "auth", AUTH)
    priv = _plain(document, spot, given, "priv", PRIV)
    if priv and not auth:
        raise document.fault(spot, "priv needs auth: there is no privacy without authentication (RFC 3414)")
    return User(
        name=_plain(document, spot, given, "name", required=True) or "",
        auth=auth,
        auth_password=_secret(document, spot, given, "auth_password") if auth else None,
        priv=priv,
        priv_password=_secret(document, spot, given, "priv_password") if priv else None,
    )


def _plain(
    document: Document,
    spot: Spot,
    given: dict[str, Any],
    key: str,
    known: tuple[str, ...] = (),
    *,
    required: bool = False,
) -> str | None:
    value = given.get(key)
    if value is None and not required:
        return None
    if not isinstance(value, str) or not value or len(value.encode()) > 32:
        raise document.fault((*spot, key), f"{key} must be a text of 1 to 32 octets, in quotes")
    if known and value not in known:
        raise document.fault((*spot, key), f"{key} must be one of {', '.join(known)}")
    return value


def _secret(
    document: Document, spot: Spot, given: dict[str, Any], key: str, shortest: int = SHORTEST
) -> Secret:
    value = given.get(key)
    if isinstance(value, dict) and set(value) == {"env"} and isinstance(value["env"], str):
        text = os.environ.get(value["env"])
        if text is None:
            raise document.fault((*spot, key), f"{key} names an environment variable that is not set")
        value = text
    if not isinstance(value, str):
        raise document.fault((*spot, key), f'{key} must be a text in quotes, or {{env: "NAME"}}')
    if len(value) < shortest:
        raise document.fault((*spot, key), f"{key} is shorter than {shortest} characters")
    return Secret(value)
