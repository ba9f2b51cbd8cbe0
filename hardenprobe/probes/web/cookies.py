"""Set-Cookie: which cookies look like a session, and how they are guarded. Values are examined and never kept.

Source: RFC 6265 section 4.1 (attributes). What looks like a session is common practice (no published requirement).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from contextlib import suppress
from email.utils import parsedate_to_datetime

from hardenprobe.facts import Cookie, readable

MOST = 16  # cookies kept of one answer
LONG_AGO = 2000  # no device sets a cookie that ended before this year but to take it back
_NAMED = re.compile(r"sess|sid$|^sid|auth|login|token|ticket", re.IGNORECASE)
_FORGERY = re.compile(r"csrf|xsrf", re.IGNORECASE)  # read by the page's own script, so never HttpOnly
_OPAQUE = re.compile(r"[A-Za-z0-9+/=_.%-]{16,}")
_VALUE = re.compile(rb"(?i)(?<=set-cookie:)([^=;\r\n]*=)([^;\r\n]*)")


def session_cookies(headers: Iterable[str]) -> tuple[Cookie, ...]:
    """Read the values of Set-Cookie headers.

    >>> session_cookies(["lang=en; Path=/", "SESSIONID=1; path=/; httponly"])
    (Cookie(name='SESSIONID', secure=False, http_only=True),)
    """
    found: dict[str, Cookie] = {}
    for header in headers:
        pair, *attributes = header.split(";")
        name, equals, value = (part.strip() for part in pair.partition("="))
        if not (name and equals) or _FORGERY.search(name):
            continue
        if not (_NAMED.search(name) or _OPAQUE.fullmatch(value)):
            continue
        given = {
            a.partition("=")[0].strip().lower(): a.partition("=")[2].strip() for a in reversed(attributes)
        }
        if _removes(given):
            continue
        flags = given.keys()
        shown = readable(name.encode("utf-8", "surrogateescape"), 64)
        found[shown] = Cookie(name=shown, secure="secure" in flags, http_only="httponly" in flags)
    return tuple(found.values())[:MOST]


def _removes(attributes: Mapping[str, str]) -> bool:
    """Whether a cookie is taken back: RFC 6265 section 3.1, an expiration date in the past; Max-Age goes before it."""
    if re.fullmatch(r"-?\d{1,18}", attributes.get("max-age", "")):
        return int(attributes["max-age"]) <= 0
    with suppress(ValueError, TypeError, OverflowError, IndexError):
        return parsedate_to_datetime(attributes.get("expires", "")[:64]).year < LONG_AGO
    return False


def star_cookies(received: bytes) -> bytes:
    """Star the values of cookies in what a transcript keeps.

    >>> star_cookies(b"Set-Cookie: sid=1234; Secure")
    b'Set-Cookie: sid=****; Secure'
    """
    return _VALUE.sub(lambda m: m[1] + b"*" * len(m[2]), received)
