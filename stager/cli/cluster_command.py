"""`stager stage --cluster`: stages the inbox once, by the workers of a cluster."""

from typing import Unpack

from stager.cli import stage_command
from stager.cli.exits import Exit
from stager.errors import ConfigError
from stager.workers.dask import workers


def run(*, cluster: str, **options: Unpack[stage_command.StageOptions]) -> Exit:
    """Stage once and print the outcomes; `cluster` is a scheduler's address, or `local`."""
    if options["dry_run"]:
        raise ConfigError("expected --cluster or --dry-run, found both: what is written nowhere needs no other machine")
    return stage_command.run(lambda loaded: workers(cluster, options["jobs"], loaded), **options)
