"""A whole review of an invented fleet, to show, store and compare."""

from __future__ import annotations

import hashlib
from typing import Any

from hardenprobe.facts import FtpSession, HttpAnswer, SnmpAnswer, TcpPort, TelnetGreeting, readable
from hardenprobe.model import (
    Accepted,
    Address,
    Advice,
    Answered,
    CheckNote,
    Cost,
    Coverage,
    Device,
    Endpoint,
    ExceptionNote,
    Exchange,
    Head,
    Identity,
    Lapsed,
    Missed,
    Named,
    Observation,
    Reach,
    Reason,
    Remedy,
    Result,
    Review,
    RuleSet,
    Said,
    Service,
    Severity,
    SocketRecord,
    State,
    Unlisted,
    Vantage,
    Word,
)
from hardenprobe.model.transcript import observation
from hardenprobe.standards.ccss import severity
from hardenprobe.testing.builders import ASKED, HOSTILE

_PLACES = ("Ground floor, east", "First floor, post room", "Archive", None)
_KINDS = ("multifunction", "printer", "scanner", "label-printer")


def _hash(*parts: object) -> str:
    return hashlib.sha256("\0".join(map(str, parts)).encode("utf-8", "surrogatepass")).hexdigest()


def _remedy(id: str, title: str, *steps: str, after: tuple[str, ...] = ()) -> Remedy:
    return Remedy(
        id=id,
        title=title,
        steps=steps,
        confirm="Run the recheck; the finding is gone, and a test page still prints.",
        needs_first="HTTPS administration that works from the administrators' network.",
        stops_working="Depends on the model: old scripts and monitoring that still use the protocol.",
        ask="The administrators of the print servers and the monitoring.",
        undo="Switch the protocol on again at the device's panel.",
        lock_out="Where HTTPS does not work yet, only the panel is left.",
        after=after,
    )


_REMEDIES = (
    _remedy("use-https", "Administer over HTTPS only", "Prove HTTPS first.", "Then redirect plain HTTP to it."),
    _remedy("snmp-v3", "Replace SNMP v1 and v2c by SNMPv3", "Set up an authPriv user.", "Move every collector.",
            "Switch v1 and v2c off.", after=("use-https",)),
    _remedy("telnet-off", "Switch telnet off", "Switch the telnet service off.", after=("use-https",)),
    _remedy("ftp-off", "Switch FTP off or demand TLS", "Ask who prints by FTP.", "Switch FTP off."),
)  # fmt: skip

_CHECKS = tuple(
    CheckNote(id=id, title=title, version="1", origin="hardenprobe", why=why, references=references)
    for id, title, why, references in (
        ("cleartext-ftp", "FTP takes passwords in clear", "Files and passwords can be read on the way.",
         ("RFC 959", "RFC 4217")),
        ("cleartext-http-management", "Settings are served without encryption",
         "Anyone on the same network can read the administrator's password.", ("RFC 9110", "https://example.org/")),
        ("cleartext-telnet", "A port speaks telnet",
         "Anyone on the same network can read the administrator's password.", ("RFC 854",)),
        ("discovery-mdns", "The device answers multicast DNS queries", "It tells strangers what it is.",
         ("RFC 6762",)),
        ("snmp-default-community-read", "A published default community reads the device",
         "Anyone can read settings and, on many models, secrets.", ("RFC 3584",)),
        ("tls-heartbleed", "TLS heartbeats read beyond the buffer", "Memory leaks to the asker.",
         ("CVE-2014-0160",)),
    )
)  # fmt: skip


