"""What captured traffic tells of real servers, beside the scan that it was captured from, and what their users did meanwhile."""

from __future__ import annotations

import contextlib
import ftplib
import urllib.error
import urllib.request
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from support.captures import capturing

from hardenprobe.baseline import baseline
from hardenprobe.demo_lab.process import BASELINE
from hardenprobe.judging.rules import JudgingRules
from hardenprobe.library import listen_and_judge
from hardenprobe.listening.run import ListenJob
from hardenprobe.model import Review, Word
from hardenprobe.plugins import registry

pytestmark = [pytest.mark.peer, pytest.mark.slow]

CLIENT, SECRET = "127.0.0.40", "canary-pass-k2"
NAMED = {
    "basic-auth-in-clear",
    "cleartext-ftp",
    "cleartext-http-management",
    "cleartext-telnet",
    "snmp-cleartext-version",
    "snmp-default-community-read",
    "tls-certificate-untrusted",
    "tls-deprecated-version",
    "tls-weak-signature",
}


@pytest.fixture(scope="module")
def both(
    vsftpd: Callable[..., str],
    nginx: Callable[..., dict[str, str]],
    telnetd: Callable[..., str],
    snmpd: Callable[..., str],
    s_server: Callable[..., None],
    certificate: Callable[..., Any],
    address: Callable[[], str],
    scan: Callable[..., Review],
    program: Callable[[str, str], str],
    port_offset: int,
    folder: Callable[[str], Path],
) -> tuple[Review, Review, bytes]:
    """The scan, what the traffic told, and the capture."""
    web = nginx(
        basic='location / { auth_basic "settings"; auth_basic_user_file {folder}/passwords; }', plain=""
    )
    tls = address()
    s_server(tls, certificate(tls).file, "-cipher", "DEFAULT:@SECLEVEL=0")
    ftp = vsftpd()
    agent = snmpd(["rocommunity public"], ("-v2c", "-c", "public"))
    servers = {
        "ftp": ftp,
        "basic": web["basic"],
        "plain": web["plain"],
        "telnet": telnetd(23),
        "snmp": agent,
        "tls": tls,
    }
    where = folder("capture")
    with capturing(
        program("tcpdump", "tcpdump"), where / "lo.pcap", " or ".join(f"host {h}" for h in servers.values())
    ):
        scanned = scan(*servers.values())
        with (
            contextlib.suppress(ftplib.all_errors),
            ftplib.FTP(timeout=5, source_address=(CLIENT, 0)) as session,
        ):
            session.connect(ftp, 21 + port_offset)
            session.login("clerk", SECRET)
        passwords = urllib.request.HTTPPasswordMgrWithDefaultRealm()
        passwords.add_password(None, f"http://{web['basic']}:{80 + port_offset}/", "clerk", "paper")
        opener = urllib.request.build_opener(urllib.request.HTTPBasicAuthHandler(passwords))
        with opener.open(f"http://{web['basic']}:{80 + port_offset}/", timeout=5) as page:
            page.read()
    lines = (f"RP-{name},{host},printer" for name, host in servers.items())
    (where / "inventory.csv").write_text(
        "\n".join(("asset_tag,addresses,kind", *lines, "")), encoding="utf-8"
    )
    checks = registry.load(plugins=False)
    job = ListenJob.prepare(
        [where / "lo.pcap"],
        "loopback",
        where / "inventory.csv",
        baseline=str(BASELINE),
        system_anchors=False,
        registry=checks,
        port_offset=port_offset,
    )
    rules = JudgingRules(baseline=baseline.load(str(BASELINE), checks), registry=checks)
    return scanned, listen_and_judge(job, rules)[0], (where / "lo.pcap").read_bytes()


def found(review: Review, *words: Word) -> set[tuple[str, str, int, str | None]]:
    return {
        (r.check, r.endpoint.address, r.endpoint.port, r.subject)
        for r in review.results
        if r.endpoint and r.result in words
    }


def test_verdicts_on_traffic_equal_those_of_the_scan_where_both_speak(both: Any) -> None:
    scanned, heard, _ = both

    assert found(heard, Word.FAIL) <= found(scanned, Word.FAIL, Word.INFORMATIONAL)
    wanted = {one for one in found(scanned, Word.FAIL) if one[0] in NAMED}
    assert wanted - found(heard, Word.FAIL) == set()
    assert {one[0] for one in wanted} >= NAMED - {"tls-weak-signature"}
    assert found(heard, Word.PASS) == set()


def test_whoever_signs_in_meanwhile_is_not_named(both: Any) -> None:
    _, heard, capture = both
    kept = repr((heard.observations, heard.results, heard.notices, heard.coverage))

    assert b"clerk" in capture and SECRET.encode() in capture
    for secret in ("clerk", SECRET, "paper", CLIENT):
        assert secret not in kept and secret.encode().hex() not in kept
    sent = [o.facts for some in heard.observations.values() for o in some if o.kind == "credentials-in-clear"]
    assert [one.scheme for one in sent] == ["basic"]
