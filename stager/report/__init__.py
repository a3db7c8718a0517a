"""Sidecars and ledger into tables that people and scripts read."""

from stager.report.collect import collect
from stager.report.tables import outcome_data, write_tables

__all__ = ["collect", "outcome_data", "write_tables"]
