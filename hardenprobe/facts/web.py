"""What web and print services can be seen to do, beside what facts.HttpAnswer holds."""

from __future__ import annotations

from dataclasses import dataclass, field

from hardenprobe.model.kinds import facts

_CUT = "the body was cut off, or not read to its end"


@facts("settings-page")
@dataclass(frozen=True, kw_only=True)
class SettingsPageAnswer:
    """The answer to one GET for a page of settings that the baseline names.

    Attributes:
        marker: What only that page holds.
        marker_found: The marker is in the answer.
        password_field: So is a password field.
        location: Location header as sent, device text.
        authenticate: WWW-Authenticate schemes, lower case.
        cut: The body was cut off, or not read to its end.
        fault: Why there is no status.
    """

    tls: bool
    path: str
    marker: str
    status: int | None
    marker_found: bool = False
    password_field: bool = False
    location: str | None = None
    authenticate: tuple[str, ...] = ()
    cut: bool = False
    fault: str | None = None

    @property
    def recognised(self) -> bool:
        """The protocol spoken here is known."""
        return self.status is not None

    @property
    def doubt(self) -> str:
        """Why a pass may not rest on this; "" where it may."""
        return _CUT if self.cut else ""


@facts("control-page")
@dataclass(frozen=True, kw_only=True)
class ControlPageAnswer:
    """The answer to one GET for a path that cannot exist: what a server says whatever it is asked for.

    Attributes:
        path: Random.
        markers: Those of the baseline's settings pages that the response holds.
        password_field: So is a password field.
        fault: Why there is no status.
    """

    tls: bool
    path: str
    status: int | None
    markers: tuple[str, ...] = ()
    password_field: bool = False
    fault: str | None = None

    @property
    def recognised(self) -> bool:
        """The protocol spoken here is known."""
        return self.status is not None


@facts("scan-service")
@dataclass(frozen=True, kw_only=True)
class ScanServiceAnswer:
    """The answer to one GET for the capabilities of a driverless scan service.

    Attributes:
        capabilities: The answer is a capabilities document.
        location: Location header as sent, device text.
        cut: The body was cut off, or not read to its end.
        fault: Why there is no status.
    """

    tls: bool
    path: str
    status: int | None
    capabilities: bool = False
    location: str | None = None
    cut: bool = False
    fault: str | None = None

    @property
    def recognised(self) -> bool:
        """The protocol spoken here is known."""
        return self.status is not None

    @property
    def doubt(self) -> str:
        """Why a pass may not rest on this; "" where it may."""
        return _CUT if self.cut else ""


@dataclass(frozen=True, kw_only=True)
class PrinterUri:
    """One address of a print service, with what the attributes at the same position state of it.

    Attributes:
        uri: Of printer-uri-supported, device text.
        security: Of uri-security-supported: none, tls, ...
        authentication: Of uri-authentication-supported: none, requesting-user-name, basic, ...
    """

    uri: str
    security: str
    authentication: str


@facts("ipp-printer")
@dataclass(frozen=True, kw_only=True)
class IppPrinter:
    """The answer to one Get-Printer-Attributes.

    Attributes:
        assigned: The port is IPP's, or the inventory says so; elsewhere it was only tried whether IPP is spoken.
        http_status: Status code, None where the answer is not HTTP.
        authenticate: WWW-Authenticate schemes, lower case.
        location: Location header as sent, device text.
        status: IPP status-code, None where the answer is not IPP.
        uris: Empty where `unpaired` says why.
        unpaired: Why the three attributes cannot be paired by position.
        operations: Of operations-supported.
        firmware: Of printer-firmware-string-version, device text, as are the others; each of `firmware_names` and
            `firmware_versions` speaks of the version at the same position.
        device_id: Of printer-device-id, the IEEE 1284 text such as "MFG:...;MDL:...;".
        formats: Of document-format-supported.
        scaling: Of print-scaling-supported.
        features: Of ipp-features-supported.
        cut: The body was cut off, or not read to its end.
        fault: Why there is no IPP status.

    Source: RFC 8011 section 5.4; PWG 5100.13 (firmware, printer-uuid, features, print-scaling); PWG 5100.11
    (printer-serial-number); PWG 5107.2 (printer-device-id).
    """

    tls: bool
    path: str
    assigned: bool
    http_status: int | None
    authenticate: tuple[str, ...] = ()
    location: str | None = None
    status: int | None = None
    uris: tuple[PrinterUri, ...] = ()
    unpaired: str | None = None
    operations: tuple[int, ...] = ()
    make_and_model: str | None = None
    serial: str | None = None
    uuid: str | None = None
    firmware: tuple[str, ...] = ()
    device_id: str | None = None
    firmware_names: tuple[str, ...] = ()
    firmware_versions: tuple[str, ...] = ()
    formats: tuple[str, ...] = ()
    scaling: tuple[str, ...] = ()
    features: tuple[str, ...] = ()
    cut: bool = False
    fault: str | None = None

    @property
    def recognised(self) -> bool:
        """The protocol spoken here is known."""
        return self.http_status is not None

    @property
    def doubt(self) -> str:
        """Why a pass may not rest on this; "" where it may."""
        return _CUT if self.cut else ""

    @property
    def served(self) -> bool:
        """The answer has attributes."""
        return self.status is not None and self.status < 0x0100  # RFC 8011 appendix B: successful

    @property
    def firmware_by_name(self) -> tuple[tuple[str, str], ...]:
        """Name and version of each firmware; the name is "" where there is none at the version's position."""
        versions = self.firmware or self.firmware_versions
        # PWG 5100.13: the attributes are parallel.
        names = self.firmware_names if len(self.firmware_names) == len(versions) else ("",) * len(versions)
        return tuple(zip(names, versions, strict=True))


