"""A plan carried out on paper, against the review's own plan and counts."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

from click.testing import CliRunner

from hardenprobe.cli import cli
from hardenprobe.model import Advice, Service, Severity, State
from hardenprobe.model.usage import UsageSource, Use
from hardenprobe.remediation.general import HTTP_TO_HTTPS, TELNET_OFF
from hardenprobe.remediation.ssh import SSH_OFF
from hardenprobe.reports.plan_simulation import simulate
from hardenprobe.reports.source import of_review
from hardenprobe.reports.view import View
from hardenprobe.store import opening
from hardenprobe.store import usage as kept_usage
from hardenprobe.testing import sample_review


def test_each_step_leaves_what_the_reports_say_is_left() -> None:
    review = sample_review()
    view, found = View(review), simulate(of_review(review))

    assert [found.before.risk, *(step.after.risk for step in found.steps)] == list(view.risk_left)
    assert sum(found.before.findings.values()) == sum(view.standing.values())
    closed = {finding for advice in review.what_first for finding in advice.findings}
    open_ = {r.finding for r in review.findings if r.stands}
    assert sum(found.steps[-1].after.findings.values()) == len(open_ - closed)
    assert [step.closes for step in found.steps] == [len(advice.findings) for advice in review.what_first]


def test_until_carries_the_plan_no_further() -> None:
    source = of_review(sample_review())

    assert simulate(source, 0).steps == ()
    assert simulate(source, 1).steps == simulate(source).steps[:1]
    assert simulate(source, 10_000).until == len(source.outline.what_first)


def test_the_step_that_takes_the_last_means_of_administration_away_is_named() -> None:
    review = sample_review()
    device = replace(
        review.devices[0],
        services=tuple(
            Service(
                address="127.77.0.21", transport="tcp", port=port, state=State.ACCEPTING, protocol=protocol
            )
            for port, protocol in ((22, "ssh"), (23, "telnet"), (80, "http"))
        ),
    )
    steps = (TELNET_OFF, HTTP_TO_HTTPS, SSH_OFF)
    plan = tuple(
        Advice(rank=n, remedy=remedy, devices=(device.id,), findings=(), risk_removed=1.0, worst=Severity.LOW)
        for n, remedy in enumerate(steps, 1)
    )
    found = simulate(
        of_review(replace(review, devices=(device,), results=(), observations={}, what_first=plan))
    )

    # Each of them alone would leave two others.
    assert [step.locked_out for step in found.steps] == [(), (), (device.label,)]


def test_the_command_says_who_is_affected_by_which_step(tmp_path: Path) -> None:
    review = sample_review()
    by_remedy = {advice.remedy.id: advice.rank for advice in review.what_first}
    finding = next(r for r in review.findings if r.stands and r.endpoint and r.remedy in by_remedy)
    assert finding.endpoint is not None
    at = finding.endpoint
    store = str(tmp_path / "store.db")
    source = UsageSource(id="u-1", kind="capture", name="a", sha256="0", place="the router", first="2026-11-10T00:00:00Z",
                         last="2026-11-25T00:00:00Z", packets=9, devices=(at.address,))  # fmt: skip
    use = Use(source="u-1", client="192.0.2.40", address=at.address, transport=at.transport, port=at.port,
              first="2026-11-11T08:00:00Z", last="2026-11-24T16:30:00Z", conversations=31, bytes_sent=1, bytes_received=9)  # fmt: skip
    with opening.opened(store) as kept:
        kept.save(review)
        kept_usage.keep(kept, source, [use])

    def run(*more: str) -> Any:
        result = CliRunner().invoke(
            cli, ["plan", "show", "latest", "--store", store, *more], env={"COLUMNS": "200"}
        )
        assert result.exit_code == 0, result.output
        return result.stdout

    document, text = json.loads(run("--json")), run()
    (affected,) = document["clients"]["192.0.2.40"]
    same = {
        r.remedy
        for r in review.findings
        if r.stands and r.endpoint and (r.endpoint.address, r.endpoint.port) == (at.address, at.port)
    }
    assert affected["step"] == min(by_remedy[remedy] for remedy in same if remedy in by_remedy)
    advice = next(advice for advice in review.what_first if advice.rank == affected["step"])
    assert (affected["change"], affected["loses"]) == (advice.remedy.title, advice.remedy.stops_working)
    said = " ".join(text[text.index("What clients lose") :].split())
    assert (
        f"192.0.2.40 {at.port}/{at.transport} on " in said and "(31 conversations, last 2026-11-24)" in said
    )
    assert f"Loses: {advice.remedy.stops_working}" in said
    assert json.loads(run("--json", "--until", "0"))["clients"] == {}
