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
    from cryptography.x509 import Certificate

WRONG = 1
_TRUST = (
    "A PEM file of who may vouch for the signer; repeat it for more. Then a bag that nobody signed is wrong."
)
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
    from hardenprobe.evidence.parts import Wanted

    if (key is None) != (certificate is None):
        raise click.UsageError("--key and --certificate go together")
    if redact and not (full and pseudonym_key):
        raise click.UsageError("--redact needs --full, the bag that it cites, and --pseudonym-key")
    if not redact and (full or pseudonym_key):
        raise click.UsageError("--full and --pseudonym-key are for --redact")
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
        wanted = Wanted(self_test=told, capture=capture, anchors=tuple(anchors))
        if full and pseudonym_key:
            digest = packing.pack_redacted(packed, wanted, output, full, pseudonym_key, signer)
        else:
            digest = packing.pack(packed, wanted, output, signer)
        if run:
            self_tests.keep(kept, told)
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
def verify(file: Path, trust: Sequence[Path], trust_time: Sequence[Path]) -> int:
    """Say whether a bag is whole, who signed it, and what is wrong. The status is 0 for whole, 1 for wrong."""
    from hardenprobe.evidence import verify as verifying
    from hardenprobe.reports.text import counted, visible

    found = verifying.verify(file, _certificates(trust), _certificates(trust_time))
    full = found.about.get("Full-Bag-SHA-512")
    click.echo(f"Review {visible(found.about.get('External-Identifier', 'of no name'))}")
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
    click.echo(f"{counted(len(found.faults), 'thing is', 'things are')} wrong." if found.faults else "Whole.")
    return WRONG if found.faults else 0


@command.command("show")
@click.argument("finding", metavar="FINDING")
@click.option("--bag", type=options.FILE, help="Read it from a bag, which is verified first.")
@click.option(
    "--review", "review_name", metavar="REVIEW", default="latest", help="Read it from a stored review."
)
@options.store
def show(finding: str, bag: Path | None, review_name: str, store_url: str | None) -> int:
    """Trace one finding: what was seen, the bytes both ways, the rule, and the command that asks again.

    FINDING is its id, or a unique beginning of one. The status is 1 where the bag is not whole.
    """
    from hardenprobe.cli.opening import opened
    from hardenprobe.evidence import container, reading, trace
    from hardenprobe.evidence import verify as verifying

    status = 0
    if bag:
        with container.opened(bag) as file:
            if verifying.verify_opened(file).faults:
                click.echo(f"{bag} is not whole; see `hardenprobe evidence verify {bag}`", err=True)
                status = WRONG
            review, name = reading.one_device(lambda: file.document("data/review.json"), finding)
    else:
        with opened(store_url) as kept:
            stored = kept.find(review_name)
            review, name = reading.one_device(lambda: kept.document_bytes(stored), finding)
    for line in trace.lines(review, name):
        click.echo(line if trace.is_command(line) else folded(line, trace.INDENT if line[:1] == " " else 0))
    return status


@command.command("stamp")
@click.argument("file", type=options.FILE)
@click.option(
    "--request", "request_to", type=options.FILE, help="Write a request for a time stamp (RFC 3161) here."
)
@click.option("--token", "reply", type=options.FILE, help="Put the authority's reply into the bag.")
def stamp(file: Path, request_to: Path | None, reply: Path | None) -> int:
    """Have a bag stamped: a request goes out as a file, the reply of a time stamping authority comes in as one."""
    from hardenprobe.errors import UsageError
    from hardenprobe.evidence import stamping

    if (request_to is None) == (reply is None):
        raise click.UsageError("give --request FILE, or --token FILE once the reply is there")
    try:
        if request_to:
            request_to.write_bytes(stamping.request(file))
            click.echo(f"wrote {request_to}; send it to a time stamping authority", err=True)
        elif reply:
            found = stamping.attach(file, reply.read_bytes())
            click.echo(f"{file} carries a time stamp of {found.at:%Y-%m-%d %H:%M:%S} UTC", err=True)
    except OSError as exc:
        raise UsageError(f"{request_to or reply}: {exc.strerror}") from exc
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
    """Unpack a bag that is safe to unpack; whether it is whole, `verify` says."""
    from hardenprobe.evidence import container

    with container.opened(file) as bag:
        bag.unpack(output)
    click.echo(f"unpacked to {output}", err=True)
    return 0


def _certificates(files: Sequence[Path]) -> tuple[Certificate, ...] | None:
    from hardenprobe.evidence.pack import certificates_of

    return tuple(one for file in files for one in certificates_of(file)) if files else None
