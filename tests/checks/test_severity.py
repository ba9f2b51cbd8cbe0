"""handbook/severity.md: one logic for what an attacker gains, from where and by what work, held to every vector."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from hardenprobe.checking.check import NoSettings
from hardenprobe.cli.reference import FOLDER
from hardenprobe.cli.reference_severity import before
from hardenprobe.facts import MdnsAnswer
from hardenprobe.plugins import registry
from hardenprobe.standards.ccss import is_ccss, score
from hardenprobe.testing import at, seen_device

CHECKS = registry.load(plugins=False).checks
VECTORS = {(id, key): vector for id, check in CHECKS.items() for key, vector in check.vectors.items()}

# An administrator's password crosses the network readable.
PASSWORD_IN_CLEAR = (
    "cleartext-telnet", "cleartext-http-management", "basic-auth-in-clear", "login-form-in-clear",
    "management-encryption-missing",
)  # fmt: skip
PRINTS_FOR_ANYONE = ("cleartext-print-raw", "cleartext-print-lpd", "ipp-no-authentication")
# Found by accepting alone: nothing may be said to the port, so its protocol is not confirmed.
UNCONFIRMED = (
    "cleartext-print-raw", "cleartext-print-lpd", "cleartext-remote-shell", "cleartext-small-services",
    "unexpected-service",
)  # fmt: skip
LINK_LOCAL = (
    "discovery-mdns", "discovery-llmnr", "discovery-slp", "discovery-ws-discovery", "discovery-ssdp",
    "discovery-netbios",
)  # fmt: skip
RANKED = (
    "none",
    "ssl",
    "export",
    "md",
    "very short",
    "weak",
    "",
    "dated",
)  # by the work that an attack takes


def metrics(vector: str) -> dict[str, str]:
    return dict(part.split(":") for part in vector.split("/"))


def base(id: str, key: str = "") -> float:
    return score(CHECKS[id].vectors[key]).base


@pytest.mark.parametrize("id", [*PASSWORD_IN_CLEAR, "cleartext-ftp"])
def test_a_password_in_clear_is_not_below_an_open_raw_port(id: str) -> None:
    assert base(id) >= base("cleartext-print-raw")


def test_an_administrators_password_in_clear_is_one_exposure_however_it_is_sent() -> None:
    assert len({CHECKS[id].vectors[""] for id in PASSWORD_IN_CLEAR}) == 1


def test_the_same_abuse_by_raw_lpd_and_ipp_has_one_base() -> None:
    assert len({CHECKS[id].vectors[""] for id in PRINTS_FOR_ANYONE}) == 1


def test_ports_that_are_not_confirmed_have_one_access_complexity() -> None:
    assert {metrics(CHECKS[id].vectors[""])["AC"] for id in UNCONFIRMED} == {"M"}


@pytest.mark.parametrize("id", LINK_LOCAL)
def test_link_local_discovery_is_adjacent_unless_it_answers_off_link(id: str) -> None:
    near, far = metrics(CHECKS[id].vectors[""]), metrics(CHECKS[id].vectors["off-link"])
    assert (near.pop("AV"), far.pop("AV")) == ("A", "N")
    assert near == far


@pytest.mark.parametrize(("on_link", "vector"), [(True, None), (None, None), (False, "off-link")])
def test_the_vantage_point_decides(on_link: bool | None, vector: str | None) -> None:
    facts: Any = MdnsAnswer(question="?", state="accepting", says="_ipp._tcp", sent=46, received=60)
    seen = seen_device(at(5353, facts, transport="udp"))
    seen.vantage = replace(seen.vantage, on_link=on_link)
    (outcome,) = CHECKS["discovery-mdns"].judge(seen, NoSettings())
    assert outcome.vector == vector


def test_what_an_amplified_answer_does_to_others_has_one_vector() -> None:
    found = {
        id: metrics(check.vectors["amplified"])
        for id, check in CHECKS.items()
        if "amplified" in check.vectors
    }
    found["snmp-amplification"] = metrics(CHECKS["snmp-amplification"].vectors[""])

    assert len(found) >= 3
    assert {(m["AV"], m["AC"], m["Au"], m["A"]) for m in found.values()} == {("N", "L", "N", "P")}


def test_flaws_and_nothing_else_have_vectors_of_cvss() -> None:
    flaws = {"tls-heartbleed", "tls-early-ccs", "tls-rsa-padding-oracle", "ssh-prefix-truncation"}
    assert {id for (id, _), vector in VECTORS.items() if not is_ccss(vector)} == flaws


def test_the_page_shows_every_vector_and_the_one_that_it_replaced() -> None:
    rows = [
        tuple(cell.strip() for cell in line.split("|")[1:-1])
        for line in (FOLDER / "severity.md").read_text().splitlines()
        if line.startswith("| [")
    ]
    earlier = before()

    assert {(row[0].split("`")[1], row[1]): row[3].strip("`") for row in rows} == VECTORS
    assert len(earlier) == 119  # of the 81 checks that there were
    for row in rows:
        old = earlier.get((row[0].split("`")[1], row[1]))
        assert old is None or row[4] == "the same" or f"`{old}`" in row[4]


@pytest.mark.parametrize(("id", "key"), VECTORS, ids=[f"{id} {key}".strip() for id, key in VECTORS])
def test_the_privilege_that_is_gained_is_said(id: str, key: str) -> None:
    """CCSS section 2.1: root, user or application; not defined where nothing of the device's is gained."""
    if not is_ccss(VECTORS[id, key]):
        return
    found = metrics(VECTORS[id, key])
    gains = found["EM"] == "A" and (found["C"], found["I"]) != ("N", "N")
    assert (found["PL"] in ("R", "U", "A")) == gains


@pytest.mark.parametrize("id", [id for id in CHECKS if id.startswith(("tls-", "ssh-"))])
def test_reading_along_or_standing_between_takes_a_place_on_the_path(id: str) -> None:
    for key, vector in CHECKS[id].vectors.items():
        # Heartbeat over-reads answer whoever asks; they are a flaw and no matter of the path.
        assert metrics(vector)["AC"] in ("M", "H") or id == "tls-heartbleed", key


@pytest.mark.parametrize("id", [id for id in CHECKS if id.startswith(("tls-", "ssh-"))])
def test_less_work_never_scores_lower(id: str) -> None:
    scores = [score(CHECKS[id].vectors[key]).base for key in RANKED if key in CHECKS[id].vectors]
    assert scores == sorted(scores, reverse=True)


@pytest.mark.parametrize(
    "id", [id for id, check in CHECKS.items() if any("PL:R" in v for v in check.vectors.values())]
)
def test_whoever_gains_the_administrators_rights_scores_high(id: str) -> None:
    for key, vector in CHECKS[id].vectors.items():
        if "PL:R" in vector and id != "settings-page-open":  # reading is proven there, and no more
            assert base(id, key) >= 7.0
