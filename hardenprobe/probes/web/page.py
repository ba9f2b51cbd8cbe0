"""Read a page of settings: title, forms, and where on the same device it leads. Bytes to values, no sockets."""

from __future__ import annotations

import re
from collections.abc import Iterable
from contextlib import suppress
from html.parser import HTMLParser
from urllib.parse import urljoin, urlsplit

MOST_PATHS = 6  # of one page that are kept of each kind
_MOST_SEEN = 256  # links of one page that are looked at
# Which of many links lead to settings, and which must not be followed since they may do something: common practice (no published requirement).
_TELLING = re.compile(
    r"log-?[io]n|sign|admin|setting|config|set-?up|secur|network|user|passw|maint", re.IGNORECASE
)
_ACTS = re.compile(
    r"log-?(?:out|off)|sign-?(?:out|off)|re(?:set|boot|start)|delete|erase|format|clear|shut-?down|power|print|cancel|save|apply",
    re.IGNORECASE,
)
_NO_PAGE = re.compile(r"\.(?:css|js|json|xml|png|jpe?g|gif|svg|ico|pdf|zip|exe|txt|woff2?)$", re.IGNORECASE)
_REFRESH = re.compile(r"^\s*\d*\.?\d*\s*[;,]\s*(?:url\s*=\s*)?['\"]?([^'\"\s]+)", re.IGNORECASE)
_SCRIPT = re.compile(
    r"location(?:\.href)?\s*=\s*['\"]([^'\"]{1,512})['\"]|location\.(?:replace|assign)\(\s*['\"]([^'\"]{1,512})['\"]"
)


class Page(HTMLParser):
    """What of a page matters.

    Attributes:
        addresses: Of links and frames, as written.
        actions: Of forms, as written; "" for a form that goes to the page itself.
        leads_to: Where it sends a browser by itself, as written.
    """

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.title: str | None = None
        self.form = False
        self.password_field = False
        self.addresses: list[str] = []
        self.actions: list[str] = []
        self.leads_to: str | None = None
        self._in_title = False
        self._in_script = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in reversed(attrs)}
        self._in_title = tag == "title" and self.title is None
        self._in_script = tag == "script"
        if tag == "form":
            self.form = True
            self._keep(self.actions, given.get("action", ""))
        elif tag == "input" and given.get("type", "").strip().lower() == "password":
            self.password_field = True
        elif tag in ("a", "area") and "href" in given:
            self._keep(self.addresses, given["href"])
        elif tag in ("frame", "iframe") and "src" in given:
            self._keep(self.addresses, given["src"])
        elif tag == "meta" and given.get("http-equiv", "").strip().lower() == "refresh":
            self.leads_to = self.leads_to or refresh_target(given.get("content", ""))

    def handle_endtag(self, tag: str) -> None:
        self._in_title = self._in_script = False

    def handle_data(self, data: str) -> None:
        if self._in_title:
            self.title = ((self.title or "") + data.strip())[:256]
        elif self._in_script and self.leads_to is None and (found := _SCRIPT.search(data[:65536])):
            self.leads_to = found[1] or found[2]

    @staticmethod
    def _keep(found: list[str], address: str) -> None:
        if len(found) < _MOST_SEEN:
            found.append(address.strip()[:1024])


def look_at(body: bytes) -> Page:
    """Read a page, as far as it can be read."""
    page = Page()
    # A marked section of no known kind is an AssertionError to the library; what was read before it counts.
    with suppress(AssertionError):
        page.feed(body.decode("utf-8", "replace"))
    return page


def refresh_target(value: str) -> str | None:
    """Where a Refresh header or a meta refresh leads, None where it only loads the page again.

    >>> refresh_target("0; url=/start"), refresh_target("30")
    ('/start', None)
    """
    found = _REFRESH.match(value[:1024])
    return found[1] if found else None


def own_paths(addresses: Iterable[str], base: str, hosts: Iterable[str]) -> tuple[str, ...]:
    """Paths on the same device that are safe to ask for, the most telling first.

    Left out: other hosts and schemes, what has a query, what is no page, and what sounds as if it did something.

    Args:
        base: Address of the page itself.
        hosts: Names and addresses of the device.
    """
    own = {host.lower() for host in hosts}
    found: dict[str, None] = {}
    for address in addresses:
        with suppress(ValueError):
            parts = urlsplit(urljoin(base, address))
            path = parts.path or "/"
            if parts.scheme not in ("http", "https") or (parts.hostname or "") not in own or parts.query:
                continue
            if len(path) < 256 and path.isascii() and path.isprintable() and " " not in path:
                found[path] = None
    kept = [path for path in found if not (_ACTS.search(path) or _NO_PAGE.search(path))]
    return tuple(sorted(kept, key=lambda path: not _TELLING.search(path)))[:MOST_PATHS]
