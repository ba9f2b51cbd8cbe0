"""Where we may speak: the never-speak list outranks whatever anybody declares."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from hardenprobe.scope.ports import MAY_SPEAK, NEVER_SPEAK, RAW_PRINT, SERVICES, may_speak

PORTS = st.integers(1, 65535) | st.sampled_from(sorted(NEVER_SPEAK))
WORDS = st.sampled_from(["http", "https", "ipp", "ipps", "ftp", "telnet", "lpd", "raw-print"])


def test_never_speak_holds_the_spooler_and_the_raw_ports() -> None:
    assert {515, *range(9100, 9108)} == NEVER_SPEAK
    assert RAW_PRINT < NEVER_SPEAK
    assert not NEVER_SPEAK & MAY_SPEAK.keys()


@given(st.lists(st.tuples(PORTS, WORDS)), st.lists(PORTS))
def test_no_declaration_opens_a_port_that_prints(declared: list[tuple[int, str]], raw: list[int]) -> None:
    allowed = may_speak(declared, raw)
    assert not (NEVER_SPEAK | set(raw)) & allowed.keys()
    assert allowed.keys() <= {*MAY_SPEAK, *(port for port, _ in declared)}
    for port, words in MAY_SPEAK.items():
        assert port in raw or words <= allowed[port]


def test_declared_service_is_spoken_to_in_the_door_s_words() -> None:
    allowed = may_speak([(8081, "http"), (8444, "https"), (8631, "ipp"), (8632, "ipps"), (631, "ftp")])
    assert allowed[8081] == {"http"}
    assert allowed[8444] == {"tls"}
    assert allowed[8631] == {"http"}
    assert allowed[8632] == {"tls"}
    assert allowed[631] == {"http", "tls", "ftp"}
    assert may_speak() == dict(MAY_SPEAK)


def test_the_shared_list_is_not_changed_by_a_device() -> None:
    before = dict(MAY_SPEAK)
    may_speak([(8081, "http"), (80, "ftp")], raw=[80])
    assert dict(MAY_SPEAK) == before


def test_every_service_word_means_ports() -> None:
    for word, endpoints in SERVICES.items():
        assert endpoints, word
        for transport, port in endpoints:
            assert transport in ("tcp", "udp")
            assert 1 <= port <= 65535


def test_a_service_word_means_the_assigned_port() -> None:
    # IANA Service Name and Transport Protocol Port Number Registry
    first = {word: endpoints[0] for word, endpoints in SERVICES.items()}
    assert first == {
        "ftp": ("tcp", 21),
        "http": ("tcp", 80),
        "https": ("tcp", 443),
        "ipp": ("tcp", 631),
        "lpd": ("tcp", 515),
        "raw-print": ("tcp", 9100),
        "snmp": ("udp", 161),
        "ssh": ("tcp", 22),
        "telnet": ("tcp", 23),
    }
