"""From a request to a job that the workers of a cluster scan."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from pathlib import Path

from hardenprobe.cluster import connection
from hardenprobe.scanning.job import ScanJob
from hardenprobe.scanning.request import ScanRequest


def attached(job: ScanJob, request: ScanRequest) -> ScanJob:
    """The job, to be scanned by the cluster that the request names; as it is where it names none.

    Raises:
        UsageError: The extra is not installed, or the certificate cannot be used.
    """
    if request.cluster is None:
        return job
    folder = Path(request.certificates or "")
    connection.security(folder)
    from hardenprobe.cluster.coordinator import ClusterScan

    return replace(job, elsewhere=partial(ClusterScan, address=request.cluster, certificates=folder))
