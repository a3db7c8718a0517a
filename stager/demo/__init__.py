"""The invented song: score, instruments, ten stems with their faults, and the recorder that bounces them."""
