"""The IPP encoding against the worked examples of RFC 8010, appendix A, octet for octet."""

from __future__ import annotations

import pytest

from hardenprobe.probes.printing.ipp_codec import Group, Operation, Tag, decode, encode_group, encode_request

PINETREE = "ipp://printer.example.com/ipp/print/pinetree"
HEAD = (
    "01470012617474726962757465732d6368617273657400057574662d3848001b617474726962757465732d6e61747572616c2d6c616e6775"
    "6167650005656e2d7573"
)
TARGET = (
    "45000b7072696e7465722d757269002c6970703a2f2f7072696e7465722e6578616d706c652e636f6d2f6970702f7072696e742f70696e65"
    "74726565"
)
# Appendix A.1, Print-Job request, up to the end tag.
PRINT_JOB = bytes.fromhex(
    "0101000200000001" + HEAD + TARGET + "4200086a6f622d6e616d650006666f6f626172"
    "2200166970702d6174747269627574652d666964656c697479000101"
    "02210006636f706965730004000000144400057369646573001374776f2d73696465642d6c6f6e672d6564676503"
)
# Appendix A.2, Print-Job response (successful); job-state with four octets, as its value-length says.
PRINT_JOB_ANSWER = bytes.fromhex(
    "0101000000000001" + HEAD + "41000e7374617475732d6d657373616765000d7375636365737366756c2d6f6b"
    "022100066a6f622d69640004000000934500076a6f622d757269003069"
    "70703a2f2f7072696e7465722e6578616d706c652e636f6d2f6970702f7072696e742f70696e65747265652f313437"
    "2300096a6f622d737461746500040000000303"
)
# Appendix A.8, Get-Jobs request.
GET_JOBS = bytes.fromhex(
    "0101000a0000007b" + HEAD + TARGET + "2100056c696d6974000400000032"
    "4400147265717565737465642d6174747269627574657300066a6f622d6964440000"
    "00086a6f622d6e616d65440000000f646f63756d656e742d666f726d617403"
)


def test_lengths_are_those_of_the_examples() -> None:
    assert (len(PRINT_JOB), len(PRINT_JOB_ANSWER), len(GET_JOBS)) == (227, 201, 213)


def test_get_jobs_request_is_written_octet_for_octet() -> None:
    """RFC 8010, appendix A.8."""
    more = [
        (Tag.INTEGER, "limit", [50]),
        (Tag.KEYWORD, "requested-attributes", ["job-id", "job-name", "document-format"]),
    ]
    assert encode_request(Operation.GET_JOBS, 123, PINETREE, more, language="en-us") == GET_JOBS


def test_get_printer_attributes_request_by_the_same_rules() -> None:
    """RFC 8010, section 3.1; no example of the RFC."""
    names = ["uri-security-supported", "uri-authentication-supported", "printer-uri-supported"]
    asked = [(Tag.KEYWORD, "requested-attributes", names)]
    written = encode_request(Operation.GET_PRINTER_ATTRIBUTES, 1, PINETREE, asked, language="en-us")
    assert written == bytes.fromhex(
        "0101000b00000001"
        + HEAD
        + TARGET
        + "4400147265717565737465642d6174747269627574657300167572692d73656375726974"
        "792d737570706f72746564440000001c7572692d61757468656e7469636174696f6e2d737570706f7274656444000000157072696e74"
        "65722d7572692d737570706f7274656403"
    )


def test_print_job_request_is_read_and_its_groups_are_written_octet_for_octet() -> None:
    """RFC 8010, appendix A.1: the groups; the operation itself cannot be written."""
    message = decode(PRINT_JOB)
    assert (message.version, message.code, message.request_id) == ((1, 1), 0x0002, 1)
    (operation,), (job,) = message.of(Group.OPERATION), message.of(Group.JOB)
    assert operation["printer-uri"] == (PINETREE,)
    assert operation["job-name"] == ("foobar",)
    assert operation["ipp-attribute-fidelity"] == (True,)
    assert job == {"copies": (20,), "sides": ("two-sided-long-edge",)}
    written = encode_group(
        Group.OPERATION,
        [
            (Tag.CHARSET, "attributes-charset", ["utf-8"]),
            (Tag.NATURAL_LANGUAGE, "attributes-natural-language", ["en-us"]),
            (Tag.URI, "printer-uri", [PINETREE]),
            (Tag.NAME, "job-name", ["foobar"]),
            (Tag.BOOLEAN, "ipp-attribute-fidelity", [True]),
        ],
    )
    written += encode_group(
        Group.JOB, [(Tag.INTEGER, "copies", [20]), (Tag.KEYWORD, "sides", ["two-sided-long-edge"])]
    )
    assert PRINT_JOB[:8] + written + b"\x03" == PRINT_JOB


def test_print_job_response_is_read() -> None:
    """RFC 8010, appendix A.2."""
    message = decode(PRINT_JOB_ANSWER)
    assert (message.code, message.request_id) == (0x0000, 1)  # successful-ok
    assert message.of(Group.OPERATION)[0]["status-message"] == ("successful-ok",)
    assert message.of(Group.JOB) == [
        {"job-id": (147,), "job-uri": (f"{PINETREE}/147",), "job-state": (3,)},
    ]


@pytest.mark.parametrize("number", sorted(set(range(0x0070)) - set(Operation)))
def test_no_other_operation_can_be_written(number: int) -> None:
    """RFC 8011, section 5.4.15: among them Print-Job, Print-URI, Cancel-Job, Purge-Jobs, Set-Printer-Attributes."""
    with pytest.raises(ValueError, match="not a valid Operation"):
        encode_request(number, 1, PINETREE)  # type: ignore[arg-type]


def test_what_can_be_written_reads() -> None:
    """RFC 8011, section 5.4.15, and the IANA IPP registrations for PWG 5100.22: operations that only read."""
    assert {o.name: int(o) for o in Operation} == {
        "GET_JOB_ATTRIBUTES": 0x0009,
        "GET_JOBS": 0x000A,
        "GET_PRINTER_ATTRIBUTES": 0x000B,
        "GET_SYSTEM_ATTRIBUTES": 0x005B,
    }
