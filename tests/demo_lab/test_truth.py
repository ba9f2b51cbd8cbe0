"""demo_lab.truth: what is derived, against inventories whose answer is plain."""

from __future__ import annotations

import ssl

import pytest

from hardenprobe.demo_lab import INVENTORY, declarations
from hardenprobe.demo_lab.truth import Guilt, expected_findings
from hardenprobe.plugins import registry

APPROVED = ["127.77.1.0/24", "127.77.2.0/28"]
# Asked at reach strain or alter, or of more vantage points or families than loopback has: labs of their own hold these.
ELSEWHERE = {
    "allow-list-ipv6-bypass", "channel-contradiction", "segment-reach", "snmp-amplification",
    "snmp-default-community-write", "snmp-known-community-write", "snmp-v3-below-authpriv", "snmp-v3-weak-algorithms",
    "tls-early-ccs", "tls-heartbleed", "tls-rsa-padding-oracle",
}  # fmt: skip
CHECKS = set(registry.load(plugins=False).checks) - ELSEWHERE
NO_TLS = "management-encryption-missing - - -"
CLEAR_IPP = {"cleartext-ipp tcp 631 -", "cleartext-ipp tcp 631 advertised"}


@pytest.fixture
def found(write_inventory):
    """Findings of one device that is declared by the given lines."""

    def derive(lab, *, extra="", source="127.0.0.1", approved=APPROVED):
        path = write_inventory(
            f'  - asset_tag: "T"\n    addresses: ["127.77.200.1"]\n    {extra}\n    lab: {lab}\n'
        )
        return {
            f"{g.check} {g.transport or '-'} {g.port or '-'} {g.subject or '-'}"
            for g in expected_findings(path, source, approved)
        }

    return derive


def services(*given, rest=""):
    return f'{{model: "M", services: [{", ".join(given)}]{rest}}}'


@pytest.mark.parametrize(
    ("given", "expected"),
    [
        (
            '{speaks: "telnet", port: 2323}',
            {"cleartext-telnet tcp 2323 -", NO_TLS},
        ),
        ('{speaks: "http", port: 23}', {"unexpected-service tcp 23 -"}),
        ('{speaks: "ftp"}', {"cleartext-ftp tcp 21 -"}),
        (
            '{speaks: "http", answers: "page"}',
            {"cleartext-http-management tcp 80 -", "settings-page-open tcp 80 -", NO_TLS},
        ),
        ('{speaks: "http", answers: "meta-refresh"}', set()),
        (
            '{speaks: "http", answers: "basic-redirect"}',
            {"cleartext-http-management tcp 80 -", "basic-auth-in-clear tcp 80 -", NO_TLS},
        ),
        ('{speaks: "http", answers: "redirect"}', set()),
        ('{speaks: "http", answers: "forbidden"}', set()),
        (
            '{speaks: "http", answers: "redirect-away", to: "https://x.example/"}',
            {"http-redirect-leaves-device tcp 80 -"},
        ),
        ('{speaks: "http", answers: "redirect-away", to: "https://127.77.200.1/"}', set()),
        (
            '{speaks: "http", answers: "redirect-away", to: "https://127.77.200.1@x.example/"}',
            {"http-redirect-leaves-device tcp 80 -"},
        ),
        (
            '{speaks: "http", answers: "redirect-away", to: "http://x.example/"}',
            {"cleartext-http-management tcp 80 -", "http-redirect-leaves-device tcp 80 -"},
        ),
        (
            '{speaks: "raw-print", port: 9107}',
            {"cleartext-print-raw tcp 9107 -"},
        ),
        ('{speaks: "lpd"}', {"cleartext-print-lpd tcp 515 -"}),
        ('{speaks: "mdns"}', {"discovery-mdns udp 5353 -"}),
        ('{speaks: "reflector", port: 5353}', set()),
        ('{speaks: "ntp"}', set()),
        ('{speaks: "ntp", private: true}', {"ntp-control-reply udp 123 -"}),
        ('{speaks: "smb", version1: "refuses"}', {"unexpected-service tcp 445 -"}),
        (
            '{speaks: "smb", version1: "agrees", signing: "enabled"}',
            {
                "smb1-dialect tcp 445 -",
                "smb-signing-not-required tcp 445 version 1",
                "smb-signing-not-required tcp 445 version 2 or 3",
            },
        ),
        (
            '{speaks: "remote-screen", version: "3.3", types: [2, 1]}',
            {"remote-screen-in-clear tcp 5900 -"},
        ),
        ('{speaks: "ftp", port: 513}', {"unexpected-service tcp 513 -"}),
        (
            '{speaks: "silent", port: 513}',
            {"cleartext-remote-shell tcp 513 -"},
        ),
        ('{speaks: "ipp"}', CLEAR_IPP | {"ipp-no-authentication tcp 631 ipp /ipp/print"}),
        (
            '{speaks: "ipp", authentication: "basic", jobs: "private"}',
            CLEAR_IPP | {"ipp-basic-without-tls tcp 631 -"},
        ),
        ('{speaks: "ipp", path: "/queues/one"}', set()),
        (
            '{speaks: "ipp", authentication: "digest", jobs: "named", print_by_reference: true}',
            CLEAR_IPP | {"ipp-job-disclosure tcp 631 -", "ipp-print-by-reference tcp 631 -"},
        ),
        (
            '{speaks: "ftp", variant: "anonymous"}',
            {"cleartext-ftp tcp 21 -", "ftp-anonymous tcp 21 -"},
        ),
        ('{speaks: "snmp", versions: ["3"]}', set()),
        ('{speaks: "snmp", versions: ["1"], communities: ["internal"]}', set()),
        (
            '{speaks: "snmp", versions: ["1", "3"], communities: ["private"]}',
            {
                "snmp-cleartext-version udp 161 SNMPv1",
                'snmp-default-community-read udp 161 community "private"',
            },
        ),
        (
            '{speaks: "snmp", versions: ["2c"], any_community: true}',
            {
                "snmp-cleartext-version udp 161 SNMPv2c",
                "snmp-default-community-read udp 161 answers any community",
                "snmp-v3-missing udp 161 -",
            },
        ),
    ],
)
def test_each_service_is_guilty_of_what_it_does(found, given, expected):
    assert found(services(given)) == expected