def sample_review(devices: int = 3, hostile: bool = False) -> Review:
    """Build a review of an invented fleet: findings of each severity, exceptions, and results that are not determined.

    The same arguments always build the same review. Its scores are those of the vectors beside them.

    Args:
        hostile: Whatever a device or an inventory wrote is one of `HOSTILE`.
    """
    fleet = tuple(_device(n, hostile) for n in range(devices))
    results: list[Result] = []
    seen: dict[str, tuple[Observation[Any], ...]] = {}
    for n, device in enumerate(fleet):
        seen[device.id] = _observations(n, device, hostile)
        results += _results(n, device, seen[device.id], hostile)
    found = tuple(results)
    return Review(
        head=Head(
            id="20260302T210000-7c1e",
            started="2026-03-02T21:00:00Z",
            finished="2026-03-02T21:07:42Z",
            operator=HOSTILE[0] if hostile else "Imke Sandvoort, network operations",
            scope="Harbour office printers",
            reach=Reach.ASK,
            plan_hash=_hash("plan", devices),
            previous="20260202T210000-19ab",
            previous_digest=_hash("previous"),
            port_offset=20000 if hostile else 0,
            selected=tuple(note.id for note in _CHECKS),
            versions={"hardenprobe": "0.1.0", "python": "3.11.7"},
            cost=Cost(connections=41 * devices, datagrams=9 * devices, bytes_sent=5120 * devices,
                      bytes_received=38400 * devices, seconds=12.5 * devices),
        ),
        coverage=Coverage(
            planned=devices + 4,
            visited=devices + 3,
            answered=devices,
            listed_not_seen=(Missed(asset_tag="HO-0990", addresses=("127.0.9.90",), why="silent"),),
            seen_not_listed=(Unlisted(address=fleet[-1].addresses[0].address, device=fleet[-1].id),) if fleet else (),
            excluded=("127.0.9.1",),
            unfinished=("127.0.9.7",),
            tcp_ports=(21, 22, 23, 80, 443, 515, 631, *range(9100, 9108)),
            udp_ports=(161, 5353),
        ),
        vantages=(
            Vantage(name="office", source="127.0.0.1", on_link=True, translated=False),
            Vantage(name="guest", source=None, on_link=False, translated=None),
        ),
        devices=fleet,
        results=found,
        observations=seen,
        checks=_CHECKS,
        what_first=_what_first(found),
        notices=(HOSTILE[1],) if hostile else ("The clock of this machine was not proven.",),
        exceptions=(_exception("E-2", "expired on 2026-02-28", hostile), _exception("E-4", "runs until 2026-06-30", hostile)),
        statements=_statements(fleet, hostile),
    )  # fmt: skip


def _exception(id: str, state: str, hostile: bool) -> ExceptionNote:
    said = HOSTILE[0] if hostile else "The tide table script prints by telnet until it is replaced."
    return ExceptionNote(id=id, about="cleartext-telnet on tag public-area", reason=said,
                         compensating="A filter admits the script's host alone.", requested_by="Imke Sandvoort",
                         approved_by="Morag Kerr", starts="2026-02-01", until=state[-10:], state=state)  # fmt: skip


def _statements(fleet: tuple[Device, ...], hostile: bool) -> tuple[Answered, ...]:
    asked: dict[str, Any] = {
        "question": "Is what the device stores encrypted?",
        "controls": ("SC-28",),
        "required": True,
    }
    said = HOSTILE[0] if hostile else "The storage module was seen in the parts list."
    ids = tuple(device.id for device in fleet)
    answer = Answered(control="stored-data-encrypted", state="answered", devices=ids[:1], statement="S-1", answer="yes",
                      words=said, by="Imke Sandvoort", made="2026-02-01", until="2027-02-01", method="examine",
                      file=HOSTILE[3] if hostile else "parts.pdf", file_sha256=_hash("parts"), **asked)  # fmt: skip
    nobody = Answered(control="stored-data-encrypted", state="unanswered", devices=ids[1:], **asked)
    return tuple(one for one in (answer, nobody) if one.devices)


