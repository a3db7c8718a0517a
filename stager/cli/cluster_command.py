"""`stager stage --cluster`: what is in the inbox, once, by the workers of a cluster."""

from typing import Unpack

from stager.cli import stage_command
from stager.cli.exits import Exit
from stager.cluster import workers
from stager.errors import ConfigError


def run(*, cluster: str, **asked: Unpack[stage_command.Asked]) -> Exit:
    """Stage once and print the outcomes; `cluster` is a scheduler's address, or `local`."""
    if asked["dry_run"]:
        raise ConfigError("expected --cluster or --dry-run, found both: what is written nowhere needs no other machine")
    return stage_command.run(lambda loaded: workers(cluster, asked["jobs"], loaded), **asked)
