"""Executors that the staging queue can be handed: processes of this machine, and the workers of a cluster."""
