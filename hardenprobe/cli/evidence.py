"""`hardenprobe evidence`."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from hardenprobe.cli import options
from hardenprobe.cli.folding import folded

if TYPE_CHECKING:
    from datetime import datetime

    from cryptography.x509 import Certificate

INVALID, NOT_DETERMINED = 1, 3
_STATUS = {"valid": 0, "invalid": INVALID, "not determined": NOT_DETERMINED}
_TRUST = "PEM file of trust anchors for the signer; repeatable. Then a bag that is not signed is invalid."
_TRUST_TIME = "The same for the time stamp."


@click.group("evidence")
def command() -> None:
    """Take a review away as a bag that an auditor can check and trace."""


@command.command("pack")
@click.argument("review_name", metavar="REVIEW")
@click.option("-o", "--output", required=True, type=options.FILE, help="The zip file to write.")
@click.option("--key", type=options.FILE, help="PEM key (RSA or EC) to sign with; needs --certificate.")
@click.option("--certificate", type=options.FILE, help="PEM certificate of the key, and those of its chain.")
@click.option("--capture", type=options.FILE, help="A file of the packets that the scan captured.")
@click.option(
    "--trust-anchor",
    "anchors",
    type=options.FILE,
    multiple=True,
    help="A PEM file that the scan was given; repeat it.",
)
@click.option(
    "--self-test", is_flag=True, help="Scan the demo lab first, where this version has not done so yet."
)
@click.option("--authorisation", type=options.FILE, help="The signed authorisation of the scan, a PDF say.")
@click.option(
    "--retain-until",
    type=click.DateTime(["%Y-%m-%d"]),
    metavar="DAY",
    help="Until when the bag is to be kept, such as 2031-12-31.",
)
@click.option("--redact", is_flag=True, help="Leave out what could tell whose devices these are.")
@click.option("--full", type=options.FILE, help="The full bag of this review, which a redacted one cites.")
@click.option(
    "--pseudonym-key", type=options.FILE, help="Key of the pseudonyms; made where it is not there. Keep it."
)
@options.store
def pack(
    review_name: str,
    output: Path,
    key: Path | None,
    certificate: Path | None,
    capture: Path | None,
    anchors: Sequence[Path],
    self_test: bool,
    authorisation: Path | None,
    retain_until: datetime | None,
    redact: bool,
    full: Path | None,
    pseudonym_key: Path | None,
    store_url: str | None,
) -> int:
    """Write a BagIt bag (RFC 8493): the review, its bytes, its rules, its reports.

    REVIEW is an id, a unique beginning of one, or `latest`. The same review always gives the same payload.
    """
    from hardenprobe import __version__
    from hardenprobe.cli.opening import opened
    from hardenprobe.evidence import pack as packing
    from hardenprobe.evidence import self_test as self_tests
    from hardenprobe.evidence import source
    from hardenprobe.evidence.source import Wanted

    if (key is None) != (certificate is None):
        raise click.UsageError("--key and --certificate go together")
    if redact and not (full and pseudonym_key):
        raise click.UsageError("--redact needs --full, the bag that it cites, and --pseudonym-key")
    if not redact and (full or pseudonym_key):
        raise click.UsageError("--full and --pseudonym-key are for --redact")
    if redact and (authorisation or retain_until):
        raise click.UsageError("--authorisation and --retain-until are for the full bag")
    if redact and capture:
        raise click.UsageError("--redact leaves packets out; leave --capture out too")
    signer = None
    if key and certificate:
        signer = packing.Signer.load(key, certificate, os.environ.get(packing.PASSWORD))
    with opened(store_url) as kept:
        packed = source.of(kept, kept.find(review_name))
        reviewed_by = packed.outline.head.versions.get("hardenprobe")
        told = self_tests.told(kept, reviewed_by)
        run = self_test and "absent" in told and reviewed_by == __version__
        if run:
            click.echo("scanning the demo lab for the self-test", err=True)
            told = self_tests.scan()
        wanted = Wanted(self_test=told, capture=capture, anchors=tuple(anchors), authorisation=authorisation)
        if full and pseudonym_key:
            digest = packing.pack_redacted(packed, wanted, output, full, pseudonym_key, signer)
        else:
            retain = f"{retain_until:%Y-%m-%d}" if retain_until else None
            digest = packing.pack(packed, wanted, output, signer, retain)
        if run:
            self_tests.keep(kept, told)
    if redact and signer:
        click.echo(
            "notice: the signature names the signer and the chain of its certificate, which the redaction cannot hide",
            err=True,
        )
    if absent := told.get("absent"):
        click.echo(f"no self-test: {absent}", err=True)
    elif not told.get("agrees"):
        click.echo("the self-test found something else than it should; see self-test.json", err=True)
    if capture and not packed.outline.head.capture:
        said = (
            "the review has recorded no packets, so nothing vouches that these are its own or free of secrets"
        )
        click.echo(f"--capture {capture}: {said}", err=True)
    click.echo(f"wrote {output}, {'signed' if signer else 'not signed'}; its digest is SHA-512", err=True)
    click.echo(digest)
    return 0


@command.command("verify")
@click.argument("file", type=options.FILE)
@click.option("--trust", type=options.FILE, multiple=True, help=_TRUST)
@click.option("--trust-time", type=options.FILE, multiple=True, help=_TRUST_TIME)
@click.option(
    "--crl", "crls", type=options.FILE, multiple=True, help="CRL in PEM or DER (RFC 5280); repeatable."
)
@click.option(
    "--ocsp",
    "responses",
    type=options.FILE,
    multiple=True,
    help="OCSP response in DER (RFC 6960); repeatable.",
)
def verify(
    file: Path,
    trust: Sequence[Path],
    trust_time: Sequence[Path],
    crls: Sequence[Path],
    responses: Sequence[Path],
) -> int:
    """Verify a bag level by level: container, manifest, signature, content, results judged again.

    Nothing is fetched: trust anchors, CRLs and OCSP responses are given by file. The status is 0 for valid, 1 for invalid,
    3 where it cannot be determined: no trust anchor was given, or revocation is unknown.
    """
    from hardenprobe.evidence import container, content, reperformance
    from hardenprobe.evidence import verify as verifying
    from hardenprobe.evidence.container import BagRefused
    from hardenprobe.evidence.revocation import RevocationData
    from hardenprobe.reports.text import counted, visible

    revocation = RevocationData.load(crls, responses)
    anchors, time_anchors = _certificates(trust), _certificates(trust_time)
    given = verifying.Trust(anchors=anchors, time_anchors=time_anchors, revocation=revocation)
    try:
        with container.opened(file) as bag:
            found = verifying.verify_opened(bag, given)
            reperformance.check(content.check(bag, found), found)
    except BagRefused as exc:
        click.echo(folded(f"invalid: container: {visible(exc, 2000)}", 2))
        click.echo("Invalid. No level was reached.")
        return INVALID
    if retained := found.about.get("Retain-Until"):
        click.echo(f"To be kept until {visible(retained)}")
    full = found.about.get("Full-Bag-SHA-512")
    click.echo(f"Review {visible(found.about.get('External-Identifier', 'without a name'))}")
    click.echo(
        f"{counted(found.files, 'file')}, {counted(found.size, 'byte')}; the digest of the bag is SHA-512"
    )
    click.echo(f"  {found.digest or 'unknown: its tag manifest is missing'}")
    if full:
        click.echo(f"Redacted; the full bag is SHA-512\n  {visible(full)}")
    for line in found.told:
        click.echo(folded(visible(line, 2000), 2))
    for fault in found.faults:
        click.echo(folded(f"{fault.kind}: {visible(fault.file)}: {visible(fault.text)}", 2))
    for level, text in found.open:
        click.echo(folded(f"not determined: {level}: {visible(text)}", 2))
    for level in found.verified:
        click.echo(f"  {level:<12} {found.of(level)}")
    reached = f"level reached: {found.reached}" if found.reached else "no level was reached"
    faults = f", {counted(len(found.faults), 'fault')}" if found.faults else ""
    click.echo(f"{found.state.capitalize()}{faults}; {reached}.")
    return _STATUS[found.state]


@command.command("import")
@click.argument("file", type=options.FILE)
@options.store
def import_(file: Path, store_url: str | None) -> int:
    """Take a bag's review into a store, to be shown, compared and judged there. Verify the bag first."""
    from hardenprobe.cli.opening import opened
    from hardenprobe.evidence import importing

    with opened(store_url, make=True) as kept:
        name = importing.import_review(file, kept)
    click.echo(f"review {name} is stored; `hardenprobe judge {name}` judges it again", err=True)
    return 0


