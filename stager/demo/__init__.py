"""The demo: an invented song of ten stems with faults, and the recorder that bounces them."""
