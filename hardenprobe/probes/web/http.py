"""Ask a web server for its first pages and, on the same device, for those they lead to: one request a connection.

httpx speaks HTTP; every byte goes through the stream that Link opened. No cookie is kept, no proxy is taken from the
environment, and of a page only its title, its form and its digest stay.
"""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import re
import ssl
import warnings
import zlib
from collections.abc import AsyncIterator, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

import httpcore
import httpx

from hardenprobe.errors import Unreachable
from hardenprobe.facts import HttpAnswer, TlsPort, readable
from hardenprobe.model import Observation
from hardenprobe.model.transcript import KEPT, Recorder
from hardenprobe.network.link import DeviceLink
from hardenprobe.network.stream import Stream
from hardenprobe.probes.base import Probe, ProbeContext
from hardenprobe.probes.web.cookies import session_cookies, star_cookies
from hardenprobe.probes.web.http_link import StreamTransport
from hardenprobe.probes.web.page import MOST_PATHS, look_at, own_paths, refresh_target

BODY_LIMIT = 262144  # bytes; a settings page's first screen, and no more of a device's memory
_HEADERS = {
    "User-Agent": "hardenprobe",
    "Accept": "text/html, */*;q=0.1",
    "Accept-Encoding": "identity",
    "Connection": "keep-alive",
}
IPP = 631  # shared by ipp and ipps
_BLANK = re.compile(rb"\r?\n\r?\n")
_INTERIM = re.compile(rb"HTTP/1\.\d 1\d\d[^\n]*\n(?:[^\r\n][^\n]*\n)*\r?\n")  # RFC 9110 section 15.2
PATIENCE = 3  # times the reply wait, for all of one answer; a device that drips bytes gets no more
Question = tuple[str, dict[str, str], bytes | None]  # method, header fields and body
SCHEMES = 16  # challenge schemes kept of one answer; the registry of RFC 9110 section 16.4 holds fewer


@dataclass(frozen=True, kw_only=True)
class HttpResponse:
    """The answer to one request.

    Attributes:
        status: None where the answer is not HTTP.
        cut: The body was cut off, or not read to its end.
        fault: Why there is no status ("closed", "silent", "not HTTP: ...").
    """

    recorder: Recorder
    status: int | None = None
    headers: tuple[tuple[str, str], ...] = ()
    body: bytes = b""
    cut: bool = False
    fault: str | None = None

    def first(self, name: str) -> str | None:
        """The first value of a header, in readable characters; the name is given in lower case."""
        return _clean(next((value[:1024] for key, value in self.headers if key.lower() == name), None))

    @property
    def challenges(self) -> tuple[str, ...]:
        """WWW-Authenticate schemes, lower case."""
        found = [s for key, v in self.headers if key.lower() == "www-authenticate" for s in _schemes(v)]
        return tuple(dict.fromkeys(found))[:SCHEMES]


async def fetch(
    line: DeviceLink,
    port: int,
    path: str,
    *,
    tls: ssl.SSLContext | None = None,
    name: str | None = None,
    post: tuple[str, bytes] | None = None,
    head: bool = False,
    word: str = "http",
) -> HttpResponse:
    """Make one request on a connection of its own; every fault of the peer becomes a `fault`.

    Args:
        tls: Speak TLS first, with this context.
        name: Host name to ask for; the address by default.
        post: Media type and body of a POST; a GET by default.
        head: Ask for the header alone.
        word: Under which the may-speak list has the port, in clear.
    """
    question = ("POST", {"Content-Type": post[0]}, post[1]) if post else ("HEAD" if head else "GET", {}, None)
    async with await line.connect(port) as stream:
        got, fault = _PartialResponse(), None
        try:
            async with asyncio.timeout(line.timing.reply * PATIENCE):
                if tls is not None:
                    await stream.start_tls(tls, name)
                await _exchange(stream, path, "tls" if tls else word, name or line.address, question, got)
        except TimeoutError:
            fault = "silent"
        except Unreachable as exc:
            fault = exc.state
        except ssl.SSLError as exc:
            fault = f"TLS: {exc.reason or 'handshake failed'}"
        except (httpcore.RemoteProtocolError, httpx.RemoteProtocolError) as exc:
            fault = "closed" if "disconnected" in str(exc) else f"not HTTP: {str(exc)[:80]}"
        except (httpx.InvalidURL, httpx.LocalProtocolError, httpcore.LocalProtocolError) as exc:
            fault = f"not asked: {str(exc)[:80]}"
        stream.recorder.rewrite_received(star_cookies if post else star_page)
        if got.status is None:
            return HttpResponse(recorder=stream.recorder, fault=fault)
        return HttpResponse(
            recorder=stream.recorder,
            status=got.status,
            headers=got.headers,
            body=bytes(got.body),
            cut=not got.whole,
        )