def _device(n: int, hostile: bool) -> Device:
    address = f"127.0.{n // 200}.{n % 200 + 10}"
    addresses = [Address(address=address, family="ipv4")]
    if n % 3 == 1:
        addresses.append(Address(address=f"fd00::{n + 16:x}", family="ipv6", zone=None))
    text = HOSTILE[n % len(HOSTILE)]
    return Device(
        id=_hash("device", n)[:24],
        addresses=tuple(addresses),
        names=(text,) if hostile else (f"ho-{n + 101:04d}.print.example.org",),
        kind=_KINDS[n % 4],
        make_model=text if hostile else "Quillmark 40 series, firmware 3.11",
        asset_tag=None if n % 5 == 4 else text if hostile else f"HO-{n + 101:04d}",
        place=text if hostile else _PLACES[n % 4],
        owner=text if hostile else "Facilities",
        criticality="high" if n % 7 == 0 else None,
        tags=("public-area",) if n % 2 else (),
        baseline=Named(name="office-default", hash=_hash("baseline")),
        identity=(
            Identity(
                kind="serial", value=text if hostile else f"QM40-{n:05d}", source="snmp", strength="strong"
            ),
            Identity(kind="address", value=address, source="scan", strength="weak"),
        ),
        services=(
            Service(address=address, transport="tcp", port=23, state=State.ACCEPTING, protocol="telnet"),
            Service(address=address, transport="tcp", port=80, state=State.ACCEPTING, protocol="http"),
            Service(address=address, transport="tcp", port=515, state=State.REFUSING),
            Service(address=address, transport="udp", port=161, state=State.SILENT),
        ),
        cost=Cost(connections=41, datagrams=9, bytes_sent=5120, bytes_received=38400, seconds=12.5),
    )


def _at(device: Device, port: int, protocol: str, path: str | None = None) -> Endpoint:
    udp = protocol in ("snmp", "mdns")
    return Endpoint(address=device.addresses[0].address, transport="udp" if udp else "tcp", port=port,
                    protocol=protocol, path=path)  # fmt: skip


