"""Set-Cookie: which cookies look like a session, and how they are guarded. Values are examined and never kept.

Source: RFC 6265 section 4.1 (attributes). What looks like a session is common practice (no published requirement).
"""

from __future__ import annotations

import re
from collections.abc import Iterable

from hardenprobe.facts import Cookie, readable

MOST = 16  # cookies kept of one answer
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
        flags = {a.partition("=")[0].strip().lower() for a in attributes}
        shown = readable(name.encode("utf-8", "surrogateescape"), 64)
        found[shown] = Cookie(name=shown, secure="secure" in flags, http_only="httponly" in flags)
    return tuple(found.values())[:MOST]


def star_cookies(received: bytes) -> bytes:
    """Star the values of cookies in what a transcript keeps.

    >>> star_cookies(b"Set-Cookie: sid=1234; Secure")
    b'Set-Cookie: sid=****; Secure'
    """
    return _VALUE.sub(lambda m: m[1] + b"*" * len(m[2]), received)
