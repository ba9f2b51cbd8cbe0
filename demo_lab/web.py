"""One HTTP/1.1 exchange at a time over a connection, by h11: what the pages and the print service share."""

from __future__ import annotations

from collections.abc import AsyncIterator, Mapping
from dataclasses import dataclass, field
from email.utils import format_datetime
from http import HTTPStatus

import h11

from hardenprobe.demo_lab.service import Talk

BODY_LIMIT = 65536  # bytes; a request with more is answered with 413
REQUESTS = 100  # on one connection


@dataclass(frozen=True, kw_only=True)
class Asked:
    """A request as it came in. Header names are lower case; the last of a repeated one counts."""

    method: str
    path: str
    headers: Mapping[str, str]
    body: bytes


@dataclass(frozen=True, kw_only=True)
class Reply:
    """What to answer."""

    status: int
    body: bytes = b""
    kind: str = "text/html; charset=utf-8"
    headers: Mapping[str, str] = field(default_factory=dict)


async def requests(talk: Talk) -> AsyncIterator[tuple[Asked, h11.Connection]]:
    """Read requests until the client leaves or breaks the protocol."""
    connection = h11.Connection(h11.SERVER, max_incomplete_event_size=16384)
    for _ in range(REQUESTS):
        try:
            asked = await _request(talk, connection)
        except h11.RemoteProtocolError as exc:
            if connection.our_state in (h11.IDLE, h11.SEND_RESPONSE):
                await send(talk, connection, Reply(status=exc.error_status_hint or 400), method="GET")
            return
        if asked is None:
            return
        yield asked, connection
        if connection.our_state is not h11.DONE or connection.their_state is not h11.DONE:
            return
        connection.start_next_cycle()


async def _request(talk: Talk, connection: h11.Connection) -> Asked | None:
    head: h11.Request | None = None
    body = b""
    while True:
        event = connection.next_event()
        if event is h11.NEED_DATA:
            if connection.they_are_waiting_for_100_continue:
                await talk.say(connection.send(h11.InformationalResponse(status_code=100, headers=[])) or b"")
            data = await talk.some()
            if not data and head is None:
                return None
            connection.receive_data(data)
        elif isinstance(event, h11.Request):
            head = event
        elif isinstance(event, h11.Data):
            body += event.data
            if len(body) > BODY_LIMIT:
                raise h11.RemoteProtocolError("body too large", error_status_hint=413)
        elif isinstance(event, h11.EndOfMessage) and head is not None:
            return Asked(
                method=head.method.decode("ascii"),
                path=head.target.decode("ascii").partition("?")[0],
                headers={name.decode("ascii"): value.decode("latin-1") for name, value in head.headers},
                body=body,
            )
        else:
            return None


async def send(talk: Talk, connection: h11.Connection, reply: Reply, *, method: str) -> None:
    """Answer one request; a HEAD gets the headers alone."""
    headers = {
        "Date": format_datetime(talk.host.now(), usegmt=True),
        "Server": "embedded",
        "Content-Type": reply.kind,
        "Content-Length": str(len(reply.body)),
        **reply.headers,
    }
    out = (
        connection.send(
            h11.Response(
                status_code=reply.status,
                reason=HTTPStatus(reply.status).phrase,
                headers=list(headers.items()),
            )
        )
        or b""
    )
    if method != "HEAD":
        out += connection.send(h11.Data(data=reply.body)) or b""
    out += connection.send(h11.EndOfMessage()) or b""
    await talk.say(out)