HTTPS = '{speaks: "https"}'


@pytest.mark.parametrize(
    ("tls", "expected"),
    [
        ("{}", set()),
        ('{versions: ["1.3"]}', set()),
        (
            '{versions: ["1.0", "1.1"]}',
            {
                "tls-deprecated-version tcp 443 TLS 1.0",
                "tls-deprecated-version tcp 443 TLS 1.1",
                "tls-current-version-missing tcp 443 -",
            },
        ),
        ('{dates: "expired"}', {"tls-certificate-dates tcp 443 expired"}),
        ('{dates: "not-yet"}', {"tls-certificate-dates tcp 443 not yet valid"}),
        ('{dates: "ending"}', {"tls-certificate-dates tcp 443 ending soon"}),
        ('{issuer: "self-signed"}', {"tls-certificate-untrusted tcp 443 -"}),
    ],
)
def test_each_tls_setting_is_guilty_of_what_it_does(found, tls, expected):
    assert found(services(HTTPS, rest=f", tls: {tls}")) == expected


def test_tls_on_631_counts_for_itself(found):
    both = services(HTTPS, '{speaks: "ipp", encryption: "both"}', rest=', tls: {issuer: "self-signed"}')

    assert found(both) == {
        "tls-certificate-untrusted tcp 443 -",
        "tls-certificate-untrusted tcp 631 -",
        "ipp-no-authentication tcp 631 ipp /ipp/print",
        "ipp-no-authentication tcp 631 ipps /ipp/print",
        *CLEAR_IPP,
    }


def test_a_pin_excuses_only_the_key_that_it_names(found):
    from hardenprobe.demo_lab.certificates import key_digest
    from hardenprobe.demo_lab.named_keys import named_key

    lab = services(HTTPS, rest=', tls: {issuer: "self-signed"}')
    assert found(lab, extra=f'pinned_key: "{key_digest(named_key("T"))}"') == set()
    assert found(lab, extra=f'pinned_key: "{"0" * 64}"') == {"tls-certificate-untrusted tcp 443 -"}


def test_what_a_list_turns_away_is_guilty_only_of_accepting(found):
    allow = ', allow: [{entries: ["127.77.1.0/24"], by: "close"}], tls: {issuer: "self-signed"}'
    lab = services(
        HTTPS, '{speaks: "telnet"}', '{speaks: "snmp", versions: ["1"], communities: ["public"]}', rest=allow
    )

    assert found(lab) == {"unexpected-service tcp 23 -"}
    assert len(found(lab, source="127.77.1.9")) == 5


def test_a_403_still_shows_its_tls(found):
    allow = ', allow: [{entries: ["127.77.1.0/24"], by: "forbid"}], tls: {issuer: "self-signed"}'

    assert found(services(HTTPS, '{speaks: "http"}', rest=allow)) == {"tls-certificate-untrusted tcp 443 -"}


DECLARED = 'allow_lists: [{services: ["http", "snmp", "raw-print"], entries: ["127.77.1.0/24"]}]'


def test_a_declared_list_that_nobody_enforces_is_found_from_outside_only(found):
    lab = services(
        '{speaks: "http", answers: "basic"}', '{speaks: "snmp", versions: ["3"]}', '{speaks: "raw-print"}'
    )
    outside = {f"allow-list-not-enforced {where} -" for where in ("tcp 80", "udp 161", "tcp 9100")}

    assert found(lab, extra=DECLARED) - found(lab) == outside
    assert found(lab, extra=DECLARED, source="127.77.1.9") == found(lab)


def test_a_declared_list_that_is_enforced_is_innocent(found):
    rest = ', allow: [{entries: ["127.77.1.0/24"]}]'
    lab = services('{speaks: "http", answers: "basic"}', '{speaks: "snmp", versions: ["3"]}', rest=rest)

    assert found(lab, extra=DECLARED) == set()