def _observations(n: int, device: Device, hostile: bool) -> tuple[Observation[Any], ...]:
    text = HOSTILE[n % len(HOSTILE)] if hostile else "Quillmark 40"
    raw = text.encode()
    greeting = b"\xff\xfb\x01\xff\xfb\x03\r\n" + raw + b"\r\nlogin: "
    sent = bytes.fromhex("302602010104067075626c6963a019020400000001020100020100300b300906052b060102010500")
    page = b"HTTP/1.1 200 OK\r\nServer: " + raw.replace(b"\r\n", b" ") + b"\r\n\r\n"
    made = (
        (23, "telnet", TelnetGreeting(negotiates=True, text=readable(greeting[6:]), prompt="login:"),
         (("received", greeting),)),
        (21, "ftp", FtpSession(greeting_code=220, greeting_text=text, user_code=331, user_text=text, asked=True),
         (("received", b"220 " + raw + b"\r\n"), ("sent", b"USER 4f1c\r\n"), ("received", b"331 go on\r\n"))),
        (80, "http", HttpAnswer(tls=False, path="/", status=200, title=text, form=True, password_field=True),
         (("sent", b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"), ("received", page))),
        (161, "snmp", SnmpAnswer(version="2c", label="public", origin="default", state=State.ACCEPTING,
                                 error_status=0, values={"1.3.6.1.2.1.1.1.0": text}),
         (("sent", sent), ("received", b"\x30\x82" + raw))),
        (515, "lpd", TcpPort(state=State.REFUSING), ()),
    )  # fmt: skip
    return tuple(
        observation(
            facts,
            _at(device, port, protocol, "/" if port == 80 else None),
            "office",
            ASKED.format(at),
            tuple(
                Exchange(at=0.002 * i, direction=direction, hex=data.hex(), length=len(data))  # type: ignore[arg-type]
                for i, (direction, data) in enumerate(transcript)
            ),
            () if transcript else (_refused(device, port),),
        )
        for at, (port, protocol, facts, transcript) in enumerate(made)
    )


def _refused(device: Device, port: int) -> SocketRecord:
    return SocketRecord(
        at=0.0,
        transport="tcp",
        local="192.0.2.10",
        local_port=40000 + port,
        remote=device.addresses[0].address,
        remote_port=port,
        outcome="ECONNREFUSED",
        seconds=0.0021,
    )


def _results(n: int, device: Device, seen: tuple[Observation[Any], ...], hostile: bool) -> tuple[Result, ...]:
    text = HOSTILE[n % len(HOSTILE)] if hostile else "login:"
    telnet, ftp, http, snmp, _ = seen

    def result(
        check: str,
        word: Word,
        observed: str,
        expected: str,
        proof: Observation[Any] | None = None,
        *,
        subject: str | None = None,
        **more: Any,
    ) -> Result:
        return Result(
            finding=_hash("finding", device.id, check, subject), device=device.id, check=check, check_version="1",
            origin="hardenprobe", endpoint=proof.endpoint if proof else None, subject=subject, vantage="office",
            result=word, observed=Said(text=observed), expected=Said(text=expected),
            observations=(proof.id,) if proof else (), controls=("SP 800-53 SC-8", "SP 800-53 CM-7"), **more,
        )  # fmt: skip

    def fail(score: float, severity: Severity, vector: str, remedy: str) -> dict[str, Any]:
        return {"score": score, "severity": severity, "vector": vector, "remedy": remedy}

    ftp_fails = fail(4.3, Severity.MEDIUM, "AV:N/AC:M/Au:N/C:P/I:N/A:N/PL:ND/EM:A", "ftp-off")
    all_results = (
        result("cleartext-telnet", Word.FAIL, f"TCP 23 prompts {text}", "no port speaks telnet", telnet,
               **fail(7.8, Severity.HIGH, "AV:N/AC:L/Au:N/C:C/I:N/A:N/PL:ND/EM:A", "telnet-off"),
               exception=Accepted(id="E-4", until="2026-06-30") if n % 6 == 4 else None,
               lapsed=Lapsed(id="E-2", why="expired on 2026-02-28") if n % 6 == 1 else None)
        if n % 3 != 2 else
        result("cleartext-telnet", Word.PASS, "TCP 23 refuses", "no port speaks telnet", telnet),
        result("snmp-default-community-read", Word.FAIL, "public is answered", "no default community is answered",
               snmp, subject="public",
               **fail(5.0, Severity.MEDIUM, "AV:N/AC:L/Au:N/C:P/I:N/A:N/PL:ND/EM:A", "snmp-v3"))
        if n % 2 == 0 else
        result("snmp-default-community-read", Word.UNKNOWN, "nothing came back", "no default community is answered",
               snmp, subject="public", reason=Reason.SILENT),
        result("cleartext-ftp", Word.FAIL, f"331 in clear: {text}", "USER is refused in clear", ftp, **ftp_fails)
        if n % 4 == 0 else
        result("cleartext-ftp", Word.PASS, "silent, from here", "USER is refused in clear", ftp,
               reason=Reason.DROPPED),
        result("cleartext-http-management", Word.FAIL, "a sign-in form over plain HTTP", "a redirect to HTTPS", http,
               **fail(2.6, Severity.LOW, "AV:N/AC:H/Au:N/C:P/I:N/A:N/PL:ND/EM:A", "use-https"),
               rule_set=RuleSet(name="office web", date="2026-01-15"))
        if n % 5 else
        result("cleartext-http-management", Word.ERROR, "the probe failed", "a redirect to HTTPS",
               reason=Reason.CRASHED),
        result("discovery-mdns", Word.UNKNOWN, "not on this link", "no answer", reason=Reason.OFF_LINK)
        if n % 3 else
        result("discovery-mdns", Word.INFORMATIONAL, "it answers, and the baseline allows it", "no answer"),
        result("tls-heartbleed", Word.NOTCHECKED, "not asked", "the length is checked", reason=Reason.REACH)
        if n % 4 else
        result("tls-heartbleed", Word.NOTAPPLICABLE, "no port speaks TLS", "the length is checked"),
    )  # fmt: skip
    return all_results


def _what_first(results: tuple[Result, ...]) -> tuple[Advice, ...]:
    """The remedies in the fixed order of `_REMEDIES`: it is the order of work that the invented fleet needs."""
    advice: list[Advice] = []
    for remedy in _REMEDIES:
        mends = [r for r in results if r.stands and r.remedy == remedy.id]
        if mends:
            advice.append(
                Advice(
                    rank=len(advice) + 1,
                    remedy=remedy,
                    devices=tuple(dict.fromkeys(r.device for r in mends)),
                    findings=tuple(r.finding for r in mends),
                    risk_removed=round(sum(r.local_score for r in mends), 1),
                    worst=severity(max(r.score or 0.0 for r in mends)),
                    waits_for=tuple(one.remedy.id for one in advice if one.remedy.id in remedy.after),
                )
            )
    return tuple(advice)
