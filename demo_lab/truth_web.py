"""What the web, print, mail, directory and anonymous FTP services of the lab are guilty of, derived from the declarations alone."""

from __future__ import annotations

from collections.abc import Iterator
from urllib.parse import urlsplit

from hardenprobe.demo_lab.declarations import Virtual
from hardenprobe.demo_lab.service_http import Http
from hardenprobe.demo_lab.service_ipp import Ipp
from hardenprobe.demo_lab.service_plain import Ftp, Ldap, Smtp

CLEAR_PORTS = frozenset({80, 8080})
SECURE_PORTS = frozenset({443, 8443})
OPEN = {  # the path that a standard assigns to a service, and the check of the service
    "/ipp/faxout": ("fax out", "fax-out-service-open"),
    "/ipp/scan": ("scan", "ipp-scan-service-open"),
    "/ipp/system": ("system", "ipp-system-service-open"),
}
IPP_PATHS = ("/ipp/print", "/ipp", "/")
SERVES = ("page", "sign-in", "basic", "basic-redirect")  # something to administer with
BY_WAY = {"none": ("none",), "tls": ("tls",), "both": ("none", "tls")}
SCHEMES = {"none": "ipp", "tls": "ipps"}

_Found = tuple[str, str | None, int | None, str | None]


def found(device: Virtual, source: str) -> Iterator[_Found]:
    """Derive the findings of one device as probed from `source`."""
    clear = False
    for service in device.services:
        if device.refusal(service, source) is not None:
            continue
        if isinstance(service, Http) and service.port == 5357 and service.spoken_in == "none":
            yield "web-services-in-clear", "tcp", 5357, None
        if isinstance(service, Http) and service.port in (
            SECURE_PORTS if service.spoken_in == "tls" else CLEAR_PORTS
        ):
            yield from _page(device, service)
            secure = service.spoken_in == "tls"
            clear = clear or (not secure and service.answers in SERVES)
        elif isinstance(service, Ipp) and service.port == 631 and service.path in IPP_PATHS:
            yield from _ipp(service)
        elif isinstance(service, Ftp) and service.port == 21 and service.variant == "anonymous":
            yield "ftp-anonymous", "tcp", 21, None
        elif isinstance(service, Smtp) and {"PLAIN", "LOGIN"} & set(service.mechanisms):
            yield "mail-directory-login-in-clear", "tcp", service.port, "mail"
        elif isinstance(service, Ldap):
            yield "mail-directory-login-in-clear", "tcp", service.port, "directory"
        clear = clear or service.speaks == "telnet"
    # A list that turns us away from HTTPS says nothing against its being there.
    if clear and not any(isinstance(s, Http) and s.spoken_in == "tls" for s in device.services):
        yield "management-encryption-missing", None, None, None


def _to_https(service: Http) -> bool:
    return service.answers == "redirect" or (
        service.answers == "redirect-away" and service.to.startswith("https://")
    )


def _page(device: Virtual, service: Http) -> Iterator[_Found]:
    where = ("tcp", service.port)
    secure = service.spoken_in == "tls"
    if service.answers == "redirect-away" and not (_own(device, service.to) and _to_https(service)):
        yield "http-redirect-leaves-device", *where, None
    if service.answers == "page" or service.settings_open:
        yield "settings-page-open", *where, None
    if service.scan == "open":
        yield "scan-service-open", *where, None
    if service.cookie == "bare":
        yield "http-cookie-flags", *where, None
    if not secure and service.answers == "sign-in":
        yield "login-form-in-clear", *where, None
    if not secure and service.answers in ("basic", "basic-redirect"):
        yield "basic-auth-in-clear", *where, None
    told = service.strict_transport and service.max_age > 0
    if secure and not told and service.answers != "forbidden" and _browsers_heed(device):
        yield "http-strict-transport", *where, None


def _own(device: Virtual, to: str) -> bool:
    tls = device.lab.tls if device.lab else None
    return urlsplit(to).hostname in (
        *device.listed.names,
        *device.listed.addresses,
        *(tls.names if tls else ()),
    )


def _browsers_heed(device: Virtual) -> bool:
    """Whether the certificate is trusted, dates aside, under a name that the inventory holds."""
    tls = device.lab.tls if device.lab else None
    if tls is None or tls.issuer != "lab-ca" or not device.listed.listed:
        return False
    return bool(set(tls.names or device.listed.names) & set(device.listed.names))


def _ipp(service: Ipp) -> Iterator[_Found]:
    where = ("tcp", service.port)
    ways = BY_WAY[service.encryption]
    if "none" in ways:
        yield "cleartext-ipp", *where, None
        yield "cleartext-ipp", *where, "advertised"
    if service.authentication in ("none", "requesting-user-name"):
        for way in ways:
            yield "ipp-no-authentication", *where, f"{SCHEMES[way]} {service.path}"
    if service.authentication == "basic" and "none" in ways:
        yield "ipp-basic-without-tls", *where, None
    if service.jobs == "named":
        yield "ipp-job-disclosure", *where, None
    if service.print_by_reference:
        yield "ipp-print-by-reference", *where, None
    for path, kind in service.services.items():
        if OPEN.get(path, ("", ""))[0] == kind:
            yield OPEN[path][1], *where, None
        if kind == "scan" and any(urlsplit(one).scheme in ("ftp", "http") for one in service.destinations):
            yield "scan-destinations-in-clear", *where, None
