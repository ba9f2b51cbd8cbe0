"""What a web or print service answers in clear, heard beside its clients.

Of a request the method, whether it carried credentials, and a path that the baseline names are kept; of an answer what a scan
keeps. Whoever signed in sees pages that are nobody else's business, so of those not even the title stays.
"""

from __future__ import annotations

import zlib
from collections import deque
from dataclasses import dataclass, field, replace
from typing import Any

import h11

from hardenprobe.facts import CredentialsInClear, HttpAnswer, WebServices
from hardenprobe.listening.heard import Heard, Said, starred
from hardenprobe.model.transcript import Recorder
from hardenprobe.probes.printing import ipp
from hardenprobe.probes.printing.ipp_codec import MEDIA_TYPE
from hardenprobe.probes.web import services
from hardenprobe.probes.web.http import BODY_LIMIT, IPP, HttpResponse, read

LIMIT = 1 << 22  # bytes of one side of a connection that are read
ANY_PATH = "/*"  # a path that the baseline does not name
REDIRECTS = (301, 302, 303, 307, 308)  # RFC 9110 section 15.4, those that name one place to go
_BEGIN = 8  # bytes of an IPP request that are read: version, operation and number (RFC 8010 section 3.1.1)


@dataclass
class _Request:
    method: str
    path: str
    seconds: float
    scheme: str
    private: bool
    ipp: bool
    body: bytes = b""


@dataclass
class _Answer:
    status: int
    headers: tuple[tuple[str, str], ...]
    seconds: float
    body: bytearray = field(default_factory=bytearray)
    length: int = 0


class Web:
    """Hears HTTP/1 on one connection; both sides are read by h11, and what breaks its rules ends the hearing."""

    def __init__(self, heard: Heard, port: int) -> None:
        self.done = False
        self._heard, self._port = heard, port
        self._asking, self._answering = h11.Connection(h11.SERVER), h11.Connection(h11.CLIENT)
        self._requests: deque[_Request] = deque()
        self._answer: _Answer | None = None
        self._size = {True: 0, False: 0}

    @property
    def held(self) -> int:
        """Bytes that are not understood yet."""
        buffers = len(self._asking.trailing_data[0]) + len(self._answering.trailing_data[0])
        return buffers + (len(self._answer.body) if self._answer else 0)

    def accepted(self, seconds: float) -> None:
        """It was known before."""

    def heard(self, by_client: bool, data: bytes, seconds: float) -> None:
        """One side spoke."""
        self._size[by_client] += len(data)
        if self._size[by_client] > LIMIT:
            self.done = True
            return
        self._take(by_client, data, seconds)

    def missed(self, by_client: bool) -> None:
        """An answer whose rest is missing counts as cut."""
        if not by_client and self._answer is not None:
            self._finish(cut=True)
        self.done = True

    def closed(self, by_client: bool, seconds: float) -> None:
        """A server that leaves ends what it says."""
        if not by_client and not self.done:
            self._take(False, b"", seconds)
            if self._answer is not None:
                self._finish(cut=True)
            self.done = True

    def _take(self, by_client: bool, data: bytes, seconds: float) -> None:
        try:
            (self._asking if by_client else self._answering).receive_data(data)
            self._ask(seconds)
            self._read(seconds)
        except (h11.ProtocolError, RuntimeError):
            if self._answer is not None:
                self._finish(cut=True)
            self.done = True

    def _ask(self, seconds: float) -> None:
        """What clients ask for."""
        while (event := self._asking.next_event()) not in (h11.NEED_DATA, h11.PAUSED):
            if isinstance(event, h11.Request):
                self._requests.append(self._request(event, seconds))
                self._answering.send(
                    h11.Request(method=event.method, target=b"/", headers=[(b"host", b"device")])
                )
                self._answering.send(h11.EndOfMessage())
            elif isinstance(event, h11.Data) and self._requests and self._requests[-1].ipp:
                request = self._requests[-1]
                request.body += bytes(event.data)[: _BEGIN - len(request.body)]
            elif isinstance(event, h11.ConnectionClosed):
                return

    def _request(self, event: h11.Request, seconds: float) -> _Request:
        fields = {bytes(name): bytes(value) for name, value in event.headers}
        path = bytes(event.target).partition(b"?")[0].decode("ascii", "replace")
        scheme = fields.get(b"authorization", b"").partition(b" ")[0].lower()[:16].decode("ascii", "replace")
        return _Request(
            method=event.method.decode("ascii"),
            path=path if path in self._heard.terms.paths else ANY_PATH,
            seconds=seconds,
            scheme=scheme,
            private=b"authorization" in fields or b"cookie" in fields,
            ipp=fields.get(b"content-type", b"").partition(b";")[0].strip().lower() == MEDIA_TYPE.encode(),
        )

    def _read(self, seconds: float) -> None:
        """What the server answers."""
        while not self.done and self._requests:
            event = self._answering.next_event()
            if event in (h11.NEED_DATA, h11.PAUSED):
                return
            if isinstance(event, h11.Response):
                headers = tuple((_text(name), _text(value)) for name, value in event.headers.raw_items())
                self._answer = _Answer(event.status_code, headers, seconds)
            elif isinstance(event, h11.Data) and self._answer is not None:
                piece = bytes(event.data)
                self._answer.length += len(piece)
                self._answer.body += piece[: BODY_LIMIT - len(self._answer.body)]
            elif isinstance(event, h11.EndOfMessage):
                self._finish(cut=False)
                self._next(seconds)
            elif isinstance(event, h11.ConnectionClosed):
                self.done = True

    def _next(self, seconds: float) -> None:
        """Go on to the next request of a connection that stays."""
        self._asking.send(h11.Response(status_code=200, headers=[(b"content-length", b"0")]))
        self._asking.send(h11.EndOfMessage())
        both = (self._asking, self._answering)
        if any(one.our_state is not h11.DONE or one.their_state is not h11.DONE for one in both):
            self.done = True  # it closes, or answered before it was asked all
            return
        for one in both:
            one.start_next_cycle()
        self._ask(seconds)

    def _finish(self, *, cut: bool) -> None:
        answer, self._answer = self._answer, None
        if answer is None or not self._requests:
            return
        request = self._requests.popleft()
        body, whole = _plain(answer)
        got = HttpResponse(
            recorder=Recorder(), status=answer.status, headers=answer.headers, body=body, cut=cut or not whole
        )
        if request.scheme and answer.status not in (401, 403):
            self._signed_in(request)
        if self._port == services.PORT:
            self._web_service(request, got, answer)
        elif request.ipp:
            self._print(request, got, answer)
        elif request.method in ("GET", "HEAD") and _is_page(got):
            self._page(request, got, answer)

    def _page(self, request: _Request, got: HttpResponse, answer: _Answer) -> None:
        key = ("page", self._port, request.path)
        rank = (answer.status == 401, 200 <= answer.status < 300, answer.status in REDIRECTS)
        if self._heard.knows(key, rank):
            return
        facts = read(
            got,
            hosts=(self._heard.address,),
            tls=False,
            path=request.path,
            method=request.method,
            learned="traffic" if request.path == ANY_PATH else "",
        )
        self._keep(key, rank, _without_personal(facts, request.private), request, answer)

    def _web_service(self, request: _Request, got: HttpResponse, answer: _Answer) -> None:
        where = self._heard.at(self._port, "web-services")
        key = ("web-services", self._port)
        if not self._heard.knows(key):
            said = _said(request, answer)
            seen = self._heard.observe(WebServices(status=got.status), where, request.seconds, said)
            self._heard.keep(key, seen)

    def _print(self, request: _Request, got: HttpResponse, answer: _Answer) -> None:
        facts = ipp.read_printer(got, request.body, tls=False, path=request.path, assigned=self._port == IPP)
        if not facts.assigned and facts.status is None:
            return
        rank = (facts.status is not None, facts.served, bool(facts.uris), len(facts.operations))
        self._keep(("ipp", self._port, request.path), rank, facts, request, answer)

    def _signed_in(self, request: _Request) -> None:
        key = ("credentials", self._port, request.scheme)
        if not self._heard.knows(key):
            facts = CredentialsInClear(scheme=request.scheme, path=request.path)
            where = self._where(request)
            said: list[Said] = [(request.seconds, "sent", *_asked(request))]
            self._heard.keep(key, self._heard.observe(facts, where, request.seconds, said))

    def _keep(self, key: Any, rank: Any, facts: Any, request: _Request, answer: _Answer) -> None:
        seen = self._heard.observe(facts, self._where(request), request.seconds, _said(request, answer))
        self._heard.keep(key, seen, rank)

    def _where(self, request: _Request) -> Any:
        return self._heard.at(self._port, "ipp" if self._port == IPP else "http", path=request.path)