@pytest.mark.parametrize(
    ("entries", "approved", "wide"),
    [
        (["127.77.1.0/24"], APPROVED, False),
        (["127.77.1.0/25", "127.77.2.15"], APPROVED, False),
        (["127.77.2.0-127.77.2.16"], APPROVED, True),
        (["0.0.0.0/0"], APPROVED, True),
        (["127.77.0.0/16"], APPROVED, True),
        (["10.0.0.0-10.0.1.255"], ["10.0.0.0/24", "10.0.1.0/24"], False),
        (["10.0.0.0-10.0.2.0"], ["10.0.0.0/24", "10.0.1.0/24"], True),
        (["10.0.0.0/24"], ["10.0.0.128/25"], True),
        (["::1"], ["127.0.0.0/8"], True),
    ],
)
def test_a_list_is_too_wide_when_it_holds_an_address_that_is_not_approved(found, entries, approved, wide):
    written = ", ".join(f'"{e}"' for e in entries)
    extra = f'allow_lists: [{{services: ["lpd"], entries: ["{approved[0]}"]}}, {{services: ["ftp"], entries: [{written}]}}]'

    assert found(services(), extra=extra, approved=approved) == (
        {"allow-list-too-wide - - list 2"} if wide else set()
    )


def test_raw_ports_of_a_fragile_device_are_never_touched_so_nothing_is_found(found):
    assert found(services('{speaks: "raw-print"}'), extra="fragile: true") == set()


def test_an_unlisted_device_goes_by_its_address(write_inventory):
    path = write_inventory(
        '  - {asset_tag: "T", listed: false, addresses: ["127.77.200.1"], lab: {model: "M", services: [{speaks: "lpd"}]}}\n'
    )

    assert expected_findings(path, "127.0.0.1", []) == {
        Guilt("127.77.200.1", "device-not-listed"),
        Guilt("127.77.200.1", "cleartext-print-lpd", "tcp", 515),
    }


@pytest.mark.slow
def test_the_shipped_inventory_has_guilty_and_innocent_devices_for_every_check():
    # Only a source that some list admits can be locked out.
    found = expected_findings(INVENTORY, "127.0.0.1") | {
        g for g in expected_findings(INVENTORY, "127.77.1.10") if g.check == "allow-list-locks-out"
    }
    devices = declarations.simulated(declarations.load(INVENTORY))
    guilty = {check: {g.device for g in found if g.check == check} for check in CHECKS}
    clean = [d for d in devices if d.listed.asset_tag not in {g.device for g in found} and d.listed.listed]

    assert {g.check for g in found} == CHECKS
    assert all(0 < len(who) < len(devices) for who in guilty.values())
    assert 3 <= len(clean) <= 8
    assert expected_findings(INVENTORY, "127.0.0.1", APPROVED) == expected_findings(INVENTORY, "127.0.0.1"), (
        "the inventory names its own networks"
    )


@pytest.mark.slow
@pytest.mark.parametrize("source", ["127.0.0.1", "127.77.1.10"])
def test_what_is_derived_is_what_plain_sockets_see(lab, source, connect, old_client):
    """A second witness for three checks: no probe and no declaration, only what the lab does on the line."""
    seen = set()
    for device in declarations.simulated(declarations.load(INVENTORY)):
        listed = device.listed
        label = listed.asset_tag if listed.listed else listed.addresses[0]
        for address in listed.addresses:
            for port in (
                7,
                9,
                13,
                21,
                22,
                23,
                25,
                79,
                445,
                512,
                513,
                514,
                515,
                389,
                587,
                2323,
                5355,
                5357,
                5900,
                8000,
                8080,
                8443,
                *range(9100, 9108),
            ):
                try:
                    line = connect(address, port, source)
                except ConnectionRefusedError:
                    continue
                with line:
                    if listed.fragile and port >= 9100:
                        continue
                    seen.add(Guilt(label, "unexpected-service", "tcp", port))
                    line.settimeout(0.4)
                    try:
                        greeting = line.recv(512)
                    except TimeoutError:
                        greeting = None
                    if greeting and b"login:" in greeting:
                        seen.add(Guilt(label, "cleartext-telnet", "tcp", port))
                    if port >= 9100 and greeting is None:
                        seen.add(Guilt(label, "cleartext-print-raw", "tcp", port))
            for port, version in ((p, v) for p in (443, 631, 8443) for v in ("1.0", "1.1")):
                try:
                    with connect(address, port, source) as line, old_client(version).wrap_socket(line):
                        seen.add(Guilt(label, "tls-deprecated-version", "tcp", port, f"TLS {version}"))
                except (ssl.SSLError, ConnectionError, TimeoutError):
                    pass
    witnessed = {"unexpected-service", "cleartext-telnet", "cleartext-print-raw", "tls-deprecated-version"}

    expected = expected_findings(INVENTORY, source)
    specific = {(g.device, g.port) for g in expected if g.check != "unexpected-service"}
    counted = {g for g in seen if g.check != "unexpected-service" or (g.device, g.port) not in specific}
    assert counted == {g for g in expected if g.check in witnessed}