@command.command("show")
@click.argument("finding", metavar="FINDING")
@click.option("--bag", type=options.FILE, help="Read it from a bag, which is verified first.")
@click.option(
    "--review", "review_name", metavar="REVIEW", default="latest", help="Read it from a stored review."
)
@options.store
def show(finding: str, bag: Path | None, review_name: str, store_url: str | None) -> int:
    """Trace one finding: what was seen, the bytes both ways, the rule, and the command that asks again.

    FINDING is its id, or a unique beginning of one. The status is 1 where the bag is invalid.
    """
    from hardenprobe.cli.opening import opened
    from hardenprobe.evidence import bag_source, container, reading, trace
    from hardenprobe.evidence import verify as verifying
    from hardenprobe.store import input_files

    status = 0
    if bag:
        with container.opened(bag) as file:
            if verifying.verify_opened(file).faults:
                click.echo(f"{bag} is invalid; see `hardenprobe evidence verify {bag}`", err=True)
                status = INVALID
            review, name = reading.one_device(lambda: file.document("data/review.json"), finding)
            shown = list(trace.lines(review, name, lambda one: bag_source.used(file, one), bag=str(bag)))
    else:
        with opened(store_url) as kept:
            stored = kept.find(review_name)
            review, name = reading.one_device(lambda: kept.document_bytes(stored), finding)
            shown = list(trace.lines(review, name, lambda one: input_files.read(kept, one), store=store_url))
    for line in shown:
        click.echo(line if trace.is_command(line) else folded(line, trace.INDENT if line[:1] == " " else 0))
    return status


