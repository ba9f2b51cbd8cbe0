"""What the SSH checks read: ports that gave their algorithms, and the outcomes of those that did not."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Literal

from hardenprobe.checking.absence import no_service
from hardenprobe.checking.check import DeviceView, Outcome, fail, note, passed, unknown
from hardenprobe.facts import SshOffer
from hardenprobe.model import Observation, Reason
from hardenprobe.scope.ports import MAY_SPEAK
from hardenprobe.standards.ssh_rules import NameRule, load, matches

# RFC 5647 section 5.1, and the same ciphers and another negotiated by cipher name alone: no MAC is used beside them.
_AUTHENTICATED = ("AEAD_*", "*-gcm@openssh.com", "chacha20-poly1305@openssh.com")
_REASONS = {"closed": Reason.DROPPED, "silent": Reason.SILENT}


def why(fault: str | None) -> Reason:
    """The reason that a fault of an SSH observation comes to."""
    return _REASONS.get(fault or "", Reason.INCONCLUSIVE)


def offers(seen: DeviceView, expected: str) -> tuple[list[Observation[SshOffer]], list[Outcome]]:
    """Ports whose algorithms are known, and an outcome for each that did not tell, or for a device without SSH."""
    known = [o for o in seen.of(SshOffer) if o.facts.speaks and o.facts.fault is None]
    missing: list[Outcome] = []
    for offer in seen.of(SshOffer):
        fault = offer.facts.fault
        if fault == "not SSH" or fault is None:
            continue
        speaks = "speaks SSH" if offer.facts.speaks else "is asked for SSH"
        missing.append(
            unknown(offer, f"{speaks}; its algorithms are not known: {fault}", expected, reason=why(fault))
        )
    missing += unheard(seen, seen.of(SshOffer), expected)
    if not known and not missing:
        missing.append(no_service(seen, expected, "SSH"))
    return known, missing


def unheard(seen: DeviceView, told: Iterable[Observation[Any]], expected: str) -> list[Outcome]:
    """An outcome for each port that greets like SSH, or on which SSH is expected, and that did not give its algorithms."""
    places = {_place(o) for o in told}
    found = []
    for port in seen.accepting:
        where = _place(port)
        if where is None or where in places:
            continue
        if port.facts.speaks == "ssh":
            found.append(unknown(port, "greets like SSH and sent nothing more", expected))
        elif "ssh" in MAY_SPEAK.get(where[1], ()) and not (port.facts.closed or where in seen.identified):
            found.append(unknown(port, "open, and sends nothing", expected))
    return found


def _place(seen: Observation[Any]) -> tuple[str, int] | None:
    return (seen.endpoint.address, seen.endpoint.port) if seen.endpoint else None


@dataclass(frozen=True, kw_only=True)
class NameSettings:
    """Which published rules decide on offered names, and how strictly.

    Attributes:
        rules: Name of a rule set.
        dated: "inform" lets what is merely advised against (CBC, SHA-1) through as informational.
    """

    rules: str
    dated: Literal["fail", "inform"]


def judge_names(
    seen: DeviceView,
    rule_set: str,
    which: Literal["key_exchanges", "ciphers", "macs"],
    *,
    what: str,
    expected: str,
    dated: Literal["fail", "inform"],
) -> Iterable[Outcome]:
    """Judge one kind of algorithm: a result for each weakness, and one for what the rules do not rate.

    Args:
        rule_set: Name of the rules that decide.
        what: The kind, as a sentence calls several of them.
        dated: What becomes of names that are merely advised against.
    """
    rules = load(rule_set)
    known, missing = offers(seen, expected)
    yield from missing
    judged: tuple[NameRule, ...] = getattr(rules, which)
    for offer in known:
        offered: tuple[str, ...] = getattr(offer.facts, which)
        if which == "macs" and offered and not (offered := _usable_macs(offer.facts)):
            text = "every offered cipher authenticates by itself, so that no offered MAC is used"
            yield passed(offer, text, expected, rule_set=rules.rule_set)
            continue
        if not offered:
            yield unknown(offer, f"no {what} are offered, so none can be judged", expected)
            continue
        weak, unrated = rules.rate(judged, offered)
        failed = False
        for rule, names in weak:
            text = f"{rule.weakness}: {_listed(names)} ({rule.source})"
            more: dict[str, Any] = {"value": names, "subject": rule.weakness, "rule_set": rules.rule_set}
            if rule.kind == "dated" and dated == "inform":
                yield note(offer, text, expected, **more)
            else:
                failed = True
                yield fail(offer, text, expected, vector=rule.kind, **more)
        if unrated:
            text = f"{len(unrated)} offered {what} are not rated: {_listed(unrated)}"
            yield note(offer, text, expected, value=unrated, subject="unrated", rule_set=rules.rule_set)
        if not failed:
            real = [name for name in offered if not rules.is_marker(name)]
            text = f"{len(real)} offered {what}, none that must fail"
            yield passed(offer, text, expected, value=real, rule_set=rules.rule_set)


def _usable_macs(facts: SshOffer) -> tuple[str, ...]:
    """The MACs of each direction in which a cipher is offered that needs one."""
    directions = (
        (facts.ciphers_to_server, facts.macs_to_server),
        (facts.ciphers_to_client, facts.macs_to_client),
    )
    needed = (macs for ciphers, macs in directions if any(not matches(c, _AUTHENTICATED) for c in ciphers))
    return tuple(dict.fromkeys(mac for macs in needed for mac in macs))


def _listed(names: list[str]) -> str:
    more = f" and {len(names) - 8} more" if len(names) > 8 else ""
    return ", ".join(names[:8]) + more
