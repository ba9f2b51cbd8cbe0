"""hardenprobe.probes.tls.classes: what is left out of an enumeration adds nothing to a verdict."""

from __future__ import annotations

from dataclasses import replace

import pytest
from support.tls import tls_port, tls_suites, verdicts

from hardenprobe.facts import TlsSuites
from hardenprobe.probes.tls.classes import classes
from hardenprobe.probes.tls.suites import is_tls13, strongest_first, suite_name
from hardenprobe.standards import tls_rules

OLD = [suite_name(code) for code in strongest_first() if not is_tls13(code)]
SHIPPED = {name: tls_rules.load(name).distinctions for name in tls_rules.shipped()}


def accepting(*suites: str, protected: bool, **changes: object) -> TlsSuites:
    """A port of TLS 1.2 that accepts these."""
    answers = {"TLS 1.2": {s: protected for s in suites if "_CBC_" in s}}
    return tls_suites({"TLS 1.2": suites}, encrypt_then_mac=answers, **changes)


@pytest.mark.parametrize("protected", [False, True], ids=["without encrypt_then_mac", "with"])
def test_a_suite_of_no_new_class_changes_no_verdict(protected: bool) -> None:
    port = tls_port("TLS 1.2")
    first: dict[frozenset[str], tuple[str, set[tuple[str | None, ...]]]] = {}
    for suite in OLD:
        its = classes(suite, protected and "_CBC_" in suite)
        if its not in first:
            first[its] = suite, verdicts(port, accepting(suite, protected=protected))
        one, said = first[its]
        assert verdicts(port, accepting(one, suite, protected=protected)) == said, (one, suite)


def test_a_rule_set_that_distinguishes_more_finds_too_little() -> None:
    """An enumeration by classes is judged by what was distinguished when it was made."""
    suites = accepting(OLD[0], protected=False, classes=SHIPPED)
    port = tls_port("TLS 1.2")
    before = verdicts(port, suites)
    later = replace(suites, classes=dict.fromkeys(SHIPPED, "0" * 16))

    assert {said[2] for said in before} == {"pass"}
    found = {(check, word) for _, check, word, *_ in verdicts(port, later)}
    for check in ("tls-weak-cipher", "tls-no-forward-secrecy", "tls-weak-parameters"):
        assert (check, "unknown") in found and (check, "pass") not in found


def test_wording_distinguishes_nothing_and_a_pattern_does() -> None:
    rules = tls_rules.load("rules-tls-rfc9325")
    first, *rest = rules.ciphers
    reworded = replace(rules, title="other", ciphers=(replace(first, source="elsewhere"), *rest))
    finer = replace(rules, ciphers=(replace(first, match=(*first.match, "*_SEED_*")), *rest))

    assert reworded.distinctions == rules.distinctions != finer.distinctions


def test_what_a_cipher_and_a_key_exchange_are_called_alike_stays_apart() -> None:
    """SP 800-52 Rev. 2 lists no static RSA: a finding of the cipher for AES, and of the list for Camellia."""
    aes, camellia = "TLS_RSA_WITH_AES_128_GCM_SHA256", "TLS_RSA_WITH_CAMELLIA_128_GCM_SHA256"
    assert classes(aes) - classes(camellia)