@command.command("stamp")
@click.argument("file", type=options.FILE)
@click.option("--request", "request_file", type=options.FILE, help="The request for a time stamp (RFC 3161).")
@click.option("--token", "reply", type=options.FILE, help="Put the authority's reply to it into the bag.")
def stamp(file: Path, request_file: Path | None, reply: Path | None) -> int:
    """Have a bag stamped: --request FILE writes a request; --request FILE --token REPLY puts the reply into the bag.

    The request holds a nonce, and a reply to another request is refused. Both go into the bag.
    """
    from hardenprobe.errors import UsageError
    from hardenprobe.evidence import stamping

    if request_file is None:
        raise click.UsageError("give --request FILE, and --token FILE too once the reply is there")
    try:
        if reply is None:
            request_file.write_bytes(stamping.request(file))
            click.echo(f"wrote {request_file}; send it to a time stamping authority and keep it", err=True)
        else:
            found = stamping.attach(file, reply.read_bytes(), request_file.read_bytes())
            click.echo(f"{file} carries a time stamp of {found.at:%Y-%m-%d %H:%M:%S} UTC", err=True)
    except OSError as exc:
        raise UsageError(f"{exc.filename or request_file}: {exc.strerror}") from exc
    return 0


@command.command("receive")
@click.argument("file", type=options.FILE)
@click.option("--by", metavar="NAME", help="Who receives it, kept beside the account that runs this.")
@click.option("--note", metavar="TEXT", help="How it came, say.")
@click.option("--key", type=options.FILE, help="PEM key to sign the entry with; needs --certificate.")
@click.option("--certificate", type=options.FILE, help="PEM certificate of the key.")
def receive(file: Path, by: str | None, note: str | None, key: Path | None, certificate: Path | None) -> int:
    """Verify a bag and append to its custody log that it was received: by whom, when, and what verifying found.

    The log records the custody of a bag as its receivers state it; an entry without --key can be rewritten by any holder of the bag.
    """
    from hardenprobe.evidence import pack as packing
    from hardenprobe.evidence import stamping

    if (key is None) != (certificate is None):
        raise click.UsageError("--key and --certificate go together")
    signer = None
    if key and certificate:
        signer = packing.Signer.load(key, certificate, os.environ.get(packing.PASSWORD))
    stated, said = (" ".join((text or "").split())[:200] or None for text in (by, note))
    found = stamping.receive(file, signer, stated, said)
    click.echo(f"{file}: received, {found.state}, level reached: {found.reached or 'none'}", err=True)
    return 0


@command.command("unpack")
@click.argument("file", type=options.FILE)
@click.option(
    "-o",
    "--output",
    required=True,
    type=click.Path(path_type=Path, file_okay=False),
    help="A folder that is not there yet.",
)
def unpack(file: Path, output: Path) -> int:
    """Unpack a bag that is safe to unpack; whether it is valid, `verify` says."""
    from hardenprobe.evidence import container

    with container.opened(file) as bag:
        bag.unpack(output)
    click.echo(f"unpacked to {output}", err=True)
    return 0


def _certificates(files: Sequence[Path]) -> tuple[Certificate, ...] | None:
    from hardenprobe.evidence.pack import certificates_of

    return tuple(one for file in files for one in certificates_of(file)) if files else None
