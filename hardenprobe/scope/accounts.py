"""Who runs this process, by the operating system's account database, and whether two names mean one person."""

from __future__ import annotations

import getpass
import os
import unicodedata

try:
    import pwd
except ImportError:  # Windows has no such database; getpass asks its environment
    pwd = None  # type: ignore[assignment]


def operator() -> str:
    """The account that runs this process, for the record. An environment variable cannot change it."""
    try:
        return pwd.getpwuid(os.geteuid()).pw_name if pwd else getpass.getuser()
    except (KeyError, OSError):
        return f"uid {os.geteuid()}" if pwd else "unknown"


def same_person(one: str, other: str) -> bool:
    """Tell whether two names mean one person: alike but for form, letter case and spaces, or of one account.

    Source: Unicode Standard Annex 15 (NFKC) and the Unicode Standard, section 5.18 (caseless matching).

    >>> same_person("Imke  Sandvoort", "imke SANDVOORT\\u00a0")
    True
    """
    return bool(_names(one) & _names(other))


def _names(name: str) -> frozenset[str]:
    """All that a person of this name is called: the name itself, and the account that has it."""
    plain = _plain(name)
    found = {plain}
    for account in pwd.getpwall() if pwd else ():
        called = {_plain(account.pw_name), _plain(account.pw_gecos.partition(",")[0])} - {""}
        if plain in called:
            found |= called
    return frozenset(found)


def _plain(name: str) -> str:
    # Case folding may bring back what normalising had composed, so that it is done again.
    folded = unicodedata.normalize("NFKC", unicodedata.normalize("NFKC", name).casefold())
    visible = (
        c for c in folded if unicodedata.category(c) != "Cf"
    )  # joiners and marks of direction are not seen
    return " ".join("".join(visible).split())
