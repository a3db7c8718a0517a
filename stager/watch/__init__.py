"""The daemon: events are hints, scans are the truth, and nothing is read before it has settled."""
