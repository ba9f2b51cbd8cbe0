"""From a request to a job that the workers of a cluster scan."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from pathlib import Path

from hardenprobe.cluster import connection
from hardenprobe.errors import UsageError
from hardenprobe.scanning.job import ScanJob
from hardenprobe.scanning.request import ScanRequest
from hardenprobe.scope.scope import link_granted


def attached(job: ScanJob, request: ScanRequest) -> ScanJob:
    """The job, to be scanned by the cluster that the request names; as it is where it names none.

    Raises:
        UsageError: The extra is not installed, the certificate cannot be used, or a plug-in's probe would have to run.
    """
    if request.cluster is None:
        return job
    if job.probes:
        names = ", ".join(probe.name for probe in job.probes)
        raise UsageError(
            f"--cluster runs no probes of plug-ins, and these are: {names}; leave them out with --no-plugins"
        )
    folder = Path(request.certificates or "")
    connection.security(folder)
    from hardenprobe.cluster.coordinator import ClusterScan

    notices = job.notices
    if any(map(link_granted, job.plan.scope.grants or ())):
        notices += ("multicast groups are not asked by a cluster, though the scope grants it",)
    elsewhere = partial(ClusterScan, address=request.cluster, certificates=folder)
    return replace(job, elsewhere=elsewhere, notices=notices)
