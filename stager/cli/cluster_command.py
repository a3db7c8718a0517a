"""`stager stage --cluster`: what is in the inbox, once, by the workers of a cluster."""

from collections.abc import Sequence
from pathlib import Path

from stager.cli import stage_command
from stager.cli.exits import Exit, FailOn
from stager.cluster import workers
from stager.errors import ConfigError


def run(
    *,
    project: Path,
    only: Sequence[str],
    dry_run: bool,
    again: bool,
    jobs: int | None,
    fail_on: FailOn | None,
    as_json: bool,
    cluster: str,
) -> Exit:
    """Stage once and print the outcomes; `cluster` is a scheduler's address, or `local`."""
    if dry_run:
        raise ConfigError("expected --cluster or --dry-run, found both: what is written nowhere needs no other machine")
    return stage_command.run(
        project=project,
        only=only,
        dry_run=False,
        again=again,
        jobs=jobs,
        fail_on=fail_on,
        as_json=as_json,
        elsewhere=lambda loaded: workers(cluster, jobs, loaded),
    )
