"""demo_lab.service_snmp, mib and usm: asked by net-snmp, by hand, and by nonsense."""

from __future__ import annotations

import shutil
import socket
import subprocess

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hardenprobe.demo_lab import declarations, mib, usm
from hardenprobe.demo_lab.server import engine_id
from hardenprobe.demo_lab.service import Host

SYS_NAME = "1.3.6.1.2.1.1.5.0"
PASSWORDS = ("-A", "lab-reads-only", "-x", "AES", "-X", "lab-keeps-quiet")
AUTH_PRIV = ("-v3", "-l", "authPriv", "-u", "collector", *PASSWORDS)


def host_of(tag):
    device = next(d for d in declarations.load() if d.listed.asset_tag == tag)
    return Host(device=device, port_offset=0, engine_id=engine_id(tag))


def agent_of(tag):
    host = host_of(tag)
    return next(s for s in host.device.services if s.speaks == "snmp").answerer(host)


@pytest.fixture
def ask(lab, tmp_path):
    """Run a net-snmp command against a device; exit status and all it said."""

    def run(address, *arguments, command="snmpget", oids=(SYS_NAME,)):
        if shutil.which(command) is None:
            pytest.skip(f"{command} is missing (Debian package snmp)")
        where = f"{address}:{161 + lab.port_offset}"
        done = subprocess.run(
            [command, "-On", "-t", "1", "-r", "0", *arguments, where, *oids],
            capture_output=True, text=True, timeout=30, check=False,
            env={"SNMP_PERSISTENT_DIR": str(tmp_path), "SNMPCONFPATH": str(tmp_path), "MIBS": "", "PATH": "/usr/bin:/bin"},
        )  # fmt: skip
        return done.returncode, done.stdout + done.stderr

    return run


@pytest.mark.slow
@pytest.mark.peer
@pytest.mark.parametrize("version", ["-v1", "-v2c"])
def test_net_snmp_reads_by_community(ask, version):
    status, said = ask("127.77.0.21", version, "-c", "public")
    assert (status, said.splitlines()[0]) == (0, f'.{SYS_NAME} = STRING: "rp-0201"')


@pytest.mark.peer
def test_any_community_and_both_addresses_answer(ask):
    assert ask("127.77.0.23", "-v2c", "-c", "never-heard-of")[0] == 0
    for address in ("127.77.0.31", "127.77.0.131"):
        status, said = ask(address, "-v2c", "-c", "public")
        assert (status, "No Such Object" in said) == (0, True), "a narrow view answers without a value"


@pytest.mark.peer
@pytest.mark.slow
def test_a_wrong_community_and_an_unlisted_source_get_silence(ask):
    assert "Timeout" in ask("127.77.0.21", "-v2c", "-c", "wrong")[1]
    assert "Timeout" in ask("127.77.0.37", "-v2c", "-c", "public")[1]
    assert ask("127.77.0.37", "--clientaddr=127.77.2.3", "-v2c", "-c", "public")[0] == 0


@pytest.mark.peer
def test_walks_of_both_kinds_see_the_same_table(ask):
    by_next = ask("127.77.0.22", "-v1", "-c", "public", command="snmpwalk", oids=("1.3.6.1",))[1]
    by_bulk = ask("127.77.0.21", "-v2c", "-c", "public", command="snmpbulkwalk", oids=("1.3.6.1",))[1]

    assert '.1.3.6.1.2.1.43.5.1.1.17.1 = STRING: "K1-000951"' in by_next
    assert by_next.count("1.3.6.1.2.1.43.14.1.1.2.1.") == 3, "a channel for each raw print port"
    assert "Port=9101" in by_next
    assert len([x for x in by_bulk.splitlines() if x.startswith(".1.3.6.1")]) >= len(
        mib.of(host_of("RP-0201"))
    )


@pytest.mark.peer
def test_nothing_can_be_set(ask):
    status, said = ask(
        "127.77.0.21", "-v2c", "-c", "public", command="snmpset", oids=("1.3.6.1.2.1.1.4.0", "s", "x")
    )
    assert (status, "authorizationError" in said) == (2, True)