@dataclass
class _PartialResponse:
    """As much of an answer as has come.

    Attributes:
        whole: The body came to its end and could be read.
    """

    status: int | None = None
    headers: tuple[tuple[str, str], ...] = ()
    body: bytearray = field(default_factory=bytearray)
    whole: bool = False


def star_page(received: bytes) -> bytes:
    """Star the values of cookies and everything behind the header: a page may show anybody's affairs.

    >>> star_page(b"HTTP/1.1 200 OK\\r\\nDate: x\\r\\n\\r\\n<p>jobs")
    b'HTTP/1.1 200 OK\\r\\nDate: x\\r\\n\\r\\n*******'
    """
    at = 0
    while interim := _INTERIM.match(received, at):
        at = interim.end()
    end = _BLANK.search(received, at)
    at = (
        end.end() if end else max(at, KEPT)
    )  # a header that is longer was cut, and what follows may be the page
    return star_cookies(received[:at]) + b"*" * len(received[at:])


async def get(
    line: DeviceLink,
    port: int,
    path: str = "/",
    *,
    tls: ssl.SSLContext | None = None,
    name: str | None = None,
    ipp: bool = False,
    learned: str = "",
    head: bool = False,
    hosts: Iterable[str] = (),
) -> Observation[HttpAnswer]:
    """Ask for one path.

    Args:
        tls: Speak TLS first, with this context.
        name: Host name to ask for; the address by default.
        ipp: The port is IPP's, for which IPP's scheme names it.
        learned, head: As HttpAnswer has them.
        hosts: Names and addresses of the device, beside the one that is asked.
    """
    found = await fetch(line, port, path, tls=tls, name=name, head=head)
    how: dict[str, Any] = {
        "tls": tls is not None,
        "path": path,
        "method": "HEAD" if head else "GET",
        "learned": learned,
    }
    if found.status is None:
        facts = HttpAnswer(status=None, fault=found.fault, **how)
    else:
        facts = read(found, hosts=(line.address, *((name,) if name else ()), *hosts), **how)
    where = line.endpoint(port, protocol=_protocol(tls is not None, ipp), path=path)
    return line.observation(facts, where, found.recorder)


def _protocol(tls: bool, ipp: bool) -> str:
    if ipp:
        return "ipps" if tls else "ipp"
    return "https" if tls else "http"


