"""The settings page of a device, over HTTP and over HTTPS."""

from __future__ import annotations

from dataclasses import dataclass
from html import escape
from typing import Literal

from hardenprobe.demo_lab import web
from hardenprobe.demo_lab.service import Encryption, Service, Talk

HTTPS = 443  # IANA

Answers = Literal["page", "sign-in", "basic", "redirect", "redirect-away", "meta-refresh", "forbidden"]


@dataclass(frozen=True, kw_only=True)
class Http(Service, speaks="http"):
    """A web server whose every path answers alike.

    Attributes:
        answers: page (200, no sign-in), sign-in (200, a form with a password field), basic (401), redirect (301 to
            https on the device), redirect-away (302 to `to`), meta-refresh (200, and the page sends the browser to
            https), forbidden (403).
        to: Where `redirect-away` leads.
        strict_transport: Send Strict-Transport-Security (RFC 6797).
    """

    says_forbidden = True

    port: int = 80
    answers: Answers = "page"
    to: str = "https://console.portal.example/"
    strict_transport: bool = False

    async def serve(self, talk: Talk) -> None:
        async for asked, connection in web.requests(talk):
            reply = self._reply(talk, asked) if talk.admitted else FORBIDDEN
            await web.send(talk, connection, reply, method=asked.method)

    def _reply(self, talk: Talk, asked: web.Asked) -> web.Reply:
        model = escape(talk.host.device.lab.model if talk.host.device.lab else "")
        secure = f"https://{talk.host.authority(asked.headers.get('host'), HTTPS, HTTPS)}"
        headers = {"Strict-Transport-Security": "max-age=31536000"} if self.strict_transport else {}
        match self.answers:
            case "forbidden":
                return FORBIDDEN
            case "redirect":
                return web.Reply(status=301, headers={"Location": secure + asked.path})
            case "redirect-away":
                return web.Reply(status=302, headers={"Location": self.to})
            case "basic":
                realm = {"WWW-Authenticate": 'Basic realm="Device settings"'}
                return web.Reply(
                    status=401, body=_page("Sign in", "<p>Sign in.</p>"), headers=realm | headers
                )
            case "meta-refresh":
                to = f'<meta http-equiv="refresh" content="0; url={escape(secure)}/">'
                return web.Reply(status=200, body=_page(model, "<p>One moment.</p>", to))
            case "sign-in":
                form = (
                    '<form method="post" action="/sign-in"><label>Administrator password '
                    '<input type="password" name="secret"></label><button>Sign in</button></form>'
                )
                return web.Reply(status=200, body=_page(f"{model}: sign in", form), headers=headers)
            case "page":
                tables = (
                    "<h1>Settings</h1><p>Ready.</p><ul><li>Network<li>Paper<li>Address book</ul>"
                    '<form method="post" action="/save"><input type="text" name="location">'
                    "<button>Save</button></form>"
                )
                return web.Reply(status=200, body=_page(model, tables), headers=headers)


@dataclass(frozen=True, kw_only=True)
class Https(Http, speaks="https"):
    """The same under TLS."""

    port: int = HTTPS
    answers: Answers = "sign-in"

    @property
    def spoken_in(self) -> Encryption:
        return "tls"


def _page(title: str, body: str, head: str = "") -> bytes:
    return (
        f"<!doctype html><html><head><title>{title}</title>{head}</head><body>{body}</body></html>".encode()
    )


FORBIDDEN = web.Reply(status=403, body=_page("Forbidden", "<p>Not from your address.</p>"))