@pytest.mark.peer
@pytest.mark.parametrize(
    ("address", "auth", "name"), [("127.77.0.14", "SHA-256", "rp-0104"), ("127.77.0.45", "SHA", "rp-0315")]
)
def test_net_snmp_reads_at_auth_priv(ask, address, auth, name):
    status, said = ask(address, *AUTH_PRIV, "-a", auth)
    assert (status, said.splitlines()[0]) == (0, f'.{SYS_NAME} = STRING: "{name}"')


@pytest.mark.peer
@pytest.mark.parametrize(
    ("change", "said"),
    [
        (("-A", "wrong-password"), "Authentication failure"),
        (("-u", "nobody"), "Unknown user name"),
        (("-X", "wrong-privacy"), "Decryption error"),
        (("-l", "authNoPriv"), "authorizationError"),
        (("-l", "noAuthNoPriv"), "authorizationError"),
    ],
)
def test_every_refusal_has_its_own_report(ask, change, said):
    assert said.lower() in ask("127.77.0.14", *AUTH_PRIV, "-a", "SHA-256", *change)[1].lower()


@pytest.mark.peer
def test_a_user_without_privacy_cannot_ask_for_it(ask):
    panel = ("-v3", "-u", "panel", "-a", "SHA", "-A", "lab-shows-only")
    assert ask("127.77.0.45", *panel, "-l", "authNoPriv")[0] == 0
    assert (
        "security level"
        in ask("127.77.0.45", *panel, "-l", "authPriv", "-x", "AES", "-X", "lab-keeps-quiet")[1]
    )


def test_the_answer_comes_from_the_address_that_was_asked(lab):
    from hardenprobe.probes.snmp.pdu import encode

    for address in ("127.77.0.31", "127.77.0.131"):
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
            asking.settimeout(5)
            asking.sendto(encode("2c", b"public", "get", (SYS_NAME,), 7), (address, 161 + lab.port_offset))
            assert asking.recvfrom(2048)[1] == (address, 161 + lab.port_offset)


@pytest.mark.slow
def test_discovery_is_answered_by_a_report_of_unknown_engine_ids():
    from hardenprobe.probes.snmp.agent import decode_discovery, encode_discovery

    answer = agent_of("RP-0104")(encode_discovery(5))
    facts = decode_discovery(answer, 5)

    assert facts.report == "1.3.6.1.6.3.15.1.1.4.0"  # RFC 3414 section 5, usmStatsUnknownEngineIDs
    assert facts.engine_id == engine_id("RP-0104").hex()
    assert agent_of("RP-0201")(encode_discovery(5)) is None, "an agent without version 3 keeps silent"


@pytest.mark.parametrize(
    ("name", "expected"),
    [("sha1", "6695febc9288e36282235fc7151f128497b38f3f"), ("md5", "526f5eed9fcce26f8964c2930787d82b")],
)
def test_password_to_key_matches_rfc_3414_a3(name, expected):
    assert usm.localized_key("maplesyrup", name, bytes(11) + b"\x02").hex() == expected


def test_a_message_from_outside_the_time_window_is_reported():
    user = usm.User(name="u", password="a-password")
    now = usm.Engine(b"engine-of-lab", (user,), lambda pdu: None)
    message = usm._Message(1, usm.AUTHENTICATED | usm.REPORTABLE, now.engine_id, 9, 1, b"u", b"", b"", None)
    report = now._report(message, usm.NOT_IN_WINDOW, user)

    assert report is not None
    parts = usm._read(report)
    assert parts.flags == usm.AUTHENTICATED, "RFC 3414 section 3.2 step 7: this report is authenticated"
    assert now._authentic(report, parts, user)


@settings(deadline=None, max_examples=150)
@given(data=st.binary(max_size=300))
def test_any_bytes_are_survived_in_silence(data):
    assert AGENT(data) is None


@settings(deadline=None, max_examples=150)
@given(at=st.integers(0, 200), byte=st.integers(0, 255))
def test_a_good_message_with_one_wrong_byte_is_survived(at, byte):
    for good in GOOD:
        spoilt = bytearray(good)
        spoilt[at % len(spoilt)] = byte
        answer = AGENT(bytes(spoilt))
        assert answer is None or len(answer) < 2000


def _good():
    from hardenprobe.probes.snmp.agent import encode_discovery
    from hardenprobe.probes.snmp.pdu import encode

    return [encode("2c", b"public", "get", (SYS_NAME,), 7), encode_discovery(9)]


AGENT = agent_of("RP-0303")
GOOD = _good()
