"""The settings page of a device, over HTTP and over HTTPS."""

from __future__ import annotations

from dataclasses import dataclass
from html import escape
from typing import Literal

from hardenprobe.demo_lab import web
from hardenprobe.demo_lab.service import Encryption, Service, Talk

HTTPS = 443  # IANA

Answers = Literal[
    "page", "sign-in", "basic", "basic-redirect", "redirect", "redirect-away", "meta-refresh", "forbidden"
]
SETTINGS = "/settings"


@dataclass(frozen=True, kw_only=True)
class Http(Service, speaks="http"):
    """A web server whose every path answers alike, but that one with open pages has two of them.

    Attributes:
        answers: page (200, no sign-in), sign-in (200, a form with a password field), basic (401), basic-redirect (401
            that names https on the device as well), redirect (301 to https on the device), redirect-away (302 to `to`), meta-refresh (200, and the page sends the browser to
            https), forbidden (403).
        to: Where `redirect-away` leads.
        strict_transport: Send Strict-Transport-Security (RFC 6797), with a max-age in seconds.
        settings_open: The settings page opens by its own address, whatever the first page does.
        scan: A scan service that tells its capabilities to anyone, or only after a sign-in, below `scan_root`.
        cookie: Sent with the first page: a session without flags, one with them, or the chosen language.
    """

    says_forbidden = True

    port: int = 80
    answers: Answers = "page"
    to: str = "https://console.portal.example/"
    strict_transport: bool = False
    max_age: int = 31536000
    settings_open: bool = False
    scan: Literal["off", "open", "guarded"] = "off"
    scan_root: str = "/eSCL"
    cookie: Literal["none", "bare", "flagged", "language"] = "none"

    async def serve(self, talk: Talk) -> None:
        async for asked, connection in web.requests(talk):
            reply = self._reply(talk, asked) if talk.admitted else FORBIDDEN
            await web.send(talk, connection, reply, method=asked.method)

    def _reply(self, talk: Talk, asked: web.Asked) -> web.Reply:
        model = escape(talk.host.device.lab.model if talk.host.device.lab else "")
        secure = f"https://{talk.host.authority(asked.headers.get('host'), HTTPS, HTTPS)}"
        headers = {"Strict-Transport-Security": f"max-age={self.max_age}"} if self.strict_transport else {}
        if self.cookie != "none":
            headers["Set-Cookie"] = COOKIES[self.cookie]
        if asked.path == f"{self.scan_root}/ScannerCapabilities" and self.scan != "off":
            return _scan_service(self.scan == "open", model)
        if asked.path == SETTINGS and self.settings_open:
            return web.Reply(status=200, body=_page(model, TABLES), headers=headers)
        match self.answers:
            case "forbidden":
                return FORBIDDEN
            case "redirect":
                return web.Reply(status=301, headers={"Location": secure + asked.path})
            case "redirect-away":
                return web.Reply(status=302, headers={"Location": self.to})
            case "basic" | "basic-redirect":
                realm = {"WWW-Authenticate": 'Basic realm="Device settings"'}
                if self.answers == "basic-redirect":
                    realm["Location"] = secure + "/"
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
            case "page" if asked.path not in ("/", SETTINGS):
                return web.Reply(status=404, body=_page("Not found", "<p>Not here.</p>"))
            case "page":
                return web.Reply(status=200, body=_page(model, TABLES), headers=headers)


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


def _scan_service(opens: bool, model: str) -> web.Reply:
    if not opens:
        return web.Reply(status=401, headers={"WWW-Authenticate": 'Digest realm="Scan", nonce="b7a1"'})
    body = (
        '<?xml version="1.0" encoding="UTF-8"?><scan:ScannerCapabilities xmlns:scan="urn:lab.example:scan">'
        f"<scan:MakeAndModel>{model}</scan:MakeAndModel></scan:ScannerCapabilities>"
    )
    return web.Reply(status=200, kind="text/xml", body=body.encode())


TABLES = (
    "<h1>Settings</h1><p>Ready.</p><ul><li>Network<li>Paper<li>Address book</ul>"
    '<form method="post" action="/save"><input type="text" name="location">'
    "<button>Save</button></form>"
)
COOKIES = {
    "bare": "SESSIONID=6f1c0a7e9b2d4435; Path=/",
    "flagged": "SESSIONID=6f1c0a7e9b2d4435; Path=/; Secure; HttpOnly; SameSite=Strict",
    "language": "lang=en; Path=/; Max-Age=31536000",
}
FORBIDDEN = web.Reply(status=403, body=_page("Forbidden", "<p>Not from your address.</p>"))