def lenient_context() -> ssl.SSLContext:
    """A client that accepts any certificate and any version: here TLS only carries the question, it is judged elsewhere."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.check_hostname = False
    context.verify_mode = ssl.CERT_NONE
    context.set_ciphers("ALL:@SECLEVEL=0")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # old versions are exactly what old devices have
        context.minimum_version = ssl.TLSVersion.TLSv1
    return context


async def _exchange(
    stream: Stream, path: str, protocol: str, host: str, question: Question, got: _PartialResponse
) -> None:
    bare = f"[{host}]" if ":" in host else host
    scheme = "https" if protocol == "tls" else "http"
    port = stream.port + stream.line.port_offset
    url = f"{scheme}://{bare}:{port}{path}" if port not in (80, 443) else f"{scheme}://{bare}{path}"
    method, more, content = question
    # No client: its cookie jar and its next request, built from what the answer says, would be read for nothing.
    request = httpx.Request(method, url, headers=_HEADERS | more, content=content)
    async with contextlib.aclosing(
        await StreamTransport(stream, protocol).handle_async_request(request)
    ) as response:
        got.status = response.status_code
        got.headers = tuple((_text(name), _text(value)) for name, value in response.headers.raw)
        await _read_body(response, got)


def _text(data: bytes) -> str:
    """A name or value of a header, each by itself, whatever bytes the others hold (RFC 9110 section 5.5)."""
    return data.decode("utf-8", "backslashreplace")


def read(got: HttpResponse, *, hosts: Iterable[str] = (), **how: Any) -> HttpAnswer:
    """Reduce an answer to facts. Header names in any case; the first value of a repeated one counts.

    Args:
        hosts: Names and addresses of the device.
        how: What HttpAnswer says of the question.
    """
    page, hosts = look_at(got.body), tuple(hosts)
    location = got.first("location")
    host = f"[{hosts[0]}]" if hosts and ":" in hosts[0] else "".join(hosts[:1])
    base = f"{'https' if how['tls'] else 'http'}://{host}{how['path']}"
    leads_to = refresh_target(got.first("refresh") or "") or page.leads_to
    further = [there for there in (location, leads_to) if there]
    return HttpAnswer(
        status=got.status,
        location=location,
        authenticate=got.challenges,
        title=_clean(page.title),
        form=page.form,
        password_field=page.password_field,
        server=got.first("server"),
        date=got.first("date"),
        strict_transport=got.first("strict-transport-security"),
        cookies=session_cookies(v for key, v in got.headers if key.lower() == "set-cookie"),
        links=own_paths((*further, *page.addresses), base, hosts),
        targets=own_paths(page.actions, base, hosts),
        leads_to=_clean(leads_to),
        body_length=len(got.body),
        body_sha256=hashlib.sha256(got.body).hexdigest() if got.body else None,
        cut=got.cut,
        **how,
    )


def _clean(text: str | None) -> str | None:
    return readable(text.encode("utf-8", "surrogateescape"), 256) if text else None


def _schemes(value: str) -> list[str]:
    """Challenge schemes of RFC 9110 section 11.6.1: a token that is followed by parameters, not by "="."""
    found = []
    # A quoted string may hold anything, commas and the names of other schemes among it.
    for part in re.sub(r'"(?:[^"\\]|\\.)*"?', '""', value).split(","):
        word, _, rest = part.strip().partition(" ")
        if word and "=" not in word and (rest or part.strip() == word):
            found.append(word.lower()[:32])
    return found[:8]


async def _read_body(response: httpx.Response, got: _PartialResponse) -> None:
    """At most BODY_LIMIT bytes, decompressed under the same limit."""
    coding = response.headers.get("content-encoding", "").strip().lower()
    # 47: gzip or zlib, found by its header
    inflate = zlib.decompressobj(wbits=47) if coding in ("gzip", "deflate") else None
    readable = coding in ("", "identity") or inflate is not None
    came = False
    async for piece in response.aiter_raw():
        came = came or bool(piece)
        if inflate is not None:
            try:
                piece = inflate.decompress(piece, BODY_LIMIT - len(got.body))
            except zlib.error:
                inflate, readable = None, False
        got.body += piece[: BODY_LIMIT - len(got.body)]
        if len(got.body) >= BODY_LIMIT:
            return
    got.whole = readable and (inflate is None or inflate.eof or not came)


async def _ask(asked: ProbeContext) -> AsyncIterator[Observation[HttpAnswer]]:
    """Every listed path of every web port, over whichever of TLS and clear text it speaks; then where those pages lead.

    What is learned over TLS is asked once in clear as well: that the first page redirects says nothing of the others.
    """
    hosts = asked.listed.names if asked.listed else ()
    pages: dict[int, list[HttpAnswer]] = {}
    for port, context in _doors(asked):
        for path in asked.plan.http_paths:
            with asked.trying("http", (HttpAnswer,), port):
                seen = await get(asked.line, port, path, tls=context, ipp=port == IPP, hosts=hosts)
                pages.setdefault(port, []).append(seen.facts)
                yield seen
    over_tls = [page for answers in pages.values() for page in answers if page.tls]
    for port, context in _doors(asked):
        answers = pages.get(port, [])
        if not any(page.status is not None for page in answers):
            continue
        for path, learned, head in _further(answers, over_tls, asked.plan.http_paths):
            with asked.trying("http", (HttpAnswer,), port):
                yield await get(
                    asked.line,
                    port,
                    path,
                    tls=context,
                    ipp=port == IPP,
                    learned=learned,
                    head=head,
                    hosts=hosts,
                )


def _doors(asked: ProbeContext) -> Iterator[tuple[int, ssl.SSLContext | None]]:
    """Ports that may be asked for pages, each with the context for TLS where it speaks that."""
    for heard in asked.accepting():
        tls = asked.at(TlsPort, heard.port)
        if not heard.waits:
            continue
        if tls is not None and tls.facts.plain_http:
            asked.line.allow(heard.port, "http")
        if tls is not None and tls.facts.speaks:
            yield heard.port, lenient_context()
        elif asked.line.speaks(heard.port, "http"):
            yield heard.port, None


def _further(
    answers: Sequence[HttpAnswer], over_tls: Sequence[HttpAnswer], listed: Iterable[str]
) -> list[tuple[str, str, bool]]:
    """At most MOST_PATHS paths to ask one port for, each with how it was learned and whether a HEAD is enough.

    Forms of a port's own pages have shown what they are; of others a HEAD tells whether clear text reaches them.
    """
    found: dict[str, tuple[str, bool]] = {}
    for page in answers:
        found |= {path: ("link", False) for path in page.links if path not in found}
    for page in over_tls if answers and not answers[0].tls else ():
        found |= {path: ("tls", False) for path in page.links if path not in found}
        found |= {path: ("tls", True) for path in page.targets if path not in found}
    return [(path, *how) for path, how in found.items() if path not in set(listed)][:MOST_PATHS]


PROBE = Probe(name="http", produces=(HttpAnswer,), ask=_ask)