@facts("ipp-service")
@dataclass(frozen=True, kw_only=True)
class IppService:
    """The answer to one request for the attributes of an IPP service other than printing, at its assigned path.

    Attributes:
        service: "fax out" (PWG 5100.15), "scan" (PWG 5100.17) or "system" (PWG 5100.22).
        http_status: Status code, None where the answer is not HTTP.
        status: IPP status-code, None where the answer is not IPP.
        itself: The answer has attributes that such a service alone has.
        schemes: Of destination-uri-schemes-supported (PWG 5100.15).
        destinations: Scheme to how many destinations of destination-uri-ready (PWG 5100.17) have it; where they lead is not
            kept.
        cut: The body was cut off, or not read to its end.
        fault: Why there is no IPP status.
    """

    service: str
    tls: bool
    path: str
    http_status: int | None
    status: int | None = None
    itself: bool = False
    schemes: tuple[str, ...] = ()
    destinations: dict[str, int] = field(default_factory=dict)
    cut: bool = False
    fault: str | None = None

    @property
    def served(self) -> bool:
        """The answer has attributes."""
        return self.status is not None and self.status < 0x0100  # RFC 8011 appendix B: successful

    @property
    def doubt(self) -> str:
        """Why a pass may not rest on this; "" where it may."""
        return _CUT if self.cut else ""


@facts("ipp-jobs")
@dataclass(frozen=True, kw_only=True)
class IppJobs:
    """The answer to one anonymous Get-Jobs with a limit of one; names are counted and never kept.

    Attributes:
        which: Of which-jobs: completed or not-completed.
        http_status: Status code, None where the answer is not HTTP.
        status: IPP status-code, None where the answer is not IPP.
        jobs: Jobs that the answer lists.
        names: How many of them with a job-name.
        users: How many of them with a job-originating-user-name other than "anonymous".
        fault: Why there is no IPP status.
    """

    tls: bool
    path: str
    which: str
    http_status: int | None
    status: int | None = None
    jobs: int = 0
    names: int = 0
    users: int = 0
    fault: str | None = None

    @property
    def recognised(self) -> bool:
        """The protocol spoken here is known."""
        return self.http_status is not None


@facts("ftp-anonymous")
@dataclass(frozen=True, kw_only=True)
class FtpAnonymous:
    """One anonymous sign-in to an FTP server, ended at once (RFC 1635).

    Attributes:
        asked: False where the scope has no contact address to give, so that nothing was said.
        user_code: Reply to USER anonymous.
        pass_code: Reply to PASS with the contact address, None where PASS was not needed or not answered.
        text: The last reply, device text.
    """

    asked: bool
    user_code: int | None = None
    pass_code: int | None = None
    text: str = ""

    @property
    def recognised(self) -> bool:
        """The protocol spoken here is known."""
        return self.user_code is not None


@dataclass(frozen=True, kw_only=True)
class Cookie:
    """A cookie that looks like a session; its value is never kept.

    Attributes:
        name: Device text.
        secure, http_only: The attributes of RFC 6265 section 4.1.2.5 and 4.1.2.6.
    """

    name: str
    secure: bool
    http_only: bool


@facts("credentials-in-clear")
@dataclass(frozen=True, kw_only=True)
class CredentialsInClear:
    """A client was seen to send credentials over plain HTTP, and was not turned away. They are masked as they are read.

    Attributes:
        scheme: Of the Authorization field, lower case (RFC 9110 section 11.6.2).
        path: As HttpAnswer has it.
    """

    scheme: str
    path: str


@facts("http-answer")
@dataclass(frozen=True, kw_only=True)
class HttpAnswer:
    """The answer to one GET or HEAD, redirects not followed, body reduced to what a verdict needs.

    Attributes:
        tls: Asked over TLS.
        method: GET, or HEAD for the target of a form.
        learned: How the path came to be asked: "" by the plan, "link" from a page of this port, "tls" from a page over TLS,
            "traffic" by a client whose traffic was captured.
        status: Status code, None where the answer is not HTTP.
        location: Location header as sent, device text.
        authenticate: WWW-Authenticate schemes, lower case.
        title: Page title, device text.
        form: The page holds a form.
        password_field: The page holds a password field.
        cookies: Those of Set-Cookie that look like a session.
        links: Paths on the device that the page links to or shows in a frame, the most telling first.
        targets: Paths on the device that its forms go to.
        leads_to: Where the page sends a browser by itself: Refresh header, meta refresh or script, device text.
        body_length: Bytes of body that were read.
        body_sha256: Digest of those bytes.
        cut: The body was cut off, or not read to its end.
        fault: Why there is no status ("closed", "silent", "not HTTP: ...").
    """

    tls: bool
    path: str
    status: int | None
    location: str | None = None
    authenticate: tuple[str, ...] = ()
    title: str | None = None
    form: bool = False
    password_field: bool = False
    server: str | None = None
    date: str | None = None
    strict_transport: str | None = None
    cookies: tuple[Cookie, ...] = ()
    body_length: int = 0
    body_sha256: str | None = None
    cut: bool = False
    fault: str | None = None
    method: str = "GET"
    learned: str = ""
    links: tuple[str, ...] = ()
    targets: tuple[str, ...] = ()
    leads_to: str | None = None

    @property
    def recognised(self) -> bool:
        """The protocol spoken here is known."""
        return self.status is not None

    @property
    def doubt(self) -> str:
        """Why a pass may not rest on this; "" where it may."""
        return _CUT if self.cut else ""
