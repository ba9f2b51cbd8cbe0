"""What holds for every check, whatever was seen."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support.tls import chain

from hardenprobe.baseline import baseline
from hardenprobe.checking.check import Outcome
from hardenprobe.facts import (
    VERSIONS,
    Channel,
    Cookie,
    DeclaredAllowList,
    DeclaredDevice,
    DnsSdText,
    FtpAnonymous,
    FtpSession,
    HttpAnswer,
    Interface,
    IppJobs,
    IppPrinter,
    LlmnrAnswer,
    MdnsAnswer,
    NetbiosAnswer,
    NotListed,
    NotMet,
    NtpControlAnswer,
    Personal,
    PrinterUri,
    ProbeFault,
    RfbSecurity,
    ScanServiceAnswer,
    SettingsPageAnswer,
    SlpAnswer,
    SmbNegotiation,
    SnmpAnswer,
    SnmpBulk,
    SnmpEngine,
    SnmpObjects,
    SnmpUser,
    SnmpWriteBack,
    SsdpAnswer,
    TcpPort,
    TelnetGreeting,
    TftpAnswer,
    TlsPort,
    WsDiscoveryAnswer,
)
from hardenprobe.model import Clock, Observation, Reason, State, Word
from hardenprobe.model.document import UnknownFacts
from hardenprobe.plugins import registry
from hardenprobe.scope.ports import SERVICES
from hardenprobe.testing import HOSTILE, at, declared, seen_device

CHECKS = registry.load(plugins=False).checks
SETTINGS = baseline.load(baseline.DEFAULT, registry.load(plugins=False)).settings

text = st.sampled_from([*HOSTILE, "", "220 ready", "530 TLS required", "https://x/", "http://["])
states = st.sampled_from(State)
addresses = st.sampled_from(["127.0.9.10", "127.0.9.11", "fd00::10"])
lists = st.lists(
    st.sampled_from(["127.0.0.1", "127.0.0.0/8", "192.0.2.0/24", "10.0.0.1-10.0.0.9", "2001:db8::/64"]),
    max_size=3,
).map(tuple)

DATAGRAMS: dict[Any, dict[str, Any]] = {
    **{
        make: {}
        for make in (
            MdnsAnswer,
            LlmnrAnswer,
            SlpAnswer,
            WsDiscoveryAnswer,
            SsdpAnswer,
            NetbiosAnswer,
            TftpAnswer,
        )
    },
    NtpControlAnswer: {"mode": st.sampled_from([6, 7])},
}

by_port: list[st.SearchStrategy[Observation[Any]]] = [
    st.builds(
        at,
        st.sampled_from([21, 23, 80, 443, 515, 631, 2323, 8080, 9100, 9107]),
        st.builds(
            TcpPort,
            state=states,
            greeting=text,
            speaks=st.sampled_from([None, None, "telnet", "ftp", "ssh", "smtp"]),
            closed=st.booleans(),
            control=st.sampled_from([False, False, False, True]),
        ),
        address=addresses,
    ),
    st.builds(
        at,
        st.sampled_from([23, 2323]),
        st.builds(TelnetGreeting, negotiates=st.booleans(), text=text, prompt=st.none() | text),
        address=addresses,
    ),
    st.builds(
        at,
        st.just(21),
        st.builds(
            FtpSession,
            greeting_code=st.none() | st.just(220),
            greeting_text=text,
            user_code=st.none() | st.sampled_from([230, 331, 332, 421, 500, 530, 534]),
            user_text=text,
        ),
        address=addresses,
    ),
    st.builds(
        at,
        st.sampled_from([80, 443, 8080, 8443]),
        st.builds(
            HttpAnswer,
            tls=st.booleans(),
            path=st.just("/"),
            status=st.none() | st.sampled_from([200, 204, 301, 302, 401, 403, 404, 426, 500]),
            location=st.none() | text,
            title=st.none() | text,
            form=st.booleans(),
            password_field=st.booleans(),
            authenticate=st.sampled_from([(), ("basic",), ("digest", "basic")]),
            strict_transport=st.none() | st.sampled_from(["max-age=0", "max-age=9"]) | text,
            cookies=st.lists(
                st.builds(Cookie, name=text, secure=st.booleans(), http_only=st.booleans()), max_size=2
            ).map(tuple),
            fault=st.none() | st.sampled_from(["closed", "silent", "not HTTP"]),
        ),
        address=addresses,
    ),
    st.builds(
        at,
        st.just(161),
        st.builds(
            SnmpAnswer,
            version=st.sampled_from(["1", "2c"]),
            label=st.sampled_from(["public", "private"]) | text,
            origin=st.sampled_from(["default", "supplied", "control"]),
            state=states,
            error_status=st.none() | st.sampled_from([0, 2, 5]),
            values=st.none() | st.just({"1.3.6.1.2.1.1.1.0": HOSTILE[0]}),
        ),
        transport=st.just("udp"),
        protocol=st.just("snmp"),
        address=addresses,
    ),
    st.builds(
        at,
        st.just(161),
        st.builds(
            SnmpEngine,
            state=states,
            engine_id=st.none() | st.sampled_from(["", "8000000001"]),
            fault=st.none() | text,
        ),
        transport=st.just("udp"),
        protocol=st.just("snmp"),
        address=addresses,
    ),
    st.builds(
        at,
        st.sampled_from([443, 631]),
        st.builds(
            TlsPort,
            speaks=st.booleans(),
            fault=st.none() | st.sampled_from(["closed", "silent", "not TLS", "broken"]),
            versions=st.dictionaries(
                st.sampled_from(VERSIONS), st.sampled_from(["accepted", "refused", "unknown"])
            ),
            chains=st.sampled_from([(), (chain(),), (chain(trusted=False), chain("EC certificate"))]),
        ),
        address=addresses,
    ),
    st.builds(
        at,
        st.sampled_from([69, 5353, 5355]),
        st.one_of(
            st.builds(make, question=text, state=states, says=st.none() | text, **more)
            for make, more in DATAGRAMS.items()
        ),
        transport=st.sampled_from(["udp", "udp", "tcp"]),
        address=addresses,
    ),
    st.builds(
        at,
        st.sampled_from([445, 5900]),
        st.builds(
            SmbNegotiation,
            asked=st.sampled_from(["1", "2"]),
            answered=st.booleans(),
            dialect=st.none() | st.sampled_from(["NT LM 0.12", "SMB 3.0"]),
            signing_required=st.none() | st.booleans(),
            fault=st.none() | st.sampled_from(["closed", "silent"]),
        )
        | st.builds(
            RfbSecurity, version=text, types=st.lists(st.integers(0, 30), max_size=3).map(tuple), reason=text
        ),
        address=addresses,
    ),
    st.builds(
        at,
        st.just(5353),
        st.builds(
            DnsSdText, instance=text, keys=st.just(("u", "p")), filled=st.sampled_from([(), ("u",), ("p",)])
        ),
        transport=st.just("udp"),
    ),
    st.builds(
        at,
        st.sampled_from([80, 443]),
        st.builds(
            SettingsPageAnswer,
            tls=st.booleans(),
            path=st.just("/settings"),
            marker=text,
            status=st.none() | st.sampled_from([200, 301, 401, 403, 404]),
            marker_found=st.booleans(),
            password_field=st.booleans(),
            location=st.none() | text,
        ),
        address=addresses,
    ),
    st.builds(
        at,
        st.sampled_from([80, 443]),
        st.builds(
            ScanServiceAnswer,
            tls=st.booleans(),
            path=st.just("/scan"),
            status=st.none() | st.sampled_from([200, 301, 401, 404, 500]),
            capabilities=st.booleans(),
            location=st.none() | text,
        ),
        address=addresses,
    ),
    st.builds(
        at,
        st.sampled_from([80, 631]),
        st.builds(
            IppPrinter,
            tls=st.booleans(),
            path=st.just("/ipp/print"),
            assigned=st.booleans(),
            http_status=st.none() | st.sampled_from([200, 401, 403, 404, 426]),
            status=st.none() | st.sampled_from([0, 1, 0x0400, 0x0403, 0x0500]),
            authenticate=st.sampled_from([(), ("basic",)]),
            uris=st.lists(
                st.builds(
                    PrinterUri,
                    uri=st.sampled_from(["ipp://127.0.9.10/ipp/print", "ipps://x/q", "ipp://["]) | text,
                    security=st.sampled_from(["none", "tls"]),
                    authentication=st.sampled_from(["none", "requesting-user-name", "basic"]),
                ),
                max_size=3,
            ).map(tuple),
            operations=st.sampled_from([(), (2, 11), (3, 7)]),
        ),
        address=addresses,
    ),
    st.builds(
        at,
        st.just(631),
        st.builds(
            IppJobs,
            tls=st.booleans(),
            path=st.just("/ipp/print"),
            which=st.sampled_from(["completed", "not-completed"]),
            http_status=st.none() | st.sampled_from([200, 401]),
            status=st.none() | st.sampled_from([0, 0x0403]),
            jobs=st.integers(0, 2),
            names=st.integers(0, 1),
            users=st.integers(0, 1),
        ),
        address=addresses,
    ),
    st.builds(
        at,
        st.just(21),
        st.builds(
            FtpAnonymous,
            asked=st.booleans(),
            user_code=st.none() | st.sampled_from([230, 331, 421, 530]),
            pass_code=st.none() | st.sampled_from([230, 332, 530]),
            text=text,
        ),
        address=addresses,
    ),
    st.builds(
        at,
        st.sampled_from([161, 80]),
        st.just(UnknownFacts("of-a-plug-in", {})),
        transport=st.sampled_from(["tcp", "udp"]),
    ),
]
origins = st.sampled_from(["default", "supplied"])
small = st.none() | st.integers(-1, 40)
in_depth: list[st.SearchStrategy[Any]] = [
    st.builds(
        SnmpObjects,
        version=st.sampled_from(["1", "2c", "3"]),
        label=text,
        origin=origins,
        model=st.none() | text | st.just("Printer, series K2"),
        description=st.none() | text | st.just("firmware 5.1"),
        forwarding=small,
        date=st.none() | st.binary(max_size=12).map(bytes.hex),
        interfaces=st.lists(
            st.builds(Interface, index=st.just("1"), type=st.integers(0, 300), up=st.booleans()), max_size=3
        ).map(tuple),
        channels=st.lists(
            st.builds(
                Channel, type=st.sampled_from([8, 11, 37, 44]), port=st.none() | st.sampled_from([515, 9100])
            ),
            max_size=3,
        ).map(tuple),
        personal=st.just(()) | st.just((Personal(what="contact", count=1, masks=("***",)),)),
        fault=st.none() | text,
    ),
    st.builds(
        SnmpBulk,
        label=text,
        origin=origins,
        state=states,
        repetitions=st.just(10),
        sent=st.integers(0, 60),
        received=st.integers(0, 900),
        fault=st.none() | text,
    ),
    st.builds(
        SnmpWriteBack,
        version=st.sampled_from(["1", "2c"]),
        label=text,
        origin=origins,
        state=states,
        read=st.booleans(),
        written=st.booleans(),
        error_status=st.none() | st.sampled_from([0, 2, 4, 5, 6, 17]),
        same=st.none() | st.booleans(),
    ),
    st.builds(
        SnmpUser,
        name=text,
        auth=st.sampled_from([None, "MD5", "SHA-256"]),
        priv=st.sampled_from([None, "DES", "AES-128"]),
        levels=st.dictionaries(
            st.sampled_from(["noAuthNoPriv", "authNoPriv", "authPriv"]),
            st.sampled_from(["served", "denied", "wrong-digest", "silent", "unreadable"]),
        ),
        withheld=st.none() | text,
    ),
]
by_port += [st.builds(at, st.just(161), facts, transport=st.just("udp")) for facts in in_depth]
by_file: list[st.SearchStrategy[Observation[Any]]] = [
    st.builds(
        declared,
        st.builds(
            DeclaredAllowList,
            services=st.lists(st.sampled_from(sorted(SERVICES)), max_size=3).map(tuple),
            entries=lists,
            approved=lists,
            position=st.integers(1, 3),
            source=st.just("inventory"),
        ),
    ),
    st.builds(
        declared,
        st.builds(
            DeclaredDevice,
            asset_tag=text,
            device_kind=st.just("printer"),
            names=st.lists(text, max_size=2).map(tuple),
        ),
    ),
    st.builds(
        declared,
        st.builds(
            NotMet,
            asset_tag=text,
            addresses=st.just(("127.0.9.9",)),
            why=st.sampled_from(["silent", "unfinished"]),
            source=text,
        )
        | st.builds(NotListed, addresses=st.just(("127.0.9.9",)), address_of=st.none() | text, source=text),
    ),
    st.just(
        declared(ProbeFault(probe="http", kinds=("http-answer",), reason="silent", text="cut in the middle"))
    ),
]
observations = st.lists(st.one_of(by_port + by_file), max_size=10)
clocks = st.builds(
    Clock, now=st.just("2026-11-25T12:00:00Z"), proven=st.booleans(), how=st.just("as the test says")
)
fleets = st.builds(
    lambda seen, elsewhere, **more: seen_device(*seen, elsewhere=tuple(elsewhere), **more),
    observations,
    st.lists(st.one_of(by_port), max_size=3),
    source=st.sampled_from([None, "127.0.0.1", "192.0.2.7"]),
    translated=st.sampled_from([None, True, False]),
    clock=clocks,
)
whatever = settings(suppress_health_check=[HealthCheck.too_slow])


def judged(seen: Any) -> list[tuple[str, Outcome]]:
    return [(name, o) for name in SETTINGS for o in CHECKS[name].judge(seen, SETTINGS[name])]


@pytest.mark.slow
@whatever
@given(fleets)
def test_every_check_answers_in_the_words_of_xccdf_and_names_its_proof(seen: Any) -> None:
    known = {o.id for o in seen.observations}
    answered = set()
    for name, outcome in judged(seen):
        answered.add(name)
        assert outcome.word in set(Word), name
        assert outcome.observed.text and outcome.expected.text, name
        assert "\n" not in outcome.expected.text, name
        assert set(outcome.proof) <= known, name
        if outcome.word in (Word.PASS, Word.FAIL):
            assert outcome.proof, f"{name} says {outcome.word} and names nothing"
        if outcome.word is Word.UNKNOWN:
            assert outcome.reason or not outcome.proof, f"{name} is unknown and does not say why"
        if outcome.vector is not None:
            assert outcome.vector in CHECKS[name].vectors, name
    assert answered >= {name for name in SETTINGS if not name.startswith("tls-")}


@pytest.mark.slow
@whatever
@given(fleets)
def test_judging_is_pure(seen: Any) -> None:
    """The same observations give the same outcomes, and are left as they were."""
    before = seen.observations
    first = judged(seen)
    again = judged(replace(seen))
    assert first == again
    assert seen.observations == before


silent_ports = st.lists(
    st.builds(at, st.sampled_from([21, 23, 80, 443, 9100]), st.just(TcpPort(state=State.SILENT))),
    min_size=1,
    max_size=5,
)
silent_datagrams = st.lists(
    st.builds(
        at,
        st.just(161),
        st.sampled_from(
            [
                SnmpEngine(state=State.SILENT),
                SnmpAnswer(version="1", label="public", origin="default", state=State.SILENT),
                SnmpAnswer(version="2c", label="public", origin="default", state=State.SILENT),
                *(
                    make(question="?", state=State.SILENT, **({"mode": 6} if more else {}))
                    for make, more in DATAGRAMS.items()
                ),
            ]
        ),
        transport=st.just("udp"),
        protocol=st.just("snmp"),
    ),
    max_size=3,
)
not_told = [name for name in SETTINGS if CHECKS[name].reach is not None]


@given(silent_ports, silent_datagrams, st.sampled_from([(), ("192.0.2.0/24",)]))
def test_a_device_that_is_silent_throughout_never_passes(
    ports: list[Any], datagrams: list[Any], entries: tuple[str, ...]
) -> None:
    guarded = DeclaredAllowList(
        services=tuple(sorted(SERVICES)), entries=entries, approved=(), position=1, source="inventory"
    )
    seen = seen_device(*ports, *datagrams, declared(guarded))
    for name in not_told:
        for outcome in CHECKS[name].judge(seen, SETTINGS[name]):
            assert outcome.word in (Word.UNKNOWN, Word.NOTAPPLICABLE, Word.INFORMATIONAL), (name, outcome)


@pytest.mark.slow
@given(silent_ports, silent_datagrams)
def test_silence_passes_only_with_the_reason_dropped_beside_an_answer(
    ports: list[Any], datagrams: list[Any]
) -> None:
    other = at(79, TcpPort(state=State.REFUSING))
    seen = seen_device(*ports, *datagrams, other)
    silent = {o.id for o in (*ports, *datagrams)}
    for name in not_told:
        for outcome in CHECKS[name].judge(seen, SETTINGS[name]):
            if outcome.word is Word.PASS and silent & set(outcome.proof):
                assert outcome.reason is Reason.DROPPED, (name, outcome)
                assert seen.answers
