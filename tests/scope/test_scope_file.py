"""The scope file: what it may say, and what is refused with file and line."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest

from hardenprobe.addresses.sets import AddressSet
from hardenprobe.errors import FileInvalid, ScopeRefused
from hardenprobe.model import Lease, Reach
from hardenprobe.plugins import registry
from hardenprobe.scope import scope_file
from hardenprobe.scope.limits import Timing
from hardenprobe.scope.scope_file import load

GOOD = """\
scope: "hardenprobe.scope/1"
name: "harbour office"
authorised_by: "Imke Sandvoort"
networks: ["192.0.2.0/24", "2001:db8::/64"]
exclude: ["192.0.2.128/25"]
"""
Write = Callable[[str], Path]


@pytest.fixture
def write(tmp_path: Path) -> Write:
    def written(text: str) -> Path:
        path = tmp_path / "scope.yaml"
        path.write_text(text)
        return path

    return written


def test_a_good_file(write: Write) -> None:
    more = """\
until: "2026-12-31"
window: {first: "22:00", last: "05:00", zone: "Europe/Berlin"}
stop_file: "~/stop"
sources: ["192.0.2.7/32"]
reach: "strain"
contacts: ["monitoring"]
clock_checked_by: "Imke Sandvoort"
translated: false
"""
    scope = load(write(GOOD + more))
    assert (scope.name, scope.authorised_by, scope.reach) == (
        "harbour office",
        "Imke Sandvoort",
        Reach.STRAIN,
    )
    assert scope.networks.count == 256 + 2**64
    assert (scope.until, scope.translated) == (date(2026, 12, 31), False)
    assert scope.stop_file == Path.home() / "stop"
    scope.check_source("192.0.2.7")
    with pytest.raises(ScopeRefused, match="none of the testers' addresses"):
        scope.check_source("192.0.2.8")


def test_defaults_of_a_short_file(write: Write) -> None:
    scope = load(write(GOOD))
    assert (scope.reach, scope.until, scope.window, scope.sources) == (Reach.ASK, None, None, None)
    assert (scope.clock_checked_by, scope.translated) == ("", None)
    scope.check_source("192.0.2.200")  # a file that names none allows any


@pytest.mark.parametrize(
    ("written", "resolvers", "server"),
    [
        ("192.0.2.53", "", "192.0.2.53"),
        ("2001:DB8::53", "", "2001:db8::53"),
        (
            "system",
            "# by hand\nnameserver fe80::1%eth0\nsearch example\nnameserver 192.0.2.54\n",
            "192.0.2.54",
        ),
        ("system", "search example\n", "name_server is 'system', and .* names no DNS server"),
        (
            "dns.example",
            "",
            "name_server is 'dns.example', expected the address of a DNS server, or 'system'",
        ),
        ("224.0.0.251", "", "is no address of one server"),
    ],
)
def test_a_name_server_is_an_address(
    write: Write, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, written: str, resolvers: str, server: str
) -> None:
    """resolv.conf(5)."""
    (tmp_path / "resolv.conf").write_text(resolvers)
    monkeypatch.setattr(scope_file, "RESOLVERS", tmp_path / "resolv.conf")
    path = write(f'{GOOD}name_server: "{written}"\n')
    if " " in server:
        with pytest.raises(FileInvalid, match=server):
            load(path)
    else:
        assert load(path).name_server == server


@pytest.mark.parametrize(
    ("change", "line", "says"),
    [
        pytest.param(("networks: [", "networks: []\n# ["), 4, "name at least one network", id="no network"),
        pytest.param(
            ('"192.0.2.0/24"', '"192.0.2.5/24"'),
            4,
            "did you mean 192.0.2.0/24 or the address",
            id="host bits",
        ),
        pytest.param(('"192.0.2.0/24"', '"192.0.2.0/0.0.0.255"'), 4, "wildcard mask", id="wildcard mask"),
        pytest.param(('"192.0.2.0/24"', '"0.0.0.0/0"'), 4, "is everything", id="everything"),
        pytest.param(('"192.0.2.0/24"', '"8.0.0.0/8"'), 4, "public and wide", id="wide and public"),
        pytest.param(('"192.0.2.0/24"', '"printers"'), 4, "no CIDR block", id="a name"),
        pytest.param(("192.0.2.128/25", "192.0.2.129/25"), 5, "did you mean 192.0.2.128/25", id="exclusion"),
        pytest.param(('"Imke Sandvoort"', '" "'), 3, "name who authorised", id="nobody authorised it"),
        pytest.param(("scope/1", "scope/2"), 1, "expected 'hardenprobe.scope/1'", id="another format"),
        pytest.param(("exclude:", "exlude:"), 5, "did you mean 'exclude'?", id="misspelt key"),
        pytest.param(
            ("authorised_by:", "authorized_by:"), 3, "did you mean 'authorised_by'?", id="misspelt duty"
        ),
        pytest.param(("exclude:", "name:"), 5, "is repeated", id="repeated key"),
        pytest.param(("exclude:", "until: tomorrow\nexclude:"), 5, "expected a day", id="no day"),
        pytest.param(
            ("exclude:", "reach: far\nexclude:"), 5, "'look', 'ask', 'strain' or 'alter'", id="no reach"
        ),
        pytest.param(
            ("exclude:", "window: {first: '25:00', last: '05:00'}\nexclude:"),
            5,
            "expected HH:MM",
            id="no hour",
        ),
        pytest.param(
            ("exclude:", "window: {first: '22:00+01:00', last: '05:00'}\nexclude:"),
            5,
            "expected HH:MM",
            id="an hour with a zone of its own",
        ),
        pytest.param(
            ("exclude:", "window: {first: '22:00', last: '05:00', zone: 'Mars'}\nexclude:"),
            5,
            "no IANA time zone",
            id="no zone",
        ),
        pytest.param(
            ("exclude:", "window: {frist: '22:00', last: '05:00'}\nexclude:"),
            5,
            "did you mean 'first'?",
            id="misspelt inner key",
        ),
    ],
)
def test_a_wrong_file(write: Write, change: tuple[str, str], line: int, says: str) -> None:
    assert change[0] in GOOD
    path = write(GOOD.replace(*change))
    with pytest.raises(FileInvalid) as caught:
        load(path)
    assert str(caught.value).startswith(f"{path}:{line}: ")
    assert says in str(caught.value)
    assert "\n" not in str(caught.value)


# --- public addresses, each by a line of its own

PLAIN = 'scope: "hardenprobe.scope/1"\nname: "n"\nauthorised_by: "a"\n'


def test_a_public_network_needs_a_word_of_its_own(write: Write) -> None:
    """8.8.8.0/24 and 2001:4860::/64 stand for what is globally reachable: in none of the registries of RFC 6890."""
    found = load(
        write(
            PLAIN
            + "networks:\n"
            + '  - "192.0.2.0/24"\n'
            + '  - {network: "8.8.8.0/24", public: true}\n'
            + '  - {network: "2001:4860::/64", public: true}\n'
        )
    )
    assert found.public == AddressSet.of(["8.8.8.0/24", "2001:4860::/64"])
    assert found.networks.count == 256 + 256 + 2**64


@pytest.mark.parametrize(
    ("entry", "says"),
    [
        (
            '"8.8.8.0/24"',
            "is public: if it is yours to answer for, write {network: '8.8.8.0/24', public: true}",
        ),
        ('"2001:4860::/64"', "is public"),
        ('"8.8.8.8"', "is public"),
        ('{network: "8.8.0.0/16", public: true}', "name public networks one by one, none wider than a /24"),
        ('{network: "2001:4860::/32", public: true}', "none wider than a /64"),
        ('{network: "192.0.2.0/24", public: true}', "is not public; leave `public: true` out"),
        ('"172.0.0.0/8"', "public and wide"),  # holds 172.16.0.0/12 of RFC 1918 and much that is not
        ('"::/0"', "is everything"),
        ('"224.0.0.0/24"', "multicast"),
        ('"ff02::/16"', "multicast"),
        ('"0.0.0.0/8"', "addresses that no device has"),
        ('{net: "192.0.2.0/24"}', "did you mean 'network'?"),
        ("7", "networks"),
    ],
)
def test_a_network_that_is_not_taken(write: Write, entry: str, says: str) -> None:
    path = write(f'{PLAIN}networks:\n  - "10.0.0.0/8"\n  - {entry}\n')
    with pytest.raises(FileInvalid) as caught:
        load(path)
    assert str(caught.value).startswith(f"{path}:6: "), caught.value
    assert says in str(caught.value)


@pytest.mark.parametrize(
    "network",
    # RFC 1918, RFC 6598, RFC 3927, RFC 5737, RFC 4193, RFC 4291 section 2.5.6, RFC 3849, and this machine itself
    ["10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16", "100.64.0.0/10", "169.254.0.0/16", "203.0.113.0/24", "fd00::/8",
     "fe80::/10", "2001:db8::/32", "127.0.0.0/8", "::1"],
)  # fmt: skip
def test_what_is_set_aside_needs_no_word(write: Write, network: str) -> None:
    assert not load(write(f'{PLAIN}networks: ["{network}"]\n')).public


# --- leases, contacts, grants

LEASE = 'leased: [{owner: "Harbour Leasing", agreed_by: "Jorunn Falk, letter of 2 March", networks: ["192.0.2.64/27"]}]\n'


def test_leased_devices_name_the_owner_s_consent(write: Write) -> None:
    expected = Lease(
        owner="Harbour Leasing", agreed_by="Jorunn Falk, letter of 2 March", networks=("192.0.2.64/27",)
    )
    assert load(write(GOOD + LEASE)).leased == (expected,)
    assert load(write(GOOD + LEASE.replace("[{", "{").replace("}]", "}"))).leased == (expected,)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (('"Jorunn Falk, letter of 2 March"', '" "'), "need the owner's consent"),
        (('agreed_by: "Jorunn Falk, letter of 2 March", ', ""), "agreed_by"),
        (("192.0.2.64/27", "198.51.100.0/24"), "198.51.100.0 is in none of the networks"),
        (('["192.0.2.64/27"]', "[]"), "networks is empty"),
    ],
)
def test_a_lease_that_grants_nothing(write: Write, change: tuple[str, str], says: str) -> None:
    path = write(GOOD + LEASE.replace(*change))
    with pytest.raises(FileInvalid) as caught:
        load(path)
    assert str(caught.value).startswith(f"{path}:6: ")
    assert says in str(caught.value)


@pytest.mark.parametrize(
    ("text", "monitoring", "abort"),
    [
        ('contacts: "desk"', ("desk",), ()),
        ('contacts: ["desk", "night desk"]', ("desk", "night desk"), ()),
        ('contacts: {monitoring: "desk", abort: ["duty officer"]}', ("desk",), ("duty officer",)),
    ],
)
def test_contacts_are_for_monitoring_and_for_abort(
    write: Write, text: str, monitoring: tuple[str, ...], abort: tuple[str, ...]
) -> None:
    found = load(write(f"{GOOD}{text}\n"))
    assert (found.contacts, found.abort) == (monitoring, abort)


KNOWN = {check.id: check.reach for check in registry.load(plugins=False).checks.values()}


def test_strain_and_alter_are_granted_by_name(write: Write) -> None:
    path = write(
        GOOD + 'reach: "strain"\ngrants: ["snmp-amplification", "tls-second-opinion", "multicast:eth0"]\n'
    )
    found = load(path, KNOWN)
    assert found.granted("snmp-amplification") and found.granted("tls-second-opinion")
    assert not found.granted("snmp-default-community-write", Reach.ALTER)
    assert found.granted("cleartext-telnet", Reach.ASK), "no grant is called for there"
    assert not load(write(GOOD + 'reach: "alter"\n'), KNOWN).granted("snmp-amplification"), (
        "reach alone is no grant"
    )


@pytest.mark.parametrize(
    ("reach", "grant", "says"),
    [
        ("strain", "snmp-amplificaton", "did you mean 'snmp-amplification'?"),
        ("strain", "cleartext-telnet", "which needs no grant"),
        ("ask", "snmp-amplification", "needs reach strain, and the scope goes as far as ask"),
        ("strain", "snmp-default-community-write", "needs reach alter"),
        ("alter", "everything", "which is no grant"),
    ],
)
def test_a_grant_that_is_none(write: Write, reach: str, grant: str, says: str) -> None:
    path = write(f'{GOOD}reach: "{reach}"\ngrants:\n  - "multicast:eth0"\n  - "{grant}"\n')
    with pytest.raises(FileInvalid) as caught:
        load(path, KNOWN)
    assert str(caught.value).startswith(f"{path}:9: "), caught.value
    assert says in str(caught.value)


def test_the_record_of_a_scope_names_all_that_it_says(write: Write) -> None:
    more = """\