def _is_page(got: HttpResponse) -> bool:
    """What a browser shows, or is sent on by; pictures and styles are no pages."""
    kind = (got.first("content-type") or "text/html").partition(";")[0].strip().lower()
    return got.status in (401, *REDIRECTS) or kind in ("text/html", "application/xhtml+xml")


def _plain(answer: _Answer) -> tuple[bytes, bool]:
    """The body, decompressed under the same limit, and whether it is all there."""
    coding = next((v.strip().lower() for k, v in answer.headers if k.lower() == "content-encoding"), "")
    body = bytes(answer.body)
    whole = answer.length <= BODY_LIMIT
    if coding in ("", "identity"):
        return body, whole
    if coding not in ("gzip", "deflate"):
        return b"", False
    inflate = zlib.decompressobj(wbits=47)  # gzip or zlib, found by its header
    try:
        return inflate.decompress(body, BODY_LIMIT), whole and inflate.eof
    except zlib.error:
        return b"", False


def _without_personal(facts: HttpAnswer, private: bool) -> HttpAnswer:
    """Addresses without what is handed over in them; and of a page that somebody signed in for, no words at all."""
    facts = replace(facts, location=_address(facts.location), leads_to=_address(facts.leads_to))
    if not private:
        return facts
    return replace(facts, title=None, links=(), targets=())


def _address(address: str | None) -> str | None:
    return address.partition("?")[0].partition("#")[0] if address else address


def _said(request: _Request, answer: _Answer) -> list[Said]:
    """What of both may be kept."""
    head = _head(answer)
    return [
        (request.seconds, "sent", *_asked(request)),
        (answer.seconds, "received", head, len(head) + answer.length),
    ]


def _asked(request: _Request) -> tuple[bytes, int]:
    """The request line as it may be kept."""
    line = f"{request.method} {request.path} HTTP/1.1\r\n".encode()
    if request.scheme:
        line += f"Authorization: {request.scheme} ".encode() + starred(bytes(8)) + b"\r\n"
    return line, len(line)


_KEPT = frozenset({"server", "date", "content-type", "content-length", "www-authenticate"})


def _head(answer: _Answer) -> bytes:
    """The header of an answer, as far as it concerns nobody."""
    lines = [f"HTTP/1.1 {answer.status}"]
    lines += [f"{name}: {value}" for name, value in answer.headers if name.lower() in _KEPT]
    return "\r\n".join((*lines, "", "")).encode("utf-8", "backslashreplace")


def _text(data: bytes) -> str:
    return data.decode("utf-8", "backslashreplace")
