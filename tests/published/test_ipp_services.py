"""Words, paths and operations of IPP services other than printing, as their publishers print them.

Sources: the Printer Working Group's tests of conformance for PWG 5100.15 (FaxOut), 5100.17 (Scan) and 5100.22 (System), and its
registrations for 5100.22 (March 2025); the examples of RFC 7472 for the paths, read in draft-mcdonald-ipps-uri-scheme-18.
"""

from __future__ import annotations

from hardenprobe.probes.printing.ipp_codec import Operation
from hardenprobe.probes.printing.ipp_services import SERVICE_WORDS, SERVICES

FEATURES = {"fax out": "faxout", "scan": "scan", "system": "system-object"}
REQUIRED = {
    "fax out": {"cover-sheet-info-supported"},
    "scan": {"input-attributes-supported", "input-source-supported"},
    "system": {"system-state", "system-name"},
}
EXAMPLES = ("ipps://example.com/ipp/faxout", "ipps://example.com/ipp/print", "ipps://example.com/ipp/scan")
SERVICE_TYPES = {"copy", "faxin", "faxout", "print", "print3d", "scan", "transform"}


def test_a_service_is_known_by_its_registered_word_and_its_required_attributes() -> None:
    assert {service.name: service.word for service in SERVICES} == FEATURES
    assert {service.name: set(service.own) for service in SERVICES} == REQUIRED
    assert SERVICE_TYPES | set(FEATURES.values()) >= SERVICE_WORDS


def test_fax_and_scan_are_asked_for_where_the_examples_have_them() -> None:
    paths = {service.path for service in SERVICES if service.name != "system"}
    assert {f"ipps://example.com{path}" for path in paths} < set(EXAMPLES)


def test_the_system_is_asked_by_its_operation() -> None:
    assert Operation.GET_SYSTEM_ATTRIBUTES == 0x005B
