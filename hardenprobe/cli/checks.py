"""`hardenprobe checks`."""

from __future__ import annotations

from pathlib import Path

import click

from hardenprobe.cli import options


@click.group("checks")
def command() -> None:
    """List the checks, read one, write one, or try one under development."""


@command.command("list")
@options.plugins
def show_all(plugins: options.Plugins) -> int:
    """List the checks with test level and title."""
    from hardenprobe.plugins.sources import BUILT_IN

    found = plugins.registry()
    width = max(map(len, found.checks))
    for check_id, check in sorted(found.checks.items()):
        if check_id in found.stand_ins:
            continue
        origin = found.origins[check_id]
        whose = "" if origin == BUILT_IN else f"  (from {origin})"
        click.echo(f"{check_id:{width}}  {check.reach or 'none':6}  {check.title}{whose}")
    for broken in found.broken:
        click.echo(str(broken), err=True)
    return 0


@command.command("show")
@click.argument("check_id", metavar="CHECK")
@options.plugins
def show(check_id: str, plugins: options.Plugins) -> int:
    """Read one check: why it matters, how it is tested, what its results mean, the remediation."""
    from hardenprobe.cli.handbook import page

    found = plugins.registry()
    click.echo(page(found.get(check_id), found.origins[check_id]))
    return 0


@command.command("new")
@click.argument("name")
@click.option("--probe", is_flag=True, help="With a probe and its facts in the check's file.")
@click.option(
    "--package", is_flag=True, help="A package to install, with a service of the lab and its devices."
)
@click.option(
    "-o",
    "--output",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path(),
    help="Where the folder is made; here by default.",
)
def new(name: str, output: Path, probe: bool, package: bool) -> int:
    """Write a check of your own to start from, and its test.

    NAME is the check's id: it names the exposure, in lower-case words joined by dashes, such as ident-answers. The
    folder of that name is complete as it is written: its tests pass.
    """
    from hardenprobe.devkit import scaffold
    from hardenprobe.plugins import registry

    if probe and package:
        raise click.UsageError("--package has a probe already; leave --probe out")
    kind: scaffold.Kind = "package" if package else "probe" if probe else "check"
    folder = scaffold.write(name, output, frozenset(registry.load(plugins=False).checks), kind)
    module = name.replace("-", "_")
    device, file = (
        ("T-0001", folder / module / "check.py") if package else ("RP-0101", folder / f"{module}.py")
    )
    click.echo(f"wrote {folder}")
    click.echo(
        "Put your exposure in place of the example, and on the way:\n"
        f"  python -m pytest {folder}\n"
        f"  hardenprobe checks try {file} --device lab:{device}\n"
        f"  hardenprobe scan TARGET --checks-from {file.parent}\n"
        "The handbook's page `authors.md` says what a check and a probe may use.",
        err=True,
    )
    return 0


@command.command("try")
@click.argument("file", type=options.FILE)
@click.option(
    "--device",
    metavar="lab:NAME",
    help="Start this device of the lab and scan it; of devices.yaml beside FILE, else of the lab's own inventory.",
)
@click.option("--review", "review_name", metavar="REVIEW", help="Judge what this stored review holds.")
@options.baseline("What is expected.")
@options.store
def attempt(
    file: Path, device: str | None, review_name: str | None, baseline_name: str | None, store_url: str | None
) -> int:
    """Try a check under development: what it read, what it concludes, and where it breaks the contract.

    FILE holds the check; it is run, with the probes and services in the files beside it. Without --device and --review
    only the contract is verified. The exit status is 2 where the check cannot be used or breaks the contract, 3 where it
    judged an error or nothing, 1 where it found something, 0 otherwise.
    """
    from hardenprobe.cli.opening import opened
    from hardenprobe.devkit import trial
    from hardenprobe.reports import trial_screen

    if device and review_name:
        raise click.UsageError("--device and --review are two ways to try a check; choose one")
    if device:
        tried = trial.on_device(file, device, baseline_name)
    elif review_name:
        with opened(store_url) as kept:
            tried = trial.on_review(file, lambda: kept.load(kept.find(review_name)), baseline_name)
    else:
        tried = trial.alone(file, baseline_name)
    for line in trial_screen.lines(tried):
        click.echo(line)
    return tried.status