until: "2026-12-31"
window: {first: "22:00", last: "05:00", zone: "Europe/Berlin"}
stop_file: "stop"
sources: ["192.0.2.7"]
reach: "strain"
grants: ["snmp-amplification"]
contacts: {monitoring: "desk", abort: "duty officer"}
gentleness: {connections: 40, pause: 0.5, devices_at_once: 4, connections_per_second: 10}
"""
    scope = load(write(GOOD + LEASE + more), KNOWN)
    said = scope.authorisation(scope.gentleness.tighten(Timing()))
    assert said.file_hash == hashlib.sha256((GOOD + LEASE + more).encode()).hexdigest()
    assert (said.authorised_by, said.until, said.window) == (
        "Imke Sandvoort", "2026-12-31", "22:00 to 05:00 Europe/Berlin",
    )  # fmt: skip
    assert (said.networks, said.excluded) == (("192.0.2.0/24", "2001:db8::/64"), ("192.0.2.128/25",))
    assert (said.sources, said.stop_file) == (("192.0.2.7/32",), "stop")
    assert (said.reach, said.grants) == (Reach.STRAIN, ("snmp-amplification",))
    assert (said.contacts, said.abort, said.leased[0].agreed_by) == (
        ("desk",), ("duty officer",), "Jorunn Falk, letter of 2 March",
    )  # fmt: skip
    held = said.gentleness
    assert (held["connections"], held["pause"], held["devices_at_once"], held["connections_per_second"]) == (
        40, 0.5, 4, 10,
    )  # fmt: skip
