"""The files that a scan's review will rest on, as they are when it begins."""

from __future__ import annotations

from hardenprobe.model import InputFile
from hardenprobe.model.document import canonical
from hardenprobe.probes.pki.certificates import TrustAnchors
from hardenprobe.scanning.job import ScanJob


def of_job(job: ScanJob) -> tuple[InputFile, ...]:
    """The plan, whose SHA-256 is the plan's hash, and the files that were read for the job."""
    return (InputFile.of("plan", "plan.json", canonical(job.plan.document)), *job.inputs)


def of_anchors(anchors: TrustAnchors) -> tuple[InputFile, ...]:
    """The trust anchors, those of this system among them; none where there is no trust."""
    from cryptography.hazmat.primitives.serialization import Encoding

    data = b"".join(one.public_bytes(Encoding.PEM) for one in anchors.certificates)
    return (InputFile.of("trust-anchors", "trust-anchors.pem", data),) if data else ()
